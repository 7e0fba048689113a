//! The layers that rows are made of.

use super::{Layer, Rule};

pub(crate) const IP: Layer =
    Layer::new("IP header", Rule::IpHeader, "RFC 791 section 3.1, RFC 8200 section 3");
pub(crate) const UDP: Layer = Layer::fixed("UDP", 8, "RFC 768");
pub(crate) const UDP_4500: Layer =
    Layer::fixed("UDP around ESP, port 4500", 8, "RFC 3948 section 2.1");
pub(crate) const TCP: Layer = Layer::new(
    "TCP with timestamps",
    Rule::Stream { header: 32 },
    "RFC 9293 section 3.1, RFC 7323 appendix A",
);

/// Type 1, reserved 3, receiver index 4, counter 8, tag 16. Linux and Go pad to 16 but never beyond the MTU.
pub(crate) const WIREGUARD: Layer = Layer::new(
    "WireGuard data message",
    Rule::PaddedWithinMtu { alignment: 16, around: 32 },
    "the Linux module's messages.h and send.c",
);

pub(crate) const ESP_GCM: Layer =
    esp("ESP, AES-GCM-16", 8, 4, 16, "RFC 4303 section 2, RFC 4106 section 3.1 and 6");
pub(crate) const ESP_CHACHA20: Layer =
    esp("ESP, ChaCha20-Poly1305", 8, 4, 16, "RFC 4303 section 2, RFC 7634 section 2");
pub(crate) const ESP_CBC_SHA1: Layer = esp(
    "ESP, AES-CBC, HMAC-SHA1-96",
    16,
    16,
    12,
    "RFC 4303 section 2, RFC 3602 section 2.4 and 3, RFC 2404",
);
pub(crate) const ESP_CBC_SHA256: Layer = esp(
    "ESP, AES-CBC, HMAC-SHA2-256-128",
    16,
    16,
    16,
    "RFC 4303 section 2, RFC 3602 section 2.4 and 3, RFC 4868 section 2.3",
);
pub(crate) const TRANSPORT: Layer =
    Layer::new("transport mode", Rule::TakesIpHeader, "RFC 4303 section 3.1.1");

/// Opcode and key id 1, peer id 3, packet id 4, tag 16.
pub(crate) const OPENVPN_AEAD: Layer = Layer::fixed(
    "OpenVPN data, AEAD",
    24,
    "OpenVPN's crypto.h and doc_protocol_overview.h (P_DATA_V2)",
);
/// As above with a 16-bit epoch and a 48-bit counter for packet id.
pub(crate) const OPENVPN_AEAD_EPOCH: Layer =
    Layer::fixed("OpenVPN data, AEAD, 64-bit packet id", 28, "OpenVPN 2.7's mtu.c and Changes.rst");
pub(crate) const OPENVPN_CBC_SHA1: Layer = openvpn_cbc("OpenVPN data, AES-CBC, HMAC-SHA1", 20);
pub(crate) const OPENVPN_CBC_SHA256: Layer = openvpn_cbc("OpenVPN data, AES-CBC, HMAC-SHA256", 32);
pub(crate) const OPENVPN_LENGTH: Layer =
    Layer::fixed("OpenVPN packet length", 2, "OpenVPN's doc_protocol_overview.h");

/// Flags, protocol, payload length and call id 8, sequence number 4.
pub(crate) const PPTP_GRE: Layer =
    Layer::fixed("enhanced GRE with sequence number", 12, "RFC 2637 section 4.1");
pub(crate) const PPTP_ACKNOWLEDGEMENT: Layer =
    Layer::fixed("enhanced GRE acknowledgement", 4, "RFC 2637 section 4.1");
pub(crate) const PPP_ADDRESS: Layer =
    Layer::fixed("PPP address and control", 2, "RFC 1662 section 3.1");
pub(crate) const PPP_PROTOCOL: Layer = Layer::fixed("PPP protocol", 2, "RFC 1661 section 2");
pub(crate) const PPP_PROTOCOL_SHORT: Layer =
    Layer::fixed("PPP protocol, compressed", 1, "RFC 1661 section 6.5");
/// Coherency count 2 and, encrypted, the inner protocol 2; RC4 adds nothing.
pub(crate) const MPPE: Layer =
    Layer::fixed("MPPE count and inner protocol", 4, "RFC 3078 section 3 and 3.1");
pub(crate) const MPPE_SHORT: Layer = Layer::fixed(
    "MPPE count and inner protocol, compressed",
    3,
    "RFC 3078 section 3 and 3.1, RFC 1661 section 6.5",
);

