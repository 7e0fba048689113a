# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# L2TP alone.

TUNNEL_ENCAPSULATIONS=l2tp
TUNNEL_MTU=1462
# Data, not control (RFC 2661 section 3.1, bit T).
TUNNEL_FILTER='udp port 1701 and udp[8] & 0x80 = 0'
TUNNEL_NEEDS='xl2tpd pppd'
TUNNEL_RATE=50Mbit/s
# shellcheck source=scripts/lib/lab-uml.sh
. "$LAB_TUNNELS/../lab-uml.sh"

tunnel_up() {
  uml_up l2tp.sh
}
