# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# GRE (RFC 2784).

TUNNEL_ENCAPSULATIONS=gre
TUNNEL_MTU=1476
TUNNEL_FILTER='ip proto 47'
TUNNEL_RATE=50Mbit/s
# shellcheck source=scripts/lib/lab-uml.sh
. "$LAB_TUNNELS/../lab-uml.sh"

tunnel_up() {
  uml_up plain-tunnel.sh mode=gre
}
