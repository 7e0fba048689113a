# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# OpenVPN over UDP, AES-256-CBC with HMAC-SHA256.

openvpn_protocol=udp openvpn_cipher=$'data-ciphers AES-256-CBC\nauth SHA256'
TUNNEL_ENCAPSULATIONS=openvpn-udp-cbc-sha256
TUNNEL_LONGEST=1403
# shellcheck source=scripts/lib/lab-openvpn.sh
. "$LAB_TUNNELS/../lab-openvpn.sh"
