# shellcheck shell=bash
# What can be wrong with the lab's path: its rate, losses and copies with an exact count, filters. Part of lab.sh.

# lab_shape RATE [QUEUE]: both directions of the WAN carry RATE of Ethernet, counted as real Ethernet counts (38 bytes a packet
# beside the IP packet: 14 of header are counted anyway, 24 are preamble, checksum and gap). "unshaped" takes it off. QUEUE is in milliseconds.
lab_shape() {
  local rate=${1%/s} device burst latency queue
  rate=${rate,,}
  if [[ $rate == unshaped ]]; then
    for device in cabin0 gateway0; do lab_run wan tc qdisc delete dev "$device" root 2>/dev/null; done
    return 0
  fi
  [[ $rate =~ ^([1-9][0-9]{0,5})([kmg])bit$ ]] || {
    complain "\"$1\" is not a rate the shaper takes" "write a whole number with its unit, as 100Mbit/s, or unshaped"
    return 1
  }
  local kilobits=${BASH_REMATCH[1]}
  case ${BASH_REMATCH[2]} in m) kilobits=$((kilobits * 1000)) ;; g) kilobits=$((kilobits * 1000000)) ;; esac
  # One millisecond of data keeps the bucket from running dry between the kernel's ticks; below that ten full packets.
  burst=$((kilobits / 8))
  ((burst >= 16384)) || burst=16384
  # A queue of 20 ms unless asked otherwise, or of about 20 packets where that is longer.
  latency=$((30000 * 8 / kilobits)) queue=${2:-20}
  [[ $queue =~ ^[1-9][0-9]{0,4}$ ]] || {
    complain "\"$queue\" is not the length of a queue" "write whole milliseconds, as 20"
    return 1
  }
  ((latency >= queue)) || latency=$queue
  for device in cabin0 gateway0; do
    lab_run wan tc qdisc replace dev "$device" root stab overhead 24 linklayer ethernet \
      tbf rate "${kilobits}kbit" burst "$burst" latency "${latency}ms" || return
  done
}

# lab_drop_one_in N [toward-far|toward-near|both] [LEAST]: drops each Nth datagram of the listener's port with a payload of
# at least LEAST bytes, so that small control datagrams can be spared. Each direction counts on its own, from zero.
lab_drop_one_in() {
  local toward=${2:-both} rest rules=
  rest=$(lab_each_nth "$@") || return
  [[ $toward == toward-near ]] || rules+="udp dport $LAB_PORT $rest toward_far drop"$'\n'
  [[ $toward == toward-far ]] || rules+="udp sport $LAB_PORT $rest toward_near drop"$'\n'
  lab_rules wan 'inet culvert_loss' "counter toward_far { }
    counter toward_near { }
    chain lossy { type filter hook forward priority filter; $rules }"
}

# lab_drop_count [toward-far|toward-near|both]: how many datagrams were dropped since lab_drop_one_in
lab_drop_count() {
  lab_count "${1:-both}" 'inet culvert_loss' || {
    complain "the lab $LAB_NAME drops nothing" "set it up with: scripts/lab drop-one-in $LAB_NAME N"
    return 1
  }
}

# lab_copy_one_in N [toward-far|toward-near|both] [LEAST]: sends each Nth such datagram twice. Each direction and family
# counts on its own, from zero. A copy leaves as one of the router's own: lab_drop_one_in never sees it.
lab_copy_one_in() {
  local toward=${2:-both} rest family far near rules
  rest=$(lab_each_nth "$@") || return
  while read -r family far near; do
    [[ $family == ip ]] || lab_has_ipv6 || continue
    rules=
    [[ $toward == toward-near ]] || rules+="iifname cabin0 udp dport $LAB_PORT $rest toward_far dup to $far device gateway0"$'\n'
    [[ $toward == toward-far ]] || rules+="iifname gateway0 udp sport $LAB_PORT $rest toward_near dup to $near device cabin0"$'\n'
    lab_rules wan "$family culvert_copies" "counter toward_far { }
      counter toward_near { }
      chain copied { type filter hook prerouting priority filter
        $rules }" || return
  done <<END
ip $LAB_GATEWAY_ADDRESS 10.81.1.2
ip6 fd00:81:2::2 fd00:81:1::2
END
}

# lab_copy_count [toward-far|toward-near|both]: how many datagrams were copied since lab_copy_one_in
lab_copy_count() {
  local tables=('ip culvert_copies')
  ! lab_has_ipv6 || tables+=('ip6 culvert_copies')
  lab_count "${1:-both}" "${tables[@]}" || {
    complain "the lab $LAB_NAME copies nothing" "set it up with: scripts/lab copy-one-in $LAB_NAME N"
    return 1
  }
}

# lab_filter_udp: the WAN swallows the port's datagrams both ways; TCP still passes
lab_filter_udp() {
  lab_rules wan 'inet culvert_filter' "chain filtered { type filter hook forward priority filter
    udp dport $LAB_PORT drop
    udp sport $LAB_PORT drop
  }"
}

# lab_unforward: the gateway no longer forwards the port: it answers itself, that nothing listens there
lab_unforward() {
  lab_rules gateway 'inet culvert_unforward' "chain closed { type filter hook forward priority filter
    iifname \"line0\" tcp dport $LAB_PORT reject with tcp reset
    iifname \"line0\" udp dport $LAB_PORT reject with icmpx port-unreachable
  }"
}

# lab_mend: takes losses, copies, filters and the closed port off again; the shaper stays
lab_mend() {
  lab_rules wan 'inet culvert_loss' && lab_rules wan 'ip culvert_copies' && lab_rules wan 'inet culvert_filter' &&
    lab_rules gateway 'inet culvert_unforward' && { ! lab_has_ipv6 || lab_rules wan 'ip6 culvert_copies'; }
}

# lab_each_nth N [WAY] [LEAST]: the middle of a rule that matches each Nth datagram; the name of its counter must follow
lab_each_nth() {
  local n=$1 toward=${2:-both} least=${3:-0}
  [[ $n =~ ^[1-9][0-9]{0,8}$ && $least =~ ^[0-9]{1,5}$ && $toward =~ ^(both|toward-far|toward-near)$ ]] || {
    complain "there is no one in \"$n\" datagrams of \"$least\" bytes or more, $toward" "one in N: N from 1 on; then toward-far, toward-near or both; then a payload size in bytes"
    return 1
  }
  printf '%s' "udp length >= $((least + 8)) numgen inc mod $n $((n - 1)) counter name"
}

# lab_count toward-far|toward-near|both TABLE…: the sum of the counters of these names in these tables
lab_count() {
  local toward=$1 direction table total=0 packets
  shift
  for table in "$@"; do
    for direction in toward_far toward_near; do
      [[ $toward == both || ${toward//-/_} == "$direction" ]] || continue
      # shellcheck disable=SC2086 # family and name are two words
      packets=$(lab_run wan nft list counter $table "$direction" 2>/dev/null)
      [[ $packets =~ packets\ ([0-9]+) ]] || return
      total=$((total + BASH_REMATCH[1]))
    done
  done
  printf '%s\n' "$total"
}

# lab_rules ROLE 'FAMILY TABLE' [RULES]: replaces the table in one step, or removes it
lab_rules() {
  local table="table $2"
  lab_run "$1" nft -f - <<END
$table
delete $table
${3:+$table { $3
\}}
END
}
