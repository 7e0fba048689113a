# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# VXLAN from the cabin to the gateway, by the kernel: a link layer over UDP, nothing encrypted.

TUNNEL_ENCAPSULATIONS=vxlan
TUNNEL_MTU=1450
# IPv4 inside alone: the link between the two ends also asks for neighbours. UDP's header has 8 bytes, VXLAN's 8, and the
# inner frame's type is behind its two addresses.
TUNNEL_FILTER='udp dst port 4789 and udp[28:2] = 0x0800'

tunnel_up() {
  vxlan_end cabin 10.99.4.2 10.81.1.2 "$LAB_GATEWAY_ADDRESS" && vxlan_end gateway 10.99.4.1 "$LAB_GATEWAY_ADDRESS" 10.81.1.2 &&
    ip -n "$LAB_CABIN" route add 192.168.77.0/24 via 10.99.4.1
}

tunnel_is_up() {
  ip -n "$LAB_CABIN" link show tunnel0 >/dev/null 2>&1
}

tunnel_down() {
  local namespace
  for namespace in "$LAB_CABIN" "$LAB_GATEWAY"; do
    ! ip -n "$namespace" link show tunnel0 >/dev/null 2>&1 || ip -n "$namespace" link delete tunnel0 || return
  done
}

# vxlan_end ROLE ADDRESS OWN PEER
vxlan_end() {
  ip -n "$(lab_namespace "$1")" -batch - <<END && lab_no_offloads "$1" tunnel0
link add tunnel0 type vxlan id 42 local $3 remote $4 dstport 4789 dev line0
address add $2/24 dev tunnel0
link set tunnel0 mtu $TUNNEL_MTU up
END
}
