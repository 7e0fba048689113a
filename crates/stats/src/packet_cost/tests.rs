use proptest::prelude::*;

use super::*;

/// The frame sizes of RFC 2544 9.1 less 18 bytes of Ethernet header and check sequence.
const SIZES: [u16; 7] = [46, 110, 238, 494, 1006, 1262, 1500];

fn points(rate: impl Fn(f64) -> f64) -> Vec<RatePoint> {
    SIZES
        .iter()
        .map(|ip_bytes| RatePoint::within(*ip_bytes, rate(f64::from(*ip_bytes)), 0.005))
        .collect()
}

/// RFC 2544 Appendix B and RFC 5180 A.1: the frame rates of Ethernet at 1 Gbit/s. One byte takes 8 ns, and each
/// packet 38 bytes of framing (RFC 6349 4.1.1).
#[test]
fn ethernet_costs_its_framing() {
    let frames = [1_488_095.0, 844_594.0, 452_898.0, 234_962.0, 119_731.0, 96_153.0, 81_274.0];
    let points: Vec<RatePoint> = SIZES
        .iter()
        .zip(frames)
        .map(|(ip_bytes, rate)| RatePoint::within(*ip_bytes, rate, 0.005))
        .collect();
    let cost = packet_cost(&points).unwrap();
    assert!((cost.byte_ns.value - 8.0).abs() < 1e-4, "{cost:?}");
    assert!((cost.packet_as_bytes.unwrap() - 38.0).abs() < 0.01, "{cost:?}");
    assert_eq!(cost.kind, CostKind::PerByte);
    // RFC 2544 Appendix B has 768-byte frames too: 158 629 of them.
    let at = cost.predict(750, 0.95).unwrap().packets_per_second;
    assert!((at.value - 158_629.0).abs() < 2.0, "{at:?}");
}

/// Truths made up: microseconds a packet and nanoseconds a byte, rates measured to 1 %.
#[test]
fn each_limit_is_told() {
    let off = |bytes: f64| 1.0 + 0.01 * ((bytes * 0.7).sin());
    let cases = [
        (20_000.0, 1.0, CostKind::PerPacket),
        (300.0, 8.0, CostKind::PerByte),
        (12_000.0, 8.0, CostKind::Mixed),
    ];
    for (a, b, kind) in cases {
        let cost = packet_cost(&points(|bytes| 1e9 / (a + b * bytes) * off(bytes))).unwrap();
        assert_eq!(cost.kind, kind, "{cost:?}");
        assert!(cost.packet_ns.contains(a) && cost.byte_ns.contains(b), "{cost:?}");
    }
}

#[test]
fn a_limiter_does_not_care_for_size() {
    let bits = packet_cost(&points(|bytes| 1e8 / 8.0 / bytes * (1.0 + bytes * 1e-6))).unwrap();
    assert_eq!(bits.kind, CostKind::BitLimiter, "{bits:?}");
    // A cloud's cap on packets is 250 000 a second (common practice).
    let packets = packet_cost(&points(|bytes| 250_000.0 + bytes / 10.0)).unwrap();
    assert_eq!(packets.kind, CostKind::PacketLimiter, "{packets:?}");
}

/// Each size enclosed to 1 %, the bounds at random around the truth: what a search that ends at 1 % gives.
#[test]
fn a_limiter_is_told_by_bounds_that_no_two_sizes_share() {
    let truth = 10e6 / 8.0;
    let points: Vec<RatePoint> = SIZES
        .iter()
        .zip([0.001, 0.009, 0.002, 0.008, 0.005, 0.000_5, 0.009_5])
        .map(|(ip_bytes, above)| {
            let low = truth / f64::from(*ip_bytes) * (1.0 - above);
            RatePoint { ip_bytes: *ip_bytes, low, high: low * 1.01 }
        })
        .collect();
    let cost = packet_cost(&points).unwrap();
    assert_eq!(cost.kind, CostKind::BitLimiter, "{cost:?}");
    assert!(cost.bit_rate_spread > 0.005, "the middles differ by more than a limiter's own spread");
}

/// At 1400 to 1500 bytes 14 bytes of framing change the rate of IP packets by 0.07 %, which bounds of 1 % cannot show; at
/// 60 to 1500 bytes they change it by 18 %.
#[test]
fn sizes_too_near_each_other_tell_no_limiter_from_a_link() {
    let near =
        [1400, 1450, 1500].map(|bytes| RatePoint::within(bytes, 1e9 / f64::from(bytes), 0.005));
    assert_eq!(packet_cost(&near).unwrap().kind, CostKind::Unclear);
    let far = [60, 494, 1500].map(|bytes| RatePoint::within(bytes, 1e9 / f64::from(bytes), 0.005));
    assert_eq!(packet_cost(&far).unwrap().kind, CostKind::BitLimiter);
    let framed =
        [60, 494, 1500].map(|bytes| RatePoint::within(bytes, 1e9 / f64::from(bytes + 14), 0.005));
    assert_ne!(packet_cost(&framed).unwrap().kind, CostKind::BitLimiter);
    let loose = [60, 494, 1500].map(|bytes| RatePoint::within(bytes, 1e9 / f64::from(bytes), 0.2));
    assert_ne!(packet_cost(&loose).unwrap().kind, CostKind::BitLimiter);
}

/// A cap on packets up to some size and a line above it are two limits, and no line describes them.
#[test]
fn two_limits_are_unclear() {
    let cost = packet_cost(&points(|bytes| (1e9 / (8.0 * bytes)).min(200_000.0))).unwrap();
    assert_eq!(cost.kind, CostKind::Unclear, "{cost:?}");
    assert!(cost.farthest_off > FARTHEST_OFF);
}

#[test]
fn too_little_is_none() {
    assert_eq!(packet_cost(&[]), None);
    assert_eq!(packet_cost(&points(|_| 0.0)), None);
    assert_eq!(packet_cost(&points(|_| f64::NAN)), None);
    let one_size = vec![RatePoint::within(100, 5.0, 0.005); 5];
    assert_eq!(packet_cost(&one_size), None);
}

proptest! {
    /// Rates measured to half a percent give both costs within 5 % wherever each is a tenth of the time somewhere.
    #[test]
    fn both_costs_are_found(a in 500.0_f64..50_000.0, b in 1.0_f64..80.0, seed in any::<u32>()) {
        let off = |bytes: f64| 1.0 + 0.002 * ((f64::from(seed) + bytes).sin());
        prop_assume!(a > 0.2 * b * 1500.0 && b * 1500.0 > 0.2 * a);
        let cost = packet_cost(&points(|bytes| 1e9 / (a + b * bytes) * off(bytes))).unwrap();
        prop_assert!((cost.packet_ns.value - a).abs() < 0.05 * a, "{} {}", cost.packet_ns.value, a);
        prop_assert!((cost.byte_ns.value - b).abs() < 0.05 * b, "{} {}", cost.byte_ns.value, b);
    }

    #[test]
    fn absurd_points_do_not_panic(
        given in prop::collection::vec(any::<(u16, f64)>(), 0..20), size: u16, confidence: f64,
    ) {
        let points: Vec<RatePoint> = given.into_iter()
            .map(|(ip_bytes, rate)| RatePoint::within(ip_bytes, rate, 0.005)).collect();
        if let Some(cost) = packet_cost(&points) {
            let _ = cost.predict(size, confidence).map(|p| p.ip_bits_per_second());
        }
    }
}
