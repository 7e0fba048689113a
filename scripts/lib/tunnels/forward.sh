# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# No tunnel: the port that the gateway forwards. The lab has it already.

TUNNEL_PLACE=outside
TUNNEL_ENCAPSULATIONS=none
TUNNEL_MTU=1500
TUNNEL_TARGET=$LAB_GATEWAY_ADDRESS
TUNNEL_FILTER=icmp
