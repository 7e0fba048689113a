# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# L2TP in ESP transport (RFC 3193, but with IKEv2), AES-256-GCM.

TUNNEL_ENCAPSULATIONS=l2tp-esp-gcm
TUNNEL_MTU=1428
TUNNEL_FILTER='ip proto 50'
TUNNEL_NEEDS='xl2tpd pppd /usr/lib/ipsec/charon swanctl'
TUNNEL_RATE=50Mbit/s
# shellcheck source=scripts/lib/lab-uml.sh
. "$LAB_TUNNELS/../lab-uml.sh"

tunnel_up() {
  uml_up l2tp.sh esp=transport cipher=gcm
}
