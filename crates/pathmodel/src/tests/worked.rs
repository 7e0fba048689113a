//! Against our own arithmetic, worked by hand from the layouts that each row of the table cites.
//!
//! The ESP sizes (AES-GCM over IPv4, IPv6 and in UDP, ChaCha20, both AES-CBC rows over IPv4) were also built as packets
//! with scapy 2.8.0 and came out the same.

use super::{gigabit, mtu, question, rounds_to, row};
use crate::{
    CeilingQuestion, Counted, Encapsulation, Family, Family::*, Framing, Link, ceiling,
    ceiling_for_segment,
};

/// Key, outer family, inner MTU or 0 for the largest, largest inner packet in 1500 and in 1492, outer length of 1280,
/// 1400, 1420, TCP over IPv4 goodput in Mbit/s at 1 Gbit/s Ethernet without and with timestamps.
type Worked = (&'static str, Family, u16, [u16; 2], [u32; 3], [f64; 2]);

const WORKED: &[Worked] = &[
    ("wireguard", Ipv4, 1420, [1420, 1420], [1340, 1468, 1480], [909.09, 901.19]),
    ("wireguard", Ipv4, 1440, [1440, 1424], [1340, 1468, 1484], [910.27, 902.47]),
    ("wireguard", Ipv6, 1420, [1420, 1408], [1360, 1488, 1500], [897.27, 889.47]),
    ("esp-gcm", Ipv4, 0, [1446, 1438], [1336, 1456, 1476], [914.17, 906.37]),
    ("esp-chacha20", Ipv4, 0, [1446, 1438], [1336, 1456, 1476], [914.17, 906.37]),
    ("esp-gcm", Ipv6, 0, [1426, 1418], [1356, 1476, 1496], [901.17, 893.37]),
    ("esp-gcm-udp", Ipv4, 0, [1438, 1430], [1344, 1464, 1484], [908.97, 901.17]),
    ("esp-chacha20-udp", Ipv4, 0, [1438, 1430], [1344, 1464, 1484], [908.97, 901.17]),
    ("esp-cbc-sha256", Ipv4, 0, [1438, 1422], [1356, 1468, 1484], [908.97, 901.17]),
    ("esp-cbc-sha256-udp", Ipv4, 0, [1422, 1422], [1364, 1476, 1492], [903.27, 895.42]),
    ("esp-cbc-sha1", Ipv4, 0, [1438, 1422], [1352, 1464, 1480], [911.34, 903.52]),
    ("esp-cbc-sha1-udp", Ipv4, 0, [1422, 1422], [1360, 1472, 1488], [905.64, 897.77]),
    ("l2tp-length-esp-gcm", Ipv4, 0, [1426, 1418], [1356, 1476, 1496], [901.17, 893.37]),
    ("l2tp-length-esp-gcm-udp", Ipv4, 0, [1418, 1410], [1364, 1484, 1504], [895.97, 888.17]),
    ("l2tp-length-esp-cbc-sha1-udp", Ipv4, 0, [1402, 1402], [1376, 1488, 1520], [892.53, 884.67]),
    ("l2tp-length-esp-cbc-sha256-udp", Ipv4, 0, [1402, 1402], [1380, 1492, 1524], [890.20, 882.35]),
    ("pptp-mppe", Ipv4, 0, [1460, 1452], [1320, 1440, 1460], [923.28, 915.47]),
    ("pptp-mppe-ack", Ipv4, 0, [1456, 1448], [1324, 1444, 1464], [920.68, 912.87]),
    ("pptp-mppe-compressed", Ipv4, 0, [1464, 1456], [1316, 1436, 1456], [925.88, 918.08]),
    ("pptp-mppe-compressed-ack", Ipv4, 0, [1460, 1452], [1320, 1440, 1460], [923.28, 915.47]),
    ("openvpn-udp-aead", Ipv4, 0, [1448, 1440], [1332, 1452, 1472], [915.47, 907.67]),
    ("openvpn-udp-aead", Ipv6, 0, [1428, 1420], [1352, 1472, 1492], [902.47, 894.67]),
    ("openvpn-udp-aead-epoch", Ipv4, 0, [1444, 1436], [1336, 1456, 1476], [912.87, 905.07]),
    ("openvpn-udp-cbc-sha1", Ipv4, 0, [1419, 1419], [1364, 1476, 1508], [901.31, 893.46]),
    ("openvpn-udp-cbc-sha256", Ipv4, 0, [1403, 1403], [1376, 1488, 1520], [893.18, 885.32]),
    ("gre", Ipv4, 0, [1476, 1468], [1304, 1424, 1444], [933.68, 925.88]),
    ("gre-key", Ipv4, 0, [1472, 1464], [1308, 1428, 1448], [931.08, 923.28]),
    ("gre-checksum-key-sequence", Ipv4, 0, [1464, 1456], [1316, 1436, 1456], [925.88, 918.08]),
    ("gre-key-sequence", Ipv4, 0, [1468, 1460], [1312, 1432, 1452], [928.48, 920.68]),
    ("ipip", Ipv4, 0, [1480, 1472], [1300, 1420, 1440], [936.28, 928.48]),
    ("vxlan", Ipv4, 0, [1450, 1442], [1330, 1450, 1470], [916.78, 908.97]),
    ("geneve", Ipv4, 0, [1450, 1442], [1330, 1450, 1470], [916.78, 908.97]),
    ("dtls13-short", Ipv4, 0, [1453, 1445], [1327, 1447, 1467], [918.73, 910.92]),
    ("dtls13", Ipv4, 0, [1450, 1442], [1330, 1450, 1470], [916.78, 908.97]),
    ("dtls12-gcm", Ipv4, 0, [1435, 1427], [1345, 1465, 1485], [907.02, 899.22]),
    ("http-datagram", Ipv4, 0, [1442, 1434], [1338, 1458, 1478], [911.57, 903.77]),
];

#[test]
fn sizes_and_goodput_of_every_encapsulation() {
    for (key, family, inner_mtu, largest, outer, goodput) in WORKED.iter().copied() {
        let row = row(key);
        let interface = if inner_mtu == 0 { mtu(largest[0]) } else { mtu(inner_mtu) };
        for (underlay, printed) in [1500, 1492].into_iter().zip(largest) {
            let fits = if inner_mtu == 0 {
                row.largest_inner(mtu(underlay), family)
            } else {
                row.largest_inner_within(mtu(underlay), family, interface)
            };
            assert_eq!(fits, Ok(mtu(printed)), "{key} over {family} in {underlay}");
        }
        for (inner, printed) in [1280, 1400, 1420].into_iter().zip(outer) {
            let length = row.outer_length(inner, family, interface);
            assert_eq!(length, printed, "{key} over {family} around {inner}");
        }
        for (timestamps, printed) in [false, true].into_iter().zip(goodput) {
            let ceiling = ceiling(&CeilingQuestion {
                outer_family: family,
                inner_mtu: Some(interface),
                timestamps,
                ..CeilingQuestion::new(gigabit(), row)
            })
            .unwrap();
            assert!(
                rounds_to(ceiling.tcp.megabits(), printed, 2),
                "{key} {family}: {}",
                ceiling.tcp
            );
            assert!(!ceiling.fragments() && !ceiling.is_estimate, "{key} {family}");
        }
    }
}

/// Rows without a line above, as constants around up(n + inside, alignment); streams as a packet alone in a segment.
#[test]
fn remaining_rows() {
    for (key, around, inside, alignment) in [
        ("l2tp-length", 20 + 8 + 8 + 4, 0, 1),
        ("l2tp-length-sequence", 20 + 8 + 12 + 4, 0, 1),
        ("l2tp-esp-gcm-udp", 20 + 8 + 8 + 8 + 16, 8 + 6 + 4 + 2, 4),
        ("l2tp-esp-cbc-sha1", 20 + 8 + 16 + 12, 8 + 6 + 4 + 2, 16),
        ("l2tp-esp-cbc-sha1-udp", 20 + 8 + 8 + 16 + 12, 8 + 6 + 4 + 2, 16),
        ("l2tp-esp-cbc-sha256-udp", 20 + 8 + 8 + 16 + 16, 8 + 6 + 4 + 2, 16),
        ("tls12-gcm", 20 + 32 + 5 + 8 + 16, 0, 1),
        ("tls13", 20 + 32 + 5 + 1 + 16, 0, 1),
        ("sstp-tls12", 20 + 32 + 29 + 4 + 4, 0, 1),
        ("sstp-tls13", 20 + 32 + 22 + 4 + 4, 0, 1),
        ("openvpn-tcp-cbc-sha1", 20 + 32 + 2 + 4 + 20 + 16, 4 + 1, 16),
        ("openvpn-tcp-cbc-sha256", 20 + 32 + 2 + 4 + 32 + 16, 4 + 1, 16),
        ("6in4", 20, 0, 1),
    ] {
        for inner in 40..=1500_u16 {
            let padded = (u32::from(inner) + inside).div_ceil(alignment) * alignment;
            assert_eq!(row(key).outer_length(inner, Ipv4, mtu(1500)), around + padded, "{key}");
        }
    }
}

/// SPI and sequence 8, IV, up(64 + 2, alignment), check value around 64 bytes behind the header that moves outside.
#[test]
fn esp_transport_mode() {
    for (key, family, inner, outer) in [
        ("esp-transport-gcm", Ipv4, 84, 20 + 8 + 8 + 68 + 16),
        ("esp-transport-gcm", Ipv6, 104, 40 + 8 + 8 + 68 + 16),
        ("esp-transport-gcm-udp", Ipv4, 84, 20 + 8 + 8 + 8 + 68 + 16),
        ("esp-transport-cbc-sha1", Ipv4, 84, 20 + 8 + 16 + 80 + 12),
        ("esp-transport-cbc-sha256", Ipv4, 84, 20 + 8 + 16 + 80 + 16),
    ] {
        assert_eq!(row(key).outer_length(inner, family, mtu(1500)), outer, "{key} {family}");
    }
}

/// The largest MTU that fits is not bound to the customary 1420: padding stops at the MTU.
#[test]
fn wireguard_mtu_to_set() {
    for (family, underlay, largest) in
        [(Ipv4, 1500, 1440), (Ipv6, 1500, 1420), (Ipv4, 1492, 1432), (Ipv6, 1492, 1412)]
    {
        assert_eq!(row("wireguard").largest_inner(mtu(underlay), family), Ok(mtu(largest)));
    }
}

/// An implementation that pads to 16 and does not stop at the MTU: 80 bytes and up(n, 16) over IPv6, 60 over IPv4. In 1500
/// bytes 1408 fit over IPv6, a packet of 1420 would need 1504; in 1492 over IPv4 1424 fit where the clamp allows 1432.
#[test]
fn wireguard_without_the_clamp() {
    let six = Encapsulation::custom(80, 16).unwrap();
    for (inner, outer) in [(1280, 1360), (1400, 1488), (1420, 1504)] {
        assert_eq!(six.outer_length(inner, Ipv6, mtu(1420)), outer);
    }
    for (underlay, largest) in [(1500, 1408), (1492, 1408)] {
        assert_eq!(six.largest_inner(mtu(underlay), Ipv6), Ok(mtu(largest)));
    }
    for (timestamps, printed) in [(false, 896.46), (true, 888.60)] {
        let question = CeilingQuestion {
            outer_family: Ipv6,
            timestamps,
            ..CeilingQuestion::new(gigabit(), &six)
        };
        assert!(rounds_to(ceiling(&question).unwrap().tcp.megabits(), printed, 2));
    }
    let four = Encapsulation::custom(60, 16).unwrap();
    assert_eq!(four.largest_inner(mtu(1492), Ipv4), Ok(mtu(1424)));
    // A keepalive is an empty data message, 32 bytes in UDP.
    assert_eq!(row("wireguard").outer_length(0, Ipv4, mtu(1420)), 60);
}

/// Payload, share of the link, and at 1 Gbit/s: payload / (MTU + 38).
#[test]
fn plain_ethernet() {
    for (mtu_bytes, family, timestamps, payload, share) in [
        (1500, Ipv4, false, 1460, 0.949_285),
        (1500, Ipv4, true, 1448, 0.941_482),
        (1500, Ipv6, false, 1440, 0.936_281),
        (1500, Ipv6, true, 1428, 0.928_479),
        (9000, Ipv4, false, 8960, 0.991_370),
        (9000, Ipv4, true, 8948, 0.990_042),
        (9000, Ipv6, true, 8928, 0.987_829),
    ] {
        let answer = ceiling(&CeilingQuestion {
            underlay_mtu: mtu(mtu_bytes),
            inner_family: family,
            timestamps,
            ..question("none")
        })
        .unwrap();
        assert_eq!(answer.tcp_payload, payload);
        assert!(rounds_to(answer.tcp_share.get(), share, 6), "{:?}", answer.tcp_share);
        assert!(rounds_to(answer.tcp.megabits(), share * 1000.0, 3), "{}", answer.tcp);
    }
    for (mtu_bytes, family, payload, share) in [
        (1500, Ipv4, 1472, 0.957_087),
        (1500, Ipv6, 1452, 0.944_083),
        (9000, Ipv4, 8972, 0.992_697),
        (9000, Ipv6, 8952, 0.990_485),
    ] {
        let answer = ceiling(&CeilingQuestion {
            underlay_mtu: mtu(mtu_bytes),
            inner_family: family,
            ..question("none")
        })
        .unwrap();
        assert_eq!(answer.udp_payload, payload);
        assert!(rounds_to(answer.udp_share.get(), share, 6), "{:?}", answer.udp_share);
    }
}

#[test]
fn tagged_and_pppoe_links() {
    for (framing, timestamps, payload, share) in [
        (Framing::EthernetVlan, false, 1460, 0.946_822),
        (Framing::EthernetVlan, true, 1448, 0.939_040),
        (Framing::Pppoe, false, 1452, 0.944_083),
        (Framing::Pppoe, true, 1440, 0.936_281),
    ] {
        let link = Link { framing, ..gigabit() };
        let answer =
            ceiling(&CeilingQuestion { timestamps, ..CeilingQuestion::new(link, row("none")) })
                .unwrap();
        assert_eq!(answer.tcp_payload, payload);
        assert!(rounds_to(answer.tcp_share.get(), share, 6), "{framing:?}: {:?}", answer.tcp_share);
    }
}

/// Packet, framing, cells of 53 bytes; the shares are packet / cells.
#[test]
fn atm_cells() {
    for (length, framing, cells, share) in [
        (1500, Framing::PppoaAtm, 32, Some(0.8844)),
        (1478, Framing::PppoaAtm, 31, Some(0.8996)),
        (1492, Framing::PppoeAtm, 32, Some(0.8797)),
        (40, Framing::PppoeAtm, 2, None),
        (56, Framing::PppoeAtm, 2, None),
        (57, Framing::PppoeAtm, 3, None),
    ] {
        let link = Link { framing, counted: Counted::Line, ..gigabit() };
        assert_eq!(link.wire_length(length), cells * 53, "{length} {framing:?}");
        if let Some(share) = share {
            assert!(rounds_to(f64::from(length) / f64::from(cells * 53), share, 4));
        }
    }
}

/// Rounded down: 64 bytes in WireGuard make 771 604.9 packets per second.
#[test]
fn packets_per_second_of_a_tunnel_end() {
    for (key, rate, outer) in
        [("none", 81_274, 1500), ("wireguard", 82_345, 1480), ("esp-gcm", 81_274, 1500)]
    {
        let answer = ceiling(&question(key)).unwrap();
        assert_eq!((answer.packets_per_second, answer.outer_length), (rate, outer), "{key}");
    }
    for (key, outer, rate) in
        [("wireguard", 124, 771_604), ("esp-gcm", 120, 791_139), ("openvpn-udp-aead", 116, 811_688)]
    {
        let length = row(key).outer_length(64, Ipv4, mtu(1420));
        assert_eq!((length, gigabit().packets_per_second(length)), (outer, Some(rate)), "{key}");
    }
}

/// Inner 1500 over TCP over IPv4 with timestamps outside and inside: (n - 52) / ((n + records) * 1538 / 1448).
#[test]
fn stream_encapsulations_are_estimates() {
    for (key, share) in
        [("openvpn-tcp-aead", 0.89336), ("sstp-tls12", 0.88697), ("sstp-tls13", 0.89102)]
    {
        let answer = ceiling(&question(key)).unwrap();
        assert!(rounds_to(answer.tcp_share.get(), share, 5), "{key}: {:?}", answer.tcp_share);
        assert!(answer.is_estimate && !answer.fragments(), "{key}");
    }
}

/// OpenVPN's default `mssfix 1492 mtu` leaves segments of 1400 bytes, 1388 with timestamps.
#[test]
fn openvpn_as_shipped() {
    for (timestamps, segment, share) in [(false, 1400, 0.915_033), (true, 1388, 0.907_190)] {
        let question = CeilingQuestion { timestamps, ..question("openvpn-udp-aead") };
        let answer = ceiling_for_segment(&question, segment).unwrap();
        assert_eq!(answer.packets_on_link, [1492]);
        assert!(rounds_to(answer.share.get(), share, 6), "{:?}", answer.share);
    }
    let largest = |key| row(key).largest_inner(mtu(1492), Ipv4).unwrap().get() - 40;
    assert_eq!((largest("openvpn-udp-aead"), largest("openvpn-udp-cbc-sha1")), (1400, 1379));
    let full =
        ceiling(&CeilingQuestion { inner_mtu: Some(mtu(1500)), ..question("openvpn-udp-aead") })
            .unwrap();
    assert_eq!((full.outer_length, full.packets_on_link.as_slice()), (1552, [1500, 72].as_slice()));
    assert!(full.fragments());
    assert_eq!(full.mss_clamp, 1408);
}

/// IPv6 inside costs 20 bytes of payload more in every row that carries it.
#[test]
fn inner_ipv6_costs_twenty_bytes() {
    for row in crate::all() {
        let ask = |inner_family| {
            ceiling(&CeilingQuestion { inner_family, ..CeilingQuestion::new(gigabit(), row) })
        };
        let (Ok(four), Ok(six)) = (ask(Ipv4), ask(Ipv6)) else {
            assert!(matches!(row.key(), "ipip" | "6in4") || row.key().contains("transport"));
            continue;
        };
        assert_eq!(four.tcp_payload, six.tcp_payload + 20, "{}", row.key());
        assert_eq!(four.udp_payload, six.udp_payload + 20, "{}", row.key());
        assert_eq!(four.wire_length, six.wire_length, "{}", row.key());
    }
}
