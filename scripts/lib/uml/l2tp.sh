# shellcheck shell=sh disable=SC1091,SC2034,SC2154 # init sets the names, and others use those set here
# An end of L2TP by xl2tpd and the guest's kernel; where $esp is set, in ESP.

if [ -n "${esp:-}" ]; then . "${script%/*}/esp.sh"; fi
. "${script%/*}/ppp.sh"
modules l2tp_core pppox l2tp_ppp

case $side in
  cabin)
    section="[lac lab]
lns = $peer
autodial = yes
redial = yes
redial timeout = 1
max redials = 60"
    ;;
  gateway)
    section="[lns default]
ip range = $peer_inside
local ip = $own_inside"
    ;;
esac
cat >/run/xl2tpd.conf <<END
[global]
port = 1701
$section
require chap = yes
refuse pap = yes
name = $side
pppoptfile = /etc/ppp/options.lab
END
mkdir -p /run/xl2tpd
xl2tpd -D -c /run/xl2tpd.conf -p /run/xl2tpd.pid -C /run/xl2tpd/control >/run/xl2tpd.out 2>&1 &
