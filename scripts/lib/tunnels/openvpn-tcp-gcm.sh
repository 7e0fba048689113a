# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# OpenVPN over TCP, AES-256-GCM. A stream: in bulk its segments are full whatever is inside, and the model's ceiling leaves
# out what the outer acknowledgements and retransmissions cost.

openvpn_protocol=tcp openvpn_cipher='data-ciphers AES-256-GCM'
TUNNEL_ENCAPSULATIONS=openvpn-tcp-aead
TUNNEL_LONGEST=1422
TUNNEL_WITHIN=1
# shellcheck source=scripts/lib/lab-openvpn.sh
. "$LAB_TUNNELS/../lab-openvpn.sh"
