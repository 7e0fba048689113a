# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# No tunnel: what the gateway forwards. The lab forwards the listener's port already; here pings are forwarded, too.

TUNNEL_PLACE=outside
TUNNEL_ENCAPSULATIONS=none
TUNNEL_MTU=1500
TUNNEL_TARGET=$LAB_GATEWAY_ADDRESS
TUNNEL_FILTER=icmp

tunnel_up() {
  lab_rules gateway 'ip culvert_pings' "chain forwarded { type nat hook prerouting priority dstnat
    iifname \"line0\" icmp type echo-request dnat to $LAB_WORKSHOP_ADDRESS
  }"
}

tunnel_down() {
  lab_rules gateway 'ip culvert_pings'
}
