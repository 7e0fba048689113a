# shellcheck shell=bash disable=SC2034 # the facts are for lab-tunnels.sh
# WireGuard by wireguard-go, from the cabin to the gateway.

TUNNEL_ENCAPSULATIONS=wireguard
TUNNEL_MTU=1420
TUNNEL_FILTER='udp port 51820'
TUNNEL_NEEDS='wireguard-go wg /dev/net/tun'

# WireGuard's control sockets are found by interface name across all namespaces, and such a name has 15 characters.
wireguard_device() {
  local sum
  sum=$(printf '%s' "$LAB_NAME" | cksum)
  printf 'cv%08x%s' "${sum%% *}" "${1:0:1}"
}

tunnel_up() {
  local role
  for role in cabin gateway; do
    (umask 077 && wg genkey >"$TUNNEL_STATE/$role.key" && wg pubkey <"$TUNNEL_STATE/$role.key" >"$TUNNEL_STATE/$role.public") || return
    tunnel_start "$role" wireguard-go --foreground "$(wireguard_device "$role")" || return
  done
  wait_for 5 wireguard_listens && wireguard_join
}

tunnel_is_up() {
  ip -n "$LAB_CABIN" link show "$(wireguard_device cabin)" >/dev/null 2>&1
}

# Only a daemon that had to be killed leaves these.
tunnel_down() {
  rm -f "/run/wireguard/$(wireguard_device cabin).sock" "/run/wireguard/$(wireguard_device gateway).sock"
}

wireguard_listens() {
  [[ -S /run/wireguard/$(wireguard_device cabin).sock && -S /run/wireguard/$(wireguard_device gateway).sock ]]
}

wireguard_join() {
  local cabin gateway
  cabin=$(wireguard_device cabin) gateway=$(wireguard_device gateway)
  lab_run gateway wg set "$gateway" listen-port 51820 private-key "$TUNNEL_STATE/gateway.key" \
    peer "$(<"$TUNNEL_STATE/cabin.public")" allowed-ips 10.99.0.2/32 &&
    lab_run cabin wg set "$cabin" private-key "$TUNNEL_STATE/cabin.key" \
      peer "$(<"$TUNNEL_STATE/gateway.public")" endpoint "$LAB_GATEWAY_ADDRESS:51820" \
      allowed-ips 10.99.0.0/24,192.168.77.0/24 &&
    ip -n "$LAB_GATEWAY" -batch - <<END && ip -n "$LAB_CABIN" -batch - <<END2
address add 10.99.0.1/24 dev $gateway
link set $gateway mtu $TUNNEL_MTU up
END
address add 10.99.0.2/24 dev $cabin
link set $cabin mtu $TUNNEL_MTU up
route add 192.168.77.0/24 dev $cabin
END2
}
