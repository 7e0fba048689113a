//! The table of encapsulations. Each row is a stack of layers, the outermost first.

use std::borrow::Cow;

use culvert_units::Mtu;

use crate::{Confidentiality, Encapsulation, Families, Layer, Protection, Rule};

use layers::{
    DTLS12_GCM, DTLS13, DTLS13_SHORT, ESP_CBC_SHA1, ESP_CBC_SHA256, ESP_CHACHA20, ESP_GCM,
    ETHERNET, GENEVE, GRE, GRE_CHECKSUM, GRE_KEY, GRE_SEQUENCE, HTTP_DATAGRAM, IP, L2TP,
    L2TP_LENGTH, L2TP_LENGTH_SEQUENCE, MPPE, MPPE_SHORT, OPENVPN_AEAD, OPENVPN_AEAD_EPOCH,
    OPENVPN_CBC_SHA1, OPENVPN_CBC_SHA256, OPENVPN_LENGTH, PPP_ADDRESS, PPP_PROTOCOL,
    PPP_PROTOCOL_SHORT, PPTP_ACKNOWLEDGEMENT, PPTP_GRE, QUIC_SHORT, SSTP, TCP, TLS12_GCM,
    TLS13_EXPANSION, TLS13_HEADER, TRANSPORT, UDP, UDP_4500, VXLAN, WIREGUARD,
};

mod layers;

#[cfg(test)]
pub(crate) use layers::esp as esp_layer;
pub(crate) use layers::{custom as custom_layer, geneve_with};

