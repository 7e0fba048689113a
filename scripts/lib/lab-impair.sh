# shellcheck shell=bash
# What can be wrong with the lab's path: its rate, losses with an exact count, filters. Part of lab.sh.

# lab_shape RATE: both directions of the WAN carry RATE of Ethernet, counted as real Ethernet counts (38 bytes a packet
# beside the IP packet: 14 of header are counted anyway, 24 are preamble, checksum and gap). "unshaped" takes it off.
lab_shape() {
  local rate=${1%/s} device burst latency
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
  # A queue of 20 ms, or of about 20 packets where that is longer.
  latency=$((30000 * 8 / kilobits))
  ((latency >= 20)) || latency=20
  for device in cabin0 gateway0; do
    lab_run wan tc qdisc replace dev "$device" root stab overhead 24 linklayer ethernet \
      tbf rate "${kilobits}kbit" burst "$burst" latency "${latency}ms" || return
  done
}

# lab_drop_one_in N [toward-far|toward-near|both] [LEAST]: drops each Nth datagram of the listener's port with a payload of
# at least LEAST bytes, so that small control datagrams can be spared. Each direction counts on its own, from zero.
lab_drop_one_in() {
  local n=$1 toward=${2:-both} least=${3:-0} rules=
  [[ $n =~ ^[1-9][0-9]{0,8}$ && $least =~ ^[0-9]{1,5}$ && $toward =~ ^(both|toward-far|toward-near)$ ]] || {
    complain "cannot drop one in \"$n\" datagrams of \"$least\" bytes or more, $toward" "one in N: N from 1 on; then toward-far, toward-near or both; then a payload size in bytes"
    return 1
  }
  local rest="udp length >= $((least + 8)) numgen inc mod $n $((n - 1)) counter name"
  [[ $toward == toward-near ]] || rules+="udp dport $LAB_PORT $rest toward_far drop"$'\n'
  [[ $toward == toward-far ]] || rules+="udp sport $LAB_PORT $rest toward_near drop"$'\n'
  lab_rules wan culvert_loss "counter toward_far { }
    counter toward_near { }
    chain lossy { type filter hook forward priority filter; $rules }"
}

# lab_drop_count [toward-far|toward-near|both]: how many datagrams were dropped since lab_drop_one_in
lab_drop_count() {
  local direction total=0 packets
  for direction in toward_far toward_near; do
    [[ ${1:-both} == both || ${1//-/_} == "$direction" ]] || continue
    packets=$(lab_run wan nft list counter inet culvert_loss "$direction" 2>/dev/null)
    [[ $packets =~ packets\ ([0-9]+) ]] || {
      complain "the lab $LAB_NAME drops nothing" "set it up with: scripts/lab drop-one-in $LAB_NAME N"
      return 1
    }
    total=$((total + BASH_REMATCH[1]))
  done
  printf '%s\n' "$total"
}

# lab_filter_udp: the WAN swallows the port's datagrams both ways; TCP still passes
lab_filter_udp() {
  lab_rules wan culvert_filter "chain filtered { type filter hook forward priority filter
    udp dport $LAB_PORT drop
    udp sport $LAB_PORT drop
  }"
}

# lab_unforward: the gateway no longer forwards the port: it answers itself, that nothing listens there
lab_unforward() {
  lab_rules gateway culvert_unforward "chain closed { type filter hook forward priority filter
    iifname \"line0\" tcp dport $LAB_PORT reject with tcp reset
    iifname \"line0\" udp dport $LAB_PORT reject with icmpx port-unreachable
  }"
}

# lab_mend: takes losses, filters and the closed port off again; the shaper stays
lab_mend() {
  lab_rules wan culvert_loss && lab_rules wan culvert_filter && lab_rules gateway culvert_unforward
}

# lab_rules ROLE TABLE [RULES]: replaces the table in one step, or removes it
lab_rules() {
  local table="table inet $2"
  lab_run "$1" nft -f - <<END
$table
delete $table
${3:+$table { $3
\}}
END
}
