# shellcheck shell=bash
# The lab's real tunnel: WireGuard (wireguard-go) from the cabin to the gateway, and so to the workshop. Part of lab.sh.

LAB_TUNNEL_MTU=1420
LAB_TUNNEL_PORT=51820

# lab_wireguard_up: brings the tunnel up and returns when a ping went through; a tunnel that is up stays as it is
lab_wireguard_up() {
  local command
  for command in wireguard-go wg; do
    command -v "$command" >/dev/null || {
      complain "the tunnel needs $command, which is missing" "run scripts/setup as root"
      return 1
    }
  done
  [[ -c /dev/net/tun ]] || {
    complain "there is no /dev/net/tun on this machine" "load the tun module, or give the container that device"
    return 1
  }
  lab_locked lab_wireguard_build
}

# lab_wireguard_down: takes the tunnel down; no tunnel is no error
lab_wireguard_down() {
  lab_locked lab_end wireguard
}

# lab_wireguard_is_up: does a packet go through the tunnel to the workshop?
lab_wireguard_is_up() {
  # Without the tunnel there is no route to the workshop's own address.
  ip -n "$LAB_CABIN" link show "$LAB_TUNNEL_CABIN" >/dev/null 2>&1 &&
    lab_run cabin ping -q -c 1 -W 1 "$LAB_WORKSHOP_ADDRESS" >/dev/null 2>&1
}

lab_wireguard_build() {
  ! lab_wireguard_is_up || return 0
  lab_end wireguard || return
  lab_wireguard_establish || {
    complain "the WireGuard tunnel of the lab $LAB_NAME did not come up: $(tail -n 1 "$LAB_STATE/wireguard.log" 2>/dev/null)"
    lab_end wireguard
    return 1
  }
}

lab_wireguard_establish() {
  lab_wireguard_keys &&
    lab_launch wireguard gateway wireguard-go --foreground "$LAB_TUNNEL_GATEWAY" &&
    lab_launch wireguard cabin wireguard-go --foreground "$LAB_TUNNEL_CABIN" &&
    wait_for 5 lab_wireguard_listens &&
    lab_wireguard_join &&
    wait_for 5 lab_wireguard_is_up
}

lab_wireguard_keys() {
  local role
  for role in cabin gateway; do
    (umask 077 && wg genkey >"$LAB_STATE/$role.key" && wg pubkey <"$LAB_STATE/$role.key" >"$LAB_STATE/$role.public") || return
  done
}

lab_wireguard_listens() {
  [[ -S /run/wireguard/$LAB_TUNNEL_CABIN.sock && -S /run/wireguard/$LAB_TUNNEL_GATEWAY.sock ]]
}

lab_wireguard_join() {
  lab_run gateway wg set "$LAB_TUNNEL_GATEWAY" listen-port "$LAB_TUNNEL_PORT" private-key "$LAB_STATE/gateway.key" \
    peer "$(<"$LAB_STATE/cabin.public")" allowed-ips 10.99.0.2/32 &&
    lab_run cabin wg set "$LAB_TUNNEL_CABIN" private-key "$LAB_STATE/cabin.key" \
      peer "$(<"$LAB_STATE/gateway.public")" endpoint "$LAB_GATEWAY_ADDRESS:$LAB_TUNNEL_PORT" \
      allowed-ips 10.99.0.0/24,192.168.77.0/24 &&
    ip -n "$LAB_GATEWAY" -batch - <<END && ip -n "$LAB_CABIN" -batch - <<END2
address add 10.99.0.1/24 dev $LAB_TUNNEL_GATEWAY
link set $LAB_TUNNEL_GATEWAY mtu $LAB_TUNNEL_MTU up
END
address add 10.99.0.2/24 dev $LAB_TUNNEL_CABIN
link set $LAB_TUNNEL_CABIN mtu $LAB_TUNNEL_MTU up
route add 192.168.77.0/24 dev $LAB_TUNNEL_CABIN
END2
}
