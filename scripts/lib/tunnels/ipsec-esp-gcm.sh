# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# IKEv2, ESP by the kernel (IP protocol 50), AES-256-GCM.

TUNNEL_ENCAPSULATIONS=esp-gcm
TUNNEL_MTU=1446
TUNNEL_FILTER='ip proto 50'
TUNNEL_NEEDS='/usr/lib/ipsec/charon swanctl'
TUNNEL_RATE=50Mbit/s
# shellcheck source=scripts/lib/lab-uml.sh
. "$LAB_TUNNELS/../lab-uml.sh"

tunnel_up() {
  uml_up esp.sh esp=tunnel cipher=gcm
}
