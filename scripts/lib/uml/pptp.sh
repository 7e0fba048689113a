# shellcheck shell=sh disable=SC1091,SC2034,SC2154 # init sets the names, and others use those set here
# An end of PPTP with MPPE of 128 bits, stateless; GRE by the user-space programs pptp and pptpd.

. "${script%/*}/ppp.sh"
modules ppp_mppe

case $side in
  cabin)
    printf '%s\n' nodetach require-mppe-128 "pty \"pptp $peer --nolaunchpppd --nobuffer --loglevel 0\"" >>/etc/ppp/options.lab
    # The gateway's end may not listen yet.
    while :; do pppd file /etc/ppp/options.lab || sleep 0.2; done &
    ;;
  gateway)
    echo require-mppe-128 >>/etc/ppp/options.lab
    printf '%s\n' 'option /etc/ppp/options.lab' "localip $own_inside" "remoteip $peer_inside" >/run/pptpd.conf
    pptpd -f -c /run/pptpd.conf &
    ;;
esac
