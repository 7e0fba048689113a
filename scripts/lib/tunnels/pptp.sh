# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# PPTP with MPPE of 128 bits.

# In bulk more than half of the full packets acknowledge one of the other way.
TUNNEL_ENCAPSULATIONS='pptp-mppe-acfc-pfc-ack pptp-mppe-acfc-pfc'
TUNNEL_MTU=1400
# Those with a sequence number (RFC 2637 section 4.1, bit S): an acknowledgement alone has none.
TUNNEL_FILTER='ip proto 47 and ip[20] & 0x10 != 0'
TUNNEL_NEEDS='pptp pptpd pppd'
# What two programs that hand on each byte in the guests keep up with at a part of one core.
TUNNEL_RATE=10Mbit/s
# After a loss pptpd delivers nothing for some 0.4 s while it waits for the missing packet: in a queue that TCP does not
# fill within a run nothing is lost.
TUNNEL_QUEUE=600
# shellcheck source=scripts/lib/lab-uml.sh
. "$LAB_TUNNELS/../lab-uml.sh"

tunnel_up() {
  uml_up pptp.sh
}
