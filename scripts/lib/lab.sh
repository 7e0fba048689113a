# shellcheck shell=bash
# A small internet of four network namespaces, for the demo and the tests. Source it; `scripts/lab` is its command.
#
#   cabin ---- wan ---- gateway ---- workshop
#
#   cabin      the remote host, where `culvert` runs: the near end
#   wan        the router between: the shaper and the losses are here
#   gateway    the small network's router: masquerade, the forwarded port, the tunnel's server
#   workshop   the host where `culvertd` listens: the far end
#
# Call `lab_use NAME` first. Labs with different names stand side by side.
#
# Each tunnel is a file scripts/lib/tunnels/KEY.sh (what several share goes to scripts/lib/KIND.sh, which they source by
# its path beside $LAB_TUNNELS). All of them lead from the cabin to the workshop's own address, so one stands at a time.
# The file sets facts, plain values known without a lab:
#
#   TUNNEL_ENCAPSULATIONS   keys of `culvert ceiling`, the first being the one of a full packet in bulk; a packet has the
#                           outer length of one of them
#   TUNNEL_MTU              the longest IP packet that enters it, in bytes
#   TUNNEL_FILTER           the filter (pcap-filter(7)) that shows its outer packets, and those alone, in the WAN: one
#                           for each inner packet; what enters the WAN is captured, from cabin0 and from gateway0
#   TUNNEL_LONGEST          the longest inner packet that leaves in one outer packet, where that is not TUNNEL_MTU
#   TUNNEL_NEEDS            commands and files without which it cannot be brought up
#   TUNNEL_TIER             fast (default): of this kernel; uml: of user-mode-linux, with tests of its own
#   TUNNEL_PATIENCE         seconds from the end of tunnel_up until a ping goes through (default 10)
#   TUNNEL_RATE, _QUEUE     the shaper's rate and queue for the goodput (default 100Mbit/s and 100, in milliseconds,
#                           which bridges what a busy machine takes from the programs before it)
#   TUNNEL_WITHIN           how far off the ceiling TCP's goodput may be, in per cent (default 0.5)
#   TUNNEL_PLACE, _TARGET   only the forwarded port is `outside` and dials another address than the workshop's
#
# and defines functions, which run while the lab is locked (never call lab_start, lab_stop, lab_tunnel_* from there):
#
#   tunnel_up       brings it up from nothing. Keys and configuration are made anew in $TUNNEL_STATE, an empty folder of
#                   mode 700. Processes are started by `tunnel_start ROLE COMMAND…`; ROLE is cabin, gateway, … ; they speak
#                   to $LAB_STATE/tunnel-KEY.log and are ended, TERM before KILL, before tunnel_down is called. Commands
#                   run by `lab_run ROLE COMMAND…`; `wait_for SECONDS COMMAND…` waits. It need not wait for the ping.
#   tunnel_is_up    optional, quick: can it be up? That a ping goes from the cabin to the target is asked besides.
#   tunnel_down     optional: removes what outlives its processes (links, routes, files); nothing there is no error
#
# Its test is its name in tests/namespaces/tunnels, in fast.rs or uml.rs. Its own functions and variables begin with its
# name. Offloads must be off at every hop (`lab_no_offloads ROLE DEVICE…`): else neither captures nor shapers see true
# packets.

# shellcheck source=scripts/lib/common.sh
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"
# shellcheck source=scripts/lib/lab-impair.sh
. "$(dirname "${BASH_SOURCE[0]}")/lab-impair.sh"
# shellcheck source=scripts/lib/lab-tunnels.sh
. "$(dirname "${BASH_SOURCE[0]}")/lab-tunnels.sh"

LAB_PORT=28460
LAB_ROLES=(cabin wan gateway workshop)
LAB_GATEWAY_ADDRESS=10.81.2.2
LAB_WORKSHOP_ADDRESS=192.168.77.10
LAB_WORKSHOP_ADDRESS_IPV6=fd00:77::10