pub(crate) static ENCAPSULATIONS: &[Encapsulation] = &[
    row("none", "plain path, no tunnel", "RFC 791, RFC 8200", &[], OPEN),
    row("wireguard", "WireGuard", WIREGUARD_SOURCE, &[IP, UDP, WIREGUARD], SOUND_WIREGUARD)
        .customarily(1420),
    esp_row("esp-gcm", "ESP tunnel (IPsec), AES-GCM-16", &[IP, ESP_GCM]),
    esp_row("esp-gcm-udp", "ESP tunnel (IPsec) in UDP, AES-GCM-16", &[IP, UDP_4500, ESP_GCM]),
    esp_row("esp-chacha20", "ESP tunnel (IPsec), ChaCha20-Poly1305", &[IP, ESP_CHACHA20]),
    esp_row(
        "esp-chacha20-udp",
        "ESP tunnel (IPsec) in UDP, ChaCha20-Poly1305",
        &[IP, UDP_4500, ESP_CHACHA20],
    ),
    esp_row("esp-cbc-sha1", "ESP tunnel (IPsec), AES-CBC, HMAC-SHA1-96", &[IP, ESP_CBC_SHA1]),
    esp_row(
        "esp-cbc-sha1-udp",
        "ESP tunnel (IPsec) in UDP, AES-CBC, HMAC-SHA1-96",
        &[IP, UDP_4500, ESP_CBC_SHA1],
    ),
    esp_row(
        "esp-cbc-sha256",
        "ESP tunnel (IPsec), AES-CBC, HMAC-SHA2-256-128",
        &[IP, ESP_CBC_SHA256],
    ),
    esp_row(
        "esp-cbc-sha256-udp",
        "ESP tunnel (IPsec) in UDP, AES-CBC, HMAC-SHA2-256-128",
        &[IP, UDP_4500, ESP_CBC_SHA256],
    ),
    esp_row("esp-transport-gcm", "ESP transport (IPsec), AES-GCM-16", &[IP, ESP_GCM, TRANSPORT])
        .joining(Families::Same),
    esp_row(
        "esp-transport-gcm-udp",
        "ESP transport (IPsec) in UDP, AES-GCM-16",
        &[IP, UDP_4500, ESP_GCM, TRANSPORT],
    )
    .joining(Families::Same),
    esp_row(
        "esp-transport-chacha20",
        "ESP transport (IPsec), ChaCha20-Poly1305",
        &[IP, ESP_CHACHA20, TRANSPORT],
    )
    .joining(Families::Same),
    esp_row(
        "esp-transport-chacha20-udp",
        "ESP transport (IPsec) in UDP, ChaCha20-Poly1305",
        &[IP, UDP_4500, ESP_CHACHA20, TRANSPORT],
    )
    .joining(Families::Same),
    esp_row(
        "esp-transport-cbc-sha1",
        "ESP transport (IPsec), AES-CBC, HMAC-SHA1-96",
        &[IP, ESP_CBC_SHA1, TRANSPORT],
    )
    .joining(Families::Same),
    esp_row(
        "esp-transport-cbc-sha1-udp",
        "ESP transport (IPsec) in UDP, AES-CBC, HMAC-SHA1-96",
        &[IP, UDP_4500, ESP_CBC_SHA1, TRANSPORT],
    )
    .joining(Families::Same),
    esp_row(
        "esp-transport-cbc-sha256",
        "ESP transport (IPsec), AES-CBC, HMAC-SHA2-256-128",
        &[IP, ESP_CBC_SHA256, TRANSPORT],
    )
    .joining(Families::Same),
    esp_row(
        "esp-transport-cbc-sha256-udp",
        "ESP transport (IPsec) in UDP, AES-CBC, HMAC-SHA2-256-128",
        &[IP, UDP_4500, ESP_CBC_SHA256, TRANSPORT],
    )
    .joining(Families::Same),
    openvpn("openvpn-udp-aead", "OpenVPN over UDP, AEAD cipher", &[IP, UDP, OPENVPN_AEAD]),
    openvpn(
        "openvpn-udp-aead-epoch",
        "OpenVPN over UDP, AEAD cipher, 64-bit packet id",
        &[IP, UDP, OPENVPN_AEAD_EPOCH],
    ),
    openvpn(
        "openvpn-udp-cbc-sha1",
        "OpenVPN over UDP, AES-CBC, HMAC-SHA1",
        &[IP, UDP, OPENVPN_CBC_SHA1],
    ),
    openvpn(
        "openvpn-udp-cbc-sha256",
        "OpenVPN over UDP, AES-CBC, HMAC-SHA256",
        &[IP, UDP, OPENVPN_CBC_SHA256],
    ),
    openvpn(
        "openvpn-tcp-aead",
        "OpenVPN over TCP, AEAD cipher",
        &[IP, TCP, OPENVPN_LENGTH, OPENVPN_AEAD],
    )
    .customarily(1500)
    .at_most(65_535 - 24),
    openvpn(
        "openvpn-tcp-cbc-sha1",
        "OpenVPN over TCP, AES-CBC, HMAC-SHA1",
        &[IP, TCP, OPENVPN_LENGTH, OPENVPN_CBC_SHA1],
    )
    .customarily(1500)
    .at_most(65_535 - OPENVPN_CBC_MOST),
    openvpn(
        "openvpn-tcp-cbc-sha256",
        "OpenVPN over TCP, AES-CBC, HMAC-SHA256",
        &[IP, TCP, OPENVPN_LENGTH, OPENVPN_CBC_SHA256],
    )
    .customarily(1500)
    .at_most(65_535 - OPENVPN_CBC_MOST),
    pptp("pptp-mppe", "PPTP with MPPE", &[IP, PPTP_GRE, PPP_ADDRESS, PPP_PROTOCOL, MPPE]),
    pptp(
        "pptp-mppe-ack",
        "PPTP with MPPE, an acknowledgement in each packet",
        &[IP, PPTP_GRE, PPTP_ACKNOWLEDGEMENT, PPP_ADDRESS, PPP_PROTOCOL, MPPE],
    ),
    pptp(
        "pptp-mppe-pfc",
        "PPTP with MPPE, outer protocol field compressed",
        &[IP, PPTP_GRE, PPP_ADDRESS, PPP_PROTOCOL_SHORT, MPPE],
    ),
    pptp(
        "pptp-mppe-pfc-ack",
        "PPTP with MPPE, outer protocol field compressed, an acknowledgement in each packet",
        &[IP, PPTP_GRE, PPTP_ACKNOWLEDGEMENT, PPP_ADDRESS, PPP_PROTOCOL_SHORT, MPPE],
    ),
    pptp(
        "pptp-mppe-acfc-pfc",
        "PPTP with MPPE, address and outer protocol fields compressed (Linux)",
        &[IP, PPTP_GRE, PPP_PROTOCOL_SHORT, MPPE],
    ),
    pptp(
        "pptp-mppe-acfc-pfc-ack",
        "PPTP with MPPE, address and outer protocol fields compressed (Linux), an acknowledgement in each packet",
        &[IP, PPTP_GRE, PPTP_ACKNOWLEDGEMENT, PPP_PROTOCOL_SHORT, MPPE],
    ),
    pptp(
        "pptp-mppe-compressed",
        "PPTP with MPPE, address and both protocol fields compressed",
        &[IP, PPTP_GRE, PPP_PROTOCOL_SHORT, MPPE_SHORT],
    ),
    pptp(
        "pptp-mppe-compressed-ack",
        "PPTP with MPPE, address and both protocol fields compressed, an acknowledgement in each packet",
        &[IP, PPTP_GRE, PPTP_ACKNOWLEDGEMENT, PPP_PROTOCOL_SHORT, MPPE_SHORT],
    ),
    row("l2tp", "L2TP alone", L2TP_SOURCE, &[IP, UDP, L2TP, PPP_ADDRESS, PPP_PROTOCOL], OPEN),
    row(
        "l2tp-length",
        "L2TP alone, with length field",
        L2TP_SOURCE,
        &[IP, UDP, L2TP_LENGTH, PPP_ADDRESS, PPP_PROTOCOL],
        OPEN,
    ),
    row(
        "l2tp-length-sequence",
        "L2TP alone, with length and sequence fields",
        L2TP_SOURCE,
        &[IP, UDP, L2TP_LENGTH_SEQUENCE, PPP_ADDRESS, PPP_PROTOCOL],
        OPEN,
    ),
    l2tp_esp("l2tp-esp-gcm", "L2TP in ESP (IPsec), AES-GCM-16", &l2tp_in(ESP_GCM)),
    l2tp_esp("l2tp-esp-gcm-udp", "L2TP in ESP (IPsec) in UDP, AES-GCM-16", &l2tp_in_udp(ESP_GCM)),
    l2tp_esp("l2tp-esp-chacha20", "L2TP in ESP (IPsec), ChaCha20-Poly1305", &l2tp_in(ESP_CHACHA20)),
    l2tp_esp(
        "l2tp-esp-chacha20-udp",
        "L2TP in ESP (IPsec) in UDP, ChaCha20-Poly1305",
        &l2tp_in_udp(ESP_CHACHA20),
    ),
    l2tp_esp(
        "l2tp-esp-cbc-sha1",
        "L2TP in ESP (IPsec), AES-CBC, HMAC-SHA1-96",
        &l2tp_in(ESP_CBC_SHA1),
    ),
    l2tp_esp(
        "l2tp-esp-cbc-sha1-udp",
        "L2TP in ESP (IPsec) in UDP, AES-CBC, HMAC-SHA1-96",
        &l2tp_in_udp(ESP_CBC_SHA1),
    ),
    l2tp_esp(
        "l2tp-esp-cbc-sha256",
        "L2TP in ESP (IPsec), AES-CBC, HMAC-SHA2-256-128",
        &l2tp_in(ESP_CBC_SHA256),
    ),
    l2tp_esp(
        "l2tp-esp-cbc-sha256-udp",
        "L2TP in ESP (IPsec) in UDP, AES-CBC, HMAC-SHA2-256-128",
        &l2tp_in_udp(ESP_CBC_SHA256),
    ),
    l2tp_esp(
        "l2tp-length-esp-gcm",
        "L2TP with length field in ESP (IPsec), AES-GCM-16",
        &l2tp_length_in(ESP_GCM),
    ),
    l2tp_esp(
        "l2tp-length-esp-gcm-udp",
        "L2TP with length field in ESP (IPsec) in UDP, AES-GCM-16",
        &l2tp_length_in_udp(ESP_GCM),
    ),
    l2tp_esp(
        "l2tp-length-esp-chacha20",
        "L2TP with length field in ESP (IPsec), ChaCha20-Poly1305",
        &l2tp_length_in(ESP_CHACHA20),
    ),
    l2tp_esp(
        "l2tp-length-esp-chacha20-udp",
        "L2TP with length field in ESP (IPsec) in UDP, ChaCha20-Poly1305",
        &l2tp_length_in_udp(ESP_CHACHA20),
    ),
    l2tp_esp(
        "l2tp-length-esp-cbc-sha1",
        "L2TP with length field in ESP (IPsec), AES-CBC, HMAC-SHA1-96",
        &l2tp_length_in(ESP_CBC_SHA1),
    ),
    l2tp_esp(
        "l2tp-length-esp-cbc-sha1-udp",
        "L2TP with length field in ESP (IPsec) in UDP, AES-CBC, HMAC-SHA1-96",
        &l2tp_length_in_udp(ESP_CBC_SHA1),
    ),
    l2tp_esp(
        "l2tp-length-esp-cbc-sha256",
        "L2TP with length field in ESP (IPsec), AES-CBC, HMAC-SHA2-256-128",
        &l2tp_length_in(ESP_CBC_SHA256),
    ),
    l2tp_esp(
        "l2tp-length-esp-cbc-sha256-udp",
        "L2TP with length field in ESP (IPsec) in UDP, AES-CBC, HMAC-SHA2-256-128",
        &l2tp_length_in_udp(ESP_CBC_SHA256),
    ),
    row("gre", "GRE", "RFC 2784", &[IP, GRE], OPEN),
    row("gre-key", "GRE with key", "RFC 2784, RFC 2890", &[IP, GRE, GRE_KEY], OPEN),
    row(
        "gre-key-sequence",
        "GRE with key and sequence number",
        "RFC 2784, RFC 2890",
        &[IP, GRE, GRE_KEY, GRE_SEQUENCE],
        OPEN,
    ),
    row(
        "gre-checksum-key-sequence",
        "GRE with checksum, key and sequence number",
        "RFC 2784, RFC 2890",
        &[IP, GRE, GRE_CHECKSUM, GRE_KEY, GRE_SEQUENCE],
        OPEN,
    ),
    row("ipip", "IP in IP", "RFC 2003", &[IP], OPEN).joining(Families::Ipv4OverIpv4),
    row("6in4", "6in4 (IPv6 in IPv4)", "RFC 4213 section 3", &[IP], OPEN)
        .joining(Families::Ipv6OverIpv4)
        .customarily(1280),
    row("vxlan", "VXLAN", "RFC 7348 section 5", &[IP, UDP, VXLAN, ETHERNET], OPEN),
    row(
        "geneve",
        "Geneve without options",
        "RFC 8926 section 3",
        &[IP, UDP, GENEVE, ETHERNET],
        OPEN,
    ),
    row(
        "dtls12-gcm",
        "DTLS 1.2 tunnel, AES-GCM",
        "RFC 9147, RFC 5288",
        &[IP, UDP, DTLS12_GCM],
        SOUND_TLS,
    )
    .at_most(TLS_RECORD),
    row(
        "dtls13",
        "DTLS 1.3 tunnel, full header",
        "RFC 9147 section 4",
        &[IP, UDP, DTLS13, TLS13_EXPANSION],
        SOUND_TLS,
    )
    .at_most(TLS_RECORD),
    row(
        "dtls13-short",
        "DTLS 1.3 tunnel, shortest header",
        "RFC 9147 section 4",
        &[IP, UDP, DTLS13_SHORT, TLS13_EXPANSION],
        SOUND_TLS,
    )
    .at_most(TLS_RECORD),
    row(
        "tls12-gcm",
        "TLS 1.2 tunnel over TCP, AES-GCM, one record per packet",
        "RFC 5246 section 6.2, RFC 5288 section 3",
        &[IP, TCP, TLS12_GCM],
        SOUND_TLS,
    )
    .customarily(1500)
    .at_most(TLS_RECORD),
    row(
        "tls13",
        "TLS 1.3 tunnel over TCP, one record per packet",
        "RFC 8446 section 5",
        &[IP, TCP, TLS13_HEADER, TLS13_EXPANSION],
        SOUND_TLS,
    )
    .customarily(1500)
    .at_most(TLS_RECORD),
    row(
        "sstp-tls12",
        "SSTP over TLS 1.2, AES-GCM",
        SSTP_SOURCE,
        &[IP, TCP, TLS12_GCM, SSTP, PPP_ADDRESS, PPP_PROTOCOL],
        SOUND_TLS,
    )
    .customarily(1500)
    .at_most(SSTP_INNER),
    row(
        "sstp-tls13",
        "SSTP over TLS 1.3",
        SSTP_SOURCE,
        &[IP, TCP, TLS13_HEADER, TLS13_EXPANSION, SSTP, PPP_ADDRESS, PPP_PROTOCOL],
        SOUND_TLS,
    )
    .customarily(1500)
    .at_most(SSTP_INNER),
    row(
        "http-datagram",
        "HTTP datagrams over QUIC, 8-byte connection id, 2-byte packet number",
        "RFC 9298 section 5, RFC 9297 section 2.1, RFC 9221 section 4; IP in HTTP is RFC 9484, from memory",
        &[IP, UDP, QUIC_SHORT, HTTP_DATAGRAM],
        SOUND_TLS,
    ),
];