/// Flags and version 2, tunnel id 2, session id 2.
pub(crate) const L2TP: Layer = Layer::fixed("L2TP data", 6, "RFC 2661 section 3.1");
pub(crate) const L2TP_LENGTH: Layer =
    Layer::fixed("L2TP data with length", 8, "RFC 2661 section 3.1");
pub(crate) const L2TP_LENGTH_SEQUENCE: Layer =
    Layer::fixed("L2TP data with length, Ns and Nr", 12, "RFC 2661 section 3.1");

pub(crate) const GRE: Layer = Layer::fixed("GRE", 4, "RFC 2784 section 2.1");
pub(crate) const GRE_CHECKSUM: Layer =
    Layer::fixed("GRE checksum and reserved", 4, "RFC 2784 section 2.1");
pub(crate) const GRE_KEY: Layer = Layer::fixed("GRE key", 4, "RFC 2890 section 2");
pub(crate) const GRE_SEQUENCE: Layer = Layer::fixed("GRE sequence number", 4, "RFC 2890 section 2");

pub(crate) const VXLAN: Layer = Layer::fixed("VXLAN", 8, "RFC 7348 section 5");
pub(crate) const GENEVE: Layer = Layer::fixed("Geneve", 8, "RFC 8926 section 3.4");
/// What [`GENEVE`] stands in, with `bytes` of options between it and the inner frame.
pub(crate) fn geneve_with(bytes: u16) -> Vec<Layer> {
    let options = Layer::fixed("Geneve options", bytes, "RFC 8926 section 3.5");
    vec![IP, UDP, GENEVE, options, ETHERNET]
}

pub(crate) const ETHERNET: Layer =
    Layer::fixed("inner Ethernet header", 14, "RFC 894, RFC 7348 section 5, RFC 8926 section 3");

/// Header 13, explicit nonce 8, tag 16.
pub(crate) const DTLS12_GCM: Layer =
    Layer::fixed("DTLS 1.2 record, AES-GCM", 37, "RFC 9147 figure 4, RFC 5288 section 3");
/// Flags 1, sequence number 2, length 2, without connection id.
pub(crate) const DTLS13: Layer = Layer::fixed("DTLS 1.3 header", 5, "RFC 9147 section 4");
/// Flags 1, sequence number 1.
pub(crate) const DTLS13_SHORT: Layer =
    Layer::fixed("DTLS 1.3 header, shortest", 2, "RFC 9147 section 4");
pub(crate) const TLS13_HEADER: Layer = Layer::fixed("TLS record header", 5, "RFC 8446 section 5.2");
/// Content type 1, tag 16.
pub(crate) const TLS13_EXPANSION: Layer =
    Layer::fixed("content type and tag", 17, "RFC 8446 section 5.2, RFC 5116 section 5.1");
/// Header 5, explicit nonce 8, tag 16.
pub(crate) const TLS12_GCM: Layer =
    Layer::fixed("TLS 1.2 record, AES-GCM", 29, "RFC 5246 section 6.2, RFC 5288 section 3");
pub(crate) const SSTP: Layer = Layer::fixed("SSTP data packet", 4, "MS-SSTP section 2.2.3");

/// Flags 1, connection id 8, packet number 2, tag 16.
pub(crate) const QUIC_SHORT: Layer =
    Layer::fixed("QUIC short header and tag", 27, "RFC 9000 section 17.3.1, RFC 9001 section 5.3");
/// Frame type 1, quarter stream id 1, context id 1.
pub(crate) const HTTP_DATAGRAM: Layer = Layer::fixed(
    "HTTP datagram",
    3,
    "RFC 9221 section 4, RFC 9297 section 2.1, RFC 9298 section 5",
);

pub(crate) const fn custom(bytes: u16, alignment: u16) -> Layer {
    Layer::new(
        "custom",
        Rule::Padded { inside: 0, alignment, around: bytes },
        "as stated by the practitioner",
    )
}

/// SPI 4, sequence number 4, IV; the payload with pad length 1 and next header 1, aligned; integrity check value.
pub(crate) const fn esp(
    name: &'static str,
    iv: u16,
    alignment: u16,
    icv: u16,
    source: &'static str,
) -> Layer {
    Layer::new(name, Rule::Padded { inside: 2, alignment, around: 8 + iv + icv }, source)
}

/// Opcode and peer id 4, HMAC, IV 16; packet id 4 and payload with 1 to 16 bytes of padding.
const fn openvpn_cbc(name: &'static str, hmac: u16) -> Layer {
    Layer::new(
        name,
        Rule::Padded { inside: 5, alignment: 16, around: 4 + hmac + 16 },
        "OpenVPN's crypto.h, mtu.c and mss.c",
    )
}
