# shellcheck shell=bash disable=SC2034 # facts are for lab-tunnels.sh
# Two guests between whom a tunnel runs that this machine's own kernel may lack; for those of tunnels/*.sh that source it.
#
#   guest --- cabin ---- wan ---- gateway --- guest
#                                    |
#                                 workshop
#
# A guest is a Linux kernel that runs as a process (user-mode-linux). Its root is this machine's own, read-only, its first
# process is uml/init. It is a VPN router beside its host: `culvert` and `culvertd` stay where they are, and their packets
# take the way through both guests. What a guest costs in CPU says nothing of a real tunnel; what it sends does.

TUNNEL_TIER=uml
TUNNEL_PATIENCE=30
TUNNEL_NEEDS="linux.uml modprobe cc ${TUNNEL_NEEDS:-}"

uml_cabin=10.81.3
uml_gateway=10.81.4
uml_inside=10.99.0.2
uml_sources=$(cd "$LAB_TUNNELS/../uml" && pwd)

# uml_up SCRIPT [NAME=VALUE]…: joins two guests to the lab and boots them; each runs uml/SCRIPT with these names set, beside
# those of uml_boot
uml_up() {
  uml_secret >"$TUNNEL_STATE/secret" &&
    cc -O2 -shared -fPIC -o "$TUNNEL_STATE/whole-xstate.so" "$uml_sources/whole-xstate.c" &&
    uml_link cabin "$uml_cabin" && uml_link gateway "$uml_gateway" && uml_routes &&
    uml_boot gateway "$@" && uml_boot cabin "$@"
}

# A guest that failed has ended itself.
tunnel_is_up() {
  local pid start label left=0
  while read -r pid start label; do
    if [[ $label == "tunnel-$TUNNEL_KEY" ]] && still_runs "$pid" "$start"; then left=$((left + 1)); fi
  done <"$LAB_STATE/processes"
  ((left == 2))
}

tunnel_down() {
  local namespace
  for namespace in "$LAB_CABIN" "$LAB_GATEWAY"; do
    ! ip -n "$namespace" link show guest0 >/dev/null 2>&1 || ip -n "$namespace" link delete guest0 || return
  done
  ip -n "$LAB_WAN" route flush root "$uml_cabin.0/24"
  ip -n "$LAB_WAN" route flush root "$uml_gateway.0/24"
  lab_run cabin sysctl -qw net.ipv4.ip_forward=0 && lab_rules gateway 'ip culvert_uml'
}

# What both ends of a tunnel know: 256 bits of the kernel's random numbers.
uml_secret() {
  od -An -N 32 -t x1 /dev/urandom | tr -d ' \n'
}

# uml_link ROLE NET: guest0 is the host's end of the line to its guest, guest1 the end that the guest opens
uml_link() {
  ip -n "$(lab_namespace "$1")" -batch - <<END && lab_no_offloads "$1" guest0 guest1
link add guest0 type veth peer name guest1
address add $2.1/24 dev guest0
link set guest0 up
link set guest1 up
END
}

uml_routes() {
  ip -n "$LAB_CABIN" -batch - <<END && ip -n "$LAB_WAN" -batch - <<END2 && ip -n "$LAB_GATEWAY" -batch - <<END3 || return
address add $uml_inside/32 dev guest0
route add 192.168.77.0/24 via $uml_cabin.2 src $uml_inside mtu $TUNNEL_MTU
END
route add $uml_cabin.0/24 via 10.81.1.2
route add $uml_gateway.0/24 via $LAB_GATEWAY_ADDRESS
END2
route add $uml_inside/32 via $uml_gateway.2 mtu $TUNNEL_MTU
END3
  lab_run cabin sysctl -qw net.ipv4.ip_forward=1 || return
  # What the gateway does not track it does not masquerade.
  lab_rules gateway 'ip culvert_uml' "chain untracked { type filter hook prerouting priority raw
    ip saddr $uml_gateway.2 notrack
    ip daddr $uml_gateway.2 notrack
  }"
}

# uml_boot SIDE SCRIPT [NAME=VALUE]…: what is no option of the guest's kernel is in the environment of its first process
uml_boot() {
  local side=$1 script=$2 own=$uml_cabin peer=$uml_gateway here=$uml_inside/32 there=192.168.77.0/24
  [[ $side == cabin ]] || own=$uml_gateway peer=$uml_cabin here=192.168.77.0/24 there=$uml_inside/32
  shift 2
  tunnel_start "$side" sh "$uml_sources/keep" env "LD_PRELOAD=$TUNNEL_STATE/whole-xstate.so" linux.uml mem=96M \
    "umid=$side" "uml_dir=$TUNNEL_STATE/" root=/dev/root rootfstype=hostfs rootflags=/ ro "init=$uml_sources/init" \
    con=null con0=null,fd:1 quiet panic=1 ipv6.disable=1 vec0:transport=raw,ifname=guest1,depth=128,gro=0 \
    "side=$side" "script=$uml_sources/$script" "state=$TUNNEL_STATE" "address=$own.2" "router=$own.1" "peer=$peer.2" \
    "here=$here" "there=$there" "mtu=$TUNNEL_MTU" "$@"
}