const WIREGUARD_SOURCE: &str =
    "the Linux module's messages.h, send.c and device.c (1500 - 80 = 1420)";
const ESP_SOURCE: &str = "RFC 4303 section 2 and 3.1; in UDP RFC 3948 section 2";
const OPENVPN_SOURCE: &str = "OpenVPN's doc_protocol_overview.h and crypto.h";
const PPTP_SOURCE: &str = "RFC 2637 section 4, RFC 3078 section 3";
const L2TP_SOURCE: &str = "RFC 2661 section 3.1 and 5.3";
const L2TP_ESP_SOURCE: &str = "RFC 3193, RFC 2661 section 3.1, RFC 4303 section 2 (transport mode)";
const SSTP_SOURCE: &str = "MS-SSTP section 2.2.3";

/// The longest plaintext of a TLS record (RFC 8446 section 5.1).
const TLS_RECORD: u16 = 16_384;
/// SSTP's length has 12 bits and counts its own 4 bytes (MS-SSTP section 2.2.1, from memory) and PPP's 4.
const SSTP_INNER: u16 = 4095 - 8;

/// Opcode and peer id 4, HMAC at most 32, IV 16, packet id 4, padding at most 16 (OpenVPN's crypto.h).
const OPENVPN_CBC_MOST: u16 = 4 + 32 + 16 + 4 + 16;

