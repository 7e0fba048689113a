# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# IKEv2, ESP in UDP, ChaCha20-Poly1305.

ipsec_proposal=chacha20poly1305
TUNNEL_ENCAPSULATIONS=esp-chacha20-udp
# shellcheck source=scripts/lib/lab-ipsec.sh
. "$LAB_TUNNELS/../lab-ipsec.sh"