# lab_use NAME: says which lab the other functions mean
lab_use() {
  [[ $1 =~ ^[a-z0-9][a-z0-9-]{0,31}$ ]] || {
    complain "\"$1\" cannot name a lab" "use 1 to 32 of a-z, 0-9 and -, and begin with a letter or a digit"
    return 1
  }
  LAB_NAME=$1
  LAB_HOME=${TMPDIR:-/tmp}/culvert-lab
  LAB_STATE=$LAB_HOME/$1
  LAB_CABIN=$(lab_namespace cabin) LAB_WAN=$(lab_namespace wan)
  LAB_GATEWAY=$(lab_namespace gateway) LAB_WORKSHOP=$(lab_namespace workshop)
}

lab_namespace() {
  printf 'cv-%s-%s' "$LAB_NAME" "$1"
}

# lab_up [RATE]: builds the lab, shaped to RATE of Ethernet in both directions (100Mbit/s unless given, or "unshaped")
lab_up() {
  lab_check || return
  mkdir -m 700 "$LAB_HOME" 2>/dev/null
  [[ -O $LAB_HOME && ! -L $LAB_HOME ]] || {
    complain "$LAB_HOME is not a directory of this user" "remove it, or set TMPDIR to another directory"
    return 1
  }
  lab_claim || {
    complain "a lab named $LAB_NAME stands already" "take it down with: scripts/lab down $LAB_NAME"
    return 1
  }
  lab_locked lab_build "${1:-100Mbit/s}" || {
    complain "the lab $LAB_NAME could not be built" "the lines above say what failed; a container needs the right to make network namespaces"
    lab_down
    return 1
  }
}

# lab_down: ends what the lab started, by process number, and removes its namespaces; no lab is no error
lab_down() {
  if [[ -d $LAB_STATE ]]; then
    # A step that hangs must not keep the lab standing.
    lab_locked lab_dismantle || lab_dismantle
  fi
}

# lab_down_on_exit: takes down a lab that this script has built, however the script ends (short of SIGKILL)
lab_down_on_exit() {
  trap lab_down_if_ours EXIT
  trap 'exit 130' INT
  trap 'exit 143' TERM HUP
}

# A lab that stood before is somebody else's.
lab_down_if_ours() {
  rm -rf "$LAB_STATE.$$.new"
  if [[ -e $LAB_STATE/builder && $(<"$LAB_STATE/builder") == "$(lab_builder)" ]]; then lab_down; fi
}

# lab_print: the names of a standing lab as shell assignments
lab_print() {
  local name
  for name in LAB_NAME LAB_CABIN LAB_WAN LAB_GATEWAY LAB_WORKSHOP; do printf '%s=%s\n' "$name" "${!name}"; done
  printf 'LAB_OUTSIDE=%s:%s\n' "$LAB_GATEWAY_ADDRESS" "$LAB_PORT"
  printf 'LAB_INSIDE=%s:%s\n' "$LAB_WORKSHOP_ADDRESS" "$LAB_PORT"
  # Empty where the kernel has no IPv6.
  if lab_has_ipv6; then printf "LAB_OUTSIDE_IPV6='[%s]:%s'\n" "$LAB_WORKSHOP_ADDRESS_IPV6" "$LAB_PORT"; else echo LAB_OUTSIDE_IPV6=; fi
}

# lab_run ROLE COMMAND…: runs the command in that namespace
lab_run() {
  local role=$1
  shift
  ip netns exec "$(lab_namespace "$role")" "$@"
}

# lab_start LABEL ROLE COMMAND…: starts the command in the background, its output in $LAB_STATE/LABEL.log and its
# process number in $LAB_STARTED; lab_down ends it. The role "here" is no namespace of the lab.
lab_start() {
  lab_locked lab_launch "$@"
}

# lab_stop LABEL: ends what was started under that label
lab_stop() {
  lab_locked lab_end "$1"
}

# lab_keep_while PID: takes the lab down when that process has ended, even by SIGKILL
lab_keep_while() {
  local start
  start=$(started_at "$1") || {
    complain "there is no process $1 to keep the lab for"
    return 1
  }
  lab_start keeper here "$(dirname "${BASH_SOURCE[0]}")/../lab" keep "$LAB_NAME" "$1" "$start"
}

