//! The tunnels of a user-mode-linux kernel, for what this one lacks.

super::tunnels! {
    "boots two kernels each time: scripts/lab measure uml":
    ipsec_esp_gcm
    ipsec_esp_cbc
    pptp
    l2tp
    l2tp_esp_gcm
    l2tp_esp_cbc
    gre
    ipip
}