pub(crate) const OPEN: Protection = Protection {
    confidentiality: Confidentiality::None,
    reason: "nothing is encrypted, everyone on the path can read it",
};
const SOUND_WIREGUARD: Protection =
    sound("ChaCha20-Poly1305 (RFC 8439) under keys of a Noise handshake");
const SOUND_ESP: Protection = sound("authenticated encryption under IKE's keys (RFC 8221)");
const SOUND_OPENVPN: Protection =
    sound("authenticated encryption under the keys of a TLS handshake");
const SOUND_TLS: Protection =
    sound("authenticated encryption under the keys of a TLS handshake (RFC 8446, RFC 5288)");
const BROKEN_PPTP: Protection = Protection {
    confidentiality: Confidentiality::Broken,
    reason: "MPPE is RC4 without an integrity tag under keys from the password (RFC 3078 section 3 and 7, RFC 3079 \
             section 5), and MS-CHAPv2 lets that password be searched (Schneier, Mudge, Wagner 1999)",
};

const fn sound(reason: &'static str) -> Protection {
    Protection { confidentiality: Confidentiality::Sound, reason }
}

const fn row(
    key: &'static str,
    name: &'static str,
    source: &'static str,
    layers: &'static [Layer],
    protection: Protection,
) -> Encapsulation {
    Encapsulation {
        key: Cow::Borrowed(key),
        name: Cow::Borrowed(name),
        source,
        layers: Cow::Borrowed(layers),
        protection,
        families: Families::Any,
        customary_mtu: None,
        longest_inner: u16::MAX,
    }
}

