//! The tunnels of this kernel and of user-space programs.

super::tunnels! {
    forward
    wireguard
    openvpn_udp_gcm
    openvpn_udp_cbc
    openvpn_tcp_gcm
    ipsec_udp_gcm
    ipsec_udp_cbc
    vxlan
}

super::tunnels! {
    "as long as the tunnel with AES-GCM, byte for byte: scripts/lab measure fast":
    openvpn_udp_chacha20
    ipsec_udp_chacha20
}
