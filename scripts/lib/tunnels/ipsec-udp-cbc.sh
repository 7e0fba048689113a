# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# IKEv2, ESP in UDP, AES-256-CBC with HMAC-SHA2-256-128.

ipsec_proposal=aes256-sha256
TUNNEL_ENCAPSULATIONS=esp-cbc-sha256-udp
# shellcheck source=scripts/lib/lab-ipsec.sh
. "$LAB_TUNNELS/../lab-ipsec.sh"