# lab_check: can a lab be built here?
lab_check() {
  local command missing=()
  for command in ip tc nft ethtool ping sysctl; do command -v "$command" >/dev/null || missing+=("$command"); done
  ((${#missing[@]} == 0)) || {
    complain "the lab needs these commands, which are missing: ${missing[*]}" "run scripts/setup as root"
    return 1
  }
  ((EUID == 0)) || {
    complain "only root can make network namespaces" "run it as root"
    return 1
  }
}

# The name is taken and the builder written in one step: whenever an interrupt comes, it is known whose lab it is.
lab_claim() {
  mkdir -m 700 "$LAB_STATE.$$.new" && lab_builder >"$LAB_STATE.$$.new/builder" &&
    mv -T "$LAB_STATE.$$.new" "$LAB_STATE" 2>/dev/null && return
  rm -rf "$LAB_STATE.$$.new"
  return 1
}

lab_builder() {
  printf '%s %s\n' "$$" "$(started_at "$$")"
}

lab_has_ipv6() {
  [[ -e /proc/net/if_inet6 ]]
}

# One step on a lab at a time: so nothing is started while the lab is being taken down, and stays behind.
lab_locked() {
  local status
  # Interrupted in the middle of a step, the way out finds the lock already held.
  if [[ -n ${LAB_LOCK:-} ]]; then
    "$@"
    return
  fi
  { exec {LAB_LOCK}>"$LAB_STATE/lock"; } 2>/dev/null || {
    LAB_LOCK=
    complain "no lab named $LAB_NAME stands" "build it with: scripts/lab up $LAB_NAME"
    return 1
  }
  flock -w 30 "$LAB_LOCK" && [[ -d $LAB_STATE ]] && "$@"
  status=$?
  exec {LAB_LOCK}>&-
  LAB_LOCK=
  return "$status"
}

lab_build() {
  local role
  for role in "${LAB_ROLES[@]}"; do
    ip netns add "$(lab_namespace "$role")" || return
    # A new device takes this over. Nobody else is on these links, and looking for a double of each address costs seconds.
    ! lab_has_ipv6 || lab_run "$role" sysctl -qw net.ipv6.conf.{all,default}.accept_dad=0 || return
  done
  ip -batch - <<END || return
link add line0 netns $LAB_CABIN type veth peer name cabin0 netns $LAB_WAN
link add gateway0 netns $LAB_WAN type veth peer name line0 netns $LAB_GATEWAY
link add shop0 netns $LAB_GATEWAY type veth peer name shop0 netns $LAB_WORKSHOP
END
  lab_number cabin 'line0 10.81.1.2 fd00:81:1::2' 'default 10.81.1.1 fd00:81:1::1' &&
    lab_number wan 'cabin0 10.81.1.1 fd00:81:1::1' 'gateway0 10.81.2.1 fd00:81:2::1' &&
    lab_number gateway "line0 $LAB_GATEWAY_ADDRESS fd00:81:2::2" 'shop0 192.168.77.1 fd00:77::1' 'default 10.81.2.1 fd00:81:2::1' &&
    lab_number workshop "shop0 $LAB_WORKSHOP_ADDRESS $LAB_WORKSHOP_ADDRESS_IPV6" 'default 192.168.77.1 fd00:77::1' &&
    lab_forwarding wan && lab_forwarding gateway &&
    { ! lab_has_ipv6 || ip -n "$LAB_WAN" route add fd00:77::/64 via fd00:81:2::2; } &&
    lab_forward_port && lab_shape "$1" && lab_carries
}

# lab_number ROLE 'DEVICE ADDRESS ADDRESS6'… 'default ROUTER ROUTER6': addresses, links up, the way out. Offloads go off:
# with them a veth hands on packets far above its MTU, and neither a capture nor a shaper sees the sizes on the wire.
lab_number() {
  local role=$1 namespace device four six batch=$'link set lo up\n' devices=()
  namespace=$(lab_namespace "$role")
  shift
  while read -r device four six; do
    if [[ $device == default ]]; then
      batch+="route add 0.0.0.0/0 via $four"$'\n'
      ! lab_has_ipv6 || batch+="route add ::/0 via $six"$'\n'
      continue
    fi
    devices+=("$device")
    batch+="address add $four/24 dev $device"$'\n'
    ! lab_has_ipv6 || batch+="address add $six/64 dev $device nodad"$'\n'
    batch+="link set $device up"$'\n'
  done < <(printf '%s\n' "$@")
  ip -n "$namespace" -batch - <<<"$batch" || return
  lab_no_offloads "$role" "${devices[@]}"
}

# lab_no_offloads ROLE DEVICE…: from there on each packet is one that could be on a wire
lab_no_offloads() {
  local role=$1 device
  shift
  for device in "$@"; do
    lab_run "$role" ethtool -K "$device" tso off gso off gro off tx off >/dev/null || return
  done
}

# Whoever builds a lab finds a path on which all neighbours know each other.
lab_carries() {
  local address
  for address in "$LAB_GATEWAY_ADDRESS" "$LAB_WORKSHOP_ADDRESS_IPV6"; do
    [[ $address != *:* ]] || lab_has_ipv6 || continue
    wait_for 5 lab_run cabin ping -q -c 1 -W 1 "$address" || {
      complain "no packet goes from the cabin to $address in the lab $LAB_NAME"
      return 1
    }
  done
}

lab_forwarding() {
  lab_run "$1" sysctl -qw net.ipv4.ip_forward=1 || return
  ! lab_has_ipv6 || lab_run "$1" sysctl -qw net.ipv6.conf.all.forwarding=1
}

# IPv4 comes in through the one forwarded port and goes out masqueraded; IPv6 is routed.
lab_forward_port() {
  lab_run gateway nft -f - <<END
table ip culvert_nat {
  chain forwarded {
    type nat hook prerouting priority dstnat;
    iifname "line0" tcp dport $LAB_PORT dnat to $LAB_WORKSHOP_ADDRESS:$LAB_PORT
    iifname "line0" udp dport $LAB_PORT dnat to $LAB_WORKSHOP_ADDRESS:$LAB_PORT
  }
  chain outgoing {
    type nat hook postrouting priority srcnat;
    oifname "line0" masquerade
  }
}
END
}

lab_launch() {
  local label=$1 enter=()
  [[ $2 == here ]] || enter=(ip netns exec "$(lab_namespace "$2")")
  shift 2
  (
    # It records itself, under the lab's lock, before it becomes the command: it never runs unrecorded.
    self=$BASHPID
    printf '%s %s %s\n' "$self" "$(started_at "$self")" "$label" >>"$LAB_STATE/processes" || exit
    exec {LAB_LOCK}>&-
    # A session of its own, so that Ctrl-C at the terminal ends what is in the foreground and not the lab under it.
    exec setsid env --default-signal=INT,QUIT "${enter[@]}" "$@"
  ) </dev/null >>"$LAB_STATE/$label.log" 2>&1 &
  # shellcheck disable=SC2034 # for the caller
  LAB_STARTED=$!
}

# lab_end [LABEL]: ends the processes of that label, or all
lab_end() {
  local pid start label signal tries left
  [[ -e $LAB_STATE/processes ]] || return 0
  for signal in TERM KILL; do
    for ((tries = 0; tries < 30; tries++)); do
      left=0
      while read -r pid start label; do
        if [[ $label != "${1:-$label}" || $pid == "$$" ]] || ! still_runs "$pid" "$start"; then continue; fi
        left=1
        ((tries)) || kill "-$signal" "$pid" 2>/dev/null
      done <"$LAB_STATE/processes"
      ((left)) || return 0
      sleep 0.1
    done
  done
  complain "some processes of the lab $LAB_NAME outlived SIGKILL"
  return 1
}

lab_dismantle() {
  local role namespace pids state
  lab_end
  for state in "$LAB_STATE"/tunnel-*/; do
    # What a tunnel left outside of the namespaces, if it still stood.
    [[ ! -d $state ]] || { lab_tunnel_load "$(basename "${state#"$LAB_STATE/tunnel-"}")" && lab_tunnel_clear; }
  done
  for role in "${LAB_ROLES[@]}"; do
    namespace=$(lab_namespace "$role")
    [[ -e /run/netns/$namespace ]] || continue
    pids=$(ip netns pids "$namespace" 2>/dev/null | tr '\n' ' ')
    [[ -z $pids ]] || say "lab $LAB_NAME: others still run in $role, left alone: $pids"
    ip netns delete "$namespace"
  done
  rm -rf "$LAB_STATE"
}
