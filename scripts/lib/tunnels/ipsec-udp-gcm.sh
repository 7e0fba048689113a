# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# IKEv2, ESP in UDP, AES-256-GCM.

ipsec_proposal=aes256gcm16
TUNNEL_ENCAPSULATIONS=esp-gcm-udp
# shellcheck source=scripts/lib/lab-ipsec.sh
. "$LAB_TUNNELS/../lab-ipsec.sh"
