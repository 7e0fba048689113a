# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# IP in IP (RFC 2003).

TUNNEL_ENCAPSULATIONS=ipip
TUNNEL_MTU=1480
TUNNEL_FILTER='ip proto 4'
TUNNEL_RATE=50Mbit/s
# shellcheck source=scripts/lib/lab-uml.sh
. "$LAB_TUNNELS/../lab-uml.sh"

tunnel_up() {
  uml_up plain-tunnel.sh mode=ipip
}
