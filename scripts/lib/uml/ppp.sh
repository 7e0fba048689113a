# shellcheck shell=sh disable=SC1091,SC2034,SC2154 # init sets the names, and others use those set here
# What the ends of L2TP and PPTP share: PPP with MS-CHAPv2, and the route into the tunnel once it is up. $ppp holds further
# options of pppd, divided by commas.

modules ppp_generic ppp_async ppp_synctty
# The addresses of PPP's own ends; nothing behind the guests knows them.
case $side in
  cabin) own_inside=10.99.1.2 peer_inside=10.99.1.1 ;;
  gateway) own_inside=10.99.1.1 peer_inside=10.99.1.2 ;;
esac
# The host's own settings stay unseen.
mount -t tmpfs -o mode=700 tmpfs /etc/ppp
(umask 077 && printf 'cabin gateway %s *\n' "$secret" >/etc/ppp/chap-secrets)
cat >/etc/ppp/options.lab <<END
name $side
nobsdcomp
nodeflate
novj
novjccomp
nodefaultroute
ipcp-accept-local
ipcp-accept-remote
noipv6
mtu $mtu
mru $mtu
logfile /dev/console
END
case $side in
  cabin) printf 'remotename gateway\nnoauth\n' ;;
  gateway) printf 'refuse-pap\nrefuse-chap\nrefuse-mschap\nrequire-mschap-v2\n' ;;
esac >>/etc/ppp/options.lab
printf '%s\n' "${ppp:-}" | tr ',' '\n' >>/etc/ppp/options.lab
# PPP's own queue of three packets is shorter than what one TCP window sends at once, and it leaves less than the MTU asked
# for where it encrypts.
cat >/etc/ppp/ip-up <<END
#!/bin/sh
ip link set "\$1" mtu $mtu txqueuelen 1000
ip route add $there dev "\$1"
END
chmod +x /etc/ppp/ip-up