const fn esp_row(key: &'static str, name: &'static str, layers: &'static [Layer]) -> Encapsulation {
    row(key, name, ESP_SOURCE, layers, SOUND_ESP)
}

const fn openvpn(key: &'static str, name: &'static str, layers: &'static [Layer]) -> Encapsulation {
    row(key, name, OPENVPN_SOURCE, layers, SOUND_OPENVPN)
}

/// RFC 2637 defines the tunnel over IPv4 only.
const fn pptp(key: &'static str, name: &'static str, layers: &'static [Layer]) -> Encapsulation {
    row(key, name, PPTP_SOURCE, layers, BROKEN_PPTP).joining(Families::OverIpv4)
}

const fn l2tp_esp(
    key: &'static str,
    name: &'static str,
    layers: &'static [Layer],
) -> Encapsulation {
    row(key, name, L2TP_ESP_SOURCE, layers, SOUND_ESP)
}

const fn l2tp_in(esp: Layer) -> [Layer; 6] {
    [IP, esp, UDP, L2TP, PPP_ADDRESS, PPP_PROTOCOL]
}

const fn l2tp_in_udp(esp: Layer) -> [Layer; 7] {
    [IP, UDP_4500, esp, UDP, L2TP, PPP_ADDRESS, PPP_PROTOCOL]
}

const fn l2tp_length_in(esp: Layer) -> [Layer; 6] {
    [IP, esp, UDP, L2TP_LENGTH, PPP_ADDRESS, PPP_PROTOCOL]
}

const fn l2tp_length_in_udp(esp: Layer) -> [Layer; 7] {
    [IP, UDP_4500, esp, UDP, L2TP_LENGTH, PPP_ADDRESS, PPP_PROTOCOL]
}

impl Encapsulation {
    const fn joining(mut self, families: Families) -> Self {
        self.families = families;
        self
    }

    const fn customarily(mut self, mtu: u16) -> Self {
        self.customary_mtu = match Mtu::new(mtu) {
            Ok(mtu) => Some(mtu),
            Err(_) => None,
        };
        self
    }

    const fn at_most(mut self, longest_inner: u16) -> Self {
        self.longest_inner = longest_inner;
        self
    }
}
