# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# OpenVPN over UDP, ChaCha20-Poly1305.

openvpn_protocol=udp openvpn_cipher='data-ciphers CHACHA20-POLY1305'
TUNNEL_ENCAPSULATIONS=openvpn-udp-aead
TUNNEL_LONGEST=1448
# shellcheck source=scripts/lib/lab-openvpn.sh
. "$LAB_TUNNELS/../lab-openvpn.sh"
