//! Against packets and rates that standards print.

use culvert_units::BitRate;

use super::{mtu, row};
use crate::{Counted, Family, Framing, Layer, Link, Rule, table};

/// RFC 5180 appendix A.1 (10 Mbit/s also RFC 2544 appendix B): frame, frames per second at 10, 100, 1000, 10 000
/// Mbit/s. Errata: for 4096 bytes the RFC prints 30 396 at 1 Gbit/s (digits swapped, 30 369) and 303 691 at 10 Gbit/s
/// (303 692), for 9216 bytes 13 534 at 1 Gbit/s (rounded up where all others are rounded down, 13 533). 768 bytes are in
/// RFC 2544 appendix B only; above 10 Mbit/s that line is our own arithmetic.
const FRAME_RATES: [(u32, [u64; 4]); 10] = [
    (64, [14_880, 148_809, 1_488_095, 14_880_952]),
    (128, [8_445, 84_459, 844_594, 8_445_945]),
    (256, [4_528, 45_289, 452_898, 4_528_985]),
    (512, [2_349, 23_496, 234_962, 2_349_624]),
    (768, [1_586, 15_862, 158_629, 1_586_294]),
    (1024, [1_197, 11_973, 119_731, 1_197_318]),
    (1280, [961, 9_615, 96_153, 961_538]),
    (1518, [812, 8_127, 81_274, 812_743]),
    (1522, [810, 8_106, 81_063, 810_635]),
    (9216, [135, 1_353, 13_533, 135_339]),
];

#[test]
fn ethernet_frames_per_second() {
    for (frame, rates) in FRAME_RATES {
        for (megabits, printed) in [10, 100, 1000, 10_000].into_iter().zip(rates) {
            let link = Link::ethernet(BitRate::from_megabits(megabits));
            assert_eq!(link.packets_per_second(frame - 18), Some(printed), "{frame} at {megabits}");
        }
    }
    let link = Link::ethernet(BitRate::from_megabits(1000));
    assert_eq!(link.packets_per_second(4096 - 18), Some(30_369));
    let link = Link::ethernet(BitRate::from_megabits(10_000));
    assert_eq!(link.packets_per_second(4096 - 18), Some(303_692));
}

/// RFC 5180 section 5.1.1: a VLAN tag makes the longest frame 1522 bytes.
#[test]
fn a_tagged_frame_has_1522_bytes() {
    let link = Link {
        rate: BitRate::from_megabits(1000),
        framing: Framing::EthernetVlan,
        counted: Counted::Frame,
    };
    assert_eq!(link.wire_length(1500), 1522);
    assert_eq!(Link { counted: Counted::Line, ..link }.packets_per_second(1500), Some(81_063));
    assert_eq!(Link { counted: Counted::IpLayer, ..link }.wire_length(1500), 1500);
}

/// RFC 2544 section 9.1: no frame is shorter than 64 bytes.
#[test]
fn a_short_packet_pays_for_the_least_frame() {
    let link = Link::ethernet(BitRate::from_megabits(1000));
    assert_eq!(Link { counted: Counted::Frame, ..link }.wire_length(28), 64);
    for (length, wire) in [(0, 84), (28, 84), (46, 84), (47, 85)] {
        assert_eq!(link.wire_length(length), wire);
    }
}

/// RFC 3602 section 4, which has no integrity check value: cases 5 and 6 are transport mode around ICMP messages of 64
/// and 28 bytes (total length 0x7c, 0x4c), cases 7 and 8 tunnel mode around packets of 84 and 68 (0x8c, 0x7c).
#[test]
fn esp_cbc_packets_of_rfc_3602() {
    let esp = table::esp_layer("ESP, AES-CBC, no integrity", 16, 16, 0, "RFC 3602 section 4");
    for (carried, total) in [(64, 0x7c), (28, 0x4c), (84, 0x8c), (68, 0x7c)] {
        assert_eq!(20 + esp.length_around(carried, Family::Ipv4, 1500), total, "{carried}");
    }
    // Cases 5 and 6 again, from the whole packet: transport mode takes its IP header to the front.
    let [ip, .., transport] = row("esp-transport-cbc-sha1").layers() else { panic!("no layers") };
    for (packet, total) in [(84, 0x7c), (48, 0x4c)] {
        let length = [transport, &esp, ip]
            .iter()
            .fold(packet, |length, layer| layer.length_around(length, Family::Ipv4, 1500));
        assert_eq!(length, total, "{packet}");
    }
}

/// RFC 7634 appendix A: an 84-byte packet with 2 bytes of padding makes one of 140 (0x8c).
#[test]
fn esp_chacha20_packet_of_rfc_7634() {
    assert_eq!(row("esp-chacha20").outer_length(84, Family::Ipv4, mtu(1500)), 0x8c);
}

/// RFC 4106 section 7: with a 16-byte check value the expansion beyond the outer IP header is 34 to 37 bytes.
#[test]
fn esp_gcm_expansion_of_rfc_4106() {
    for family in Family::ALL {
        let expansions: Vec<u32> = (28..1400)
            .map(|inner| {
                row("esp-gcm").outer_length(inner, family, mtu(1500))
                    - u32::from(inner)
                    - family.header_length()
            })
            .collect();
        assert_eq!(expansions.iter().min(), Some(&34));
        assert_eq!(expansions.iter().max(), Some(&37));
    }
}

/// The unit test of OpenVPN's MSS rule (`test_crypto.c`): the MSS is the largest whose UDP payload stays within the
/// limit. Static key with AES-128-CBC and no HMAC: IV 16, then an 8-byte packet id and the packet, padded.
#[test]
fn openvpn_mss_rule() {
    let cbc = Layer::new(
        "static key, AES-128-CBC, no HMAC",
        Rule::Padded { inside: 9, alignment: 16, around: 16 },
        "OpenVPN's test_crypto.c",
    );
    let plain = Layer::fixed("static key, no cipher", 8, "OpenVPN's test_crypto.c");
    for (limits, mss) in [(990..=991, 911), (992..=1007, 927), (1008..=1010, 943)] {
        for limit in limits {
            assert_eq!(largest_mss(&cbc, limit), mss, "limit {limit}");
        }
    }
    assert_eq!(largest_mss(&plain, 1000), 952);
    let [.., aead] = row("openvpn-udp-aead").layers() else { panic!("the row has layers") };
    for limit in 900..=1200 {
        assert_eq!(largest_mss(aead, limit), limit - 64, "limit {limit}");
    }
}

fn largest_mss(layer: &Layer, limit: u32) -> u32 {
    let fits = |inner: &u32| layer.length_around(*inner, Family::Ipv4, 1500) <= limit;
    (0..=limit).rev().find(fits).unwrap() - 40
}

/// RFC 4213 section 3.2.1 gives the default MTU, RFC 2516 section 7 that of PPPoE.
#[test]
fn customary_mtus() {
    assert_eq!(row("6in4").customary_mtu(), Some(mtu(1280)));
    assert_eq!(Framing::Pppoe.customary_mtu(), mtu(1492));
    assert_eq!(Framing::Ethernet.customary_mtu(), mtu(1500));
}
