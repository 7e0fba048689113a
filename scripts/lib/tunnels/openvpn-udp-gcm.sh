# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# OpenVPN over UDP, AES-256-GCM.

openvpn_protocol=udp openvpn_cipher='data-ciphers AES-256-GCM'
TUNNEL_ENCAPSULATIONS=openvpn-udp-aead
TUNNEL_LONGEST=1448
# shellcheck source=scripts/lib/lab-openvpn.sh
. "$LAB_TUNNELS/../lab-openvpn.sh"
