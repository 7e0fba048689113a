//! The tunnels of this kernel and of user-space programs.

super::tunnels! {
    forward
    wireguard
    openvpn_udp_gcm
    openvpn_udp_chacha20
    openvpn_udp_cbc
    openvpn_tcp_gcm
    ipsec_udp_gcm
    ipsec_udp_chacha20
    ipsec_udp_cbc
    vxlan
}
