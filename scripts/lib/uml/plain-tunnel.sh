# shellcheck shell=sh disable=SC1091,SC2034,SC2154 # init sets the names, and others use those set here
# An end of a tunnel without keys; $mode is gre or ipip.

case $mode in
  gre) modules ip_tunnel gre ip_gre ;;
  ipip) modules ip_tunnel tunnel4 ipip ;;
esac
ip tunnel add tunnel0 mode "$mode" local "$address" remote "$peer" ttl 64
ip link set tunnel0 mtu "$mtu" up
ip route add "$there" dev tunnel0
