# shellcheck shell=bash disable=SC2034,SC2154 # facts are for lab-tunnels.sh, and what differs is set before
# OpenVPN from the cabin to the gateway, for tunnels/openvpn-*.sh: they set openvpn_protocol to udp or tcp and
# openvpn_cipher to the cipher and what belongs to it.

# Its interface has 1500 whatever is under it; longer inner packets than TUNNEL_LONGEST leave in pieces, and TCP's are
# kept below by the MSS that it writes into their handshakes.
TUNNEL_MTU=1500
TUNNEL_NEEDS='openvpn openssl ss /dev/net/tun'
# Data alone: the first byte of a message has the opcode in its upper five bits, P_DATA_V2 being 9 (OpenVPN's ssl_pkt.h);
# over TCP its length of two bytes stands before it.
case $openvpn_protocol in
  udp) TUNNEL_FILTER='udp port 1194 and udp[8] & 0xf8 = 0x48' ;;
  tcp) TUNNEL_FILTER='tcp port 1194 and tcp[((tcp[12] & 0xf0) >> 2) + 2] & 0xf8 = 0x48' ;;
esac

tunnel_up() {
  openvpn_certificate cabin && openvpn_certificate gateway &&
    openvpn_configure gateway cabin "server 10.99.2.0 255.255.255.0
topology subnet
push \"route 192.168.77.0 255.255.255.0\"
dh none
proto ${openvpn_protocol/%tcp/tcp-server}
port 1194" &&
    openvpn_configure cabin gateway "client
nobind
remote $LAB_GATEWAY_ADDRESS 1194
proto ${openvpn_protocol/%tcp/tcp-client}" &&
    tunnel_start gateway openvpn --config "$TUNNEL_STATE/gateway.conf" &&
    wait_for 5 openvpn_listens &&
    tunnel_start cabin openvpn --config "$TUNNEL_STATE/cabin.conf"
}

tunnel_is_up() {
  ip -n "$LAB_CABIN" link show tunnel0 >/dev/null 2>&1
}

openvpn_listens() {
  [[ -n $(lab_run gateway ss -Hlntu 'sport = :1194') ]]
}

# Each end knows the other by its certificate's fingerprint; no authority is needed.
openvpn_certificate() {
  openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj "/CN=$1" \
    -keyout "$TUNNEL_STATE/$1.key" -out "$TUNNEL_STATE/$1.crt" 2>/dev/null
}

# openvpn_configure ROLE PEER LINES: no keep-alive, so that every packet on the wire is one that was sent through
openvpn_configure() {
  local fingerprint
  fingerprint=$(openssl x509 -in "$TUNNEL_STATE/$2.crt" -noout -fingerprint -sha256) || return
  cat >"$TUNNEL_STATE/$1.conf" <<END
$3
dev tunnel0
dev-type tun
cert $TUNNEL_STATE/$1.crt
key $TUNNEL_STATE/$1.key
peer-fingerprint ${fingerprint#*=}
$openvpn_cipher
disable-dco
verb 3
END
}
