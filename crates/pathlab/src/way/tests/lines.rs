//! Rates, queues, policers, gateways and tunnels.

use std::num::{NonZeroU32, NonZeroU64};

use culvert_pathmodel::{CeilingQuestion, Family, Link, all, ceiling_for_udp_payload, find};
use culvert_units::{BitRate, Bytes};
use proptest::prelude::*;

use super::*;
use crate::{Gateway, Line, Policer, QueueLimit, Tunnel};

fn line(rate: BitRate, queue: QueueLimit) -> Conditions {
    Conditions { line: Some(Line { link: Link::ethernet(rate), queue }), ..Conditions::default() }
}

const ENDLESS: QueueLimit = QueueLimit::Time(Duration::MAX);

/// The frame rates of RFC 5180 appendix A.1 for frames of 64 and 1518 bytes, whose IP packets have 46 and 1500.
#[test]
fn a_second_of_ethernet_holds_the_published_number_of_frames() {
    for (megabits, length, frames) in [
        (10, 46, 14_880),
        (10, 1500, 812),
        (100, 46, 148_809),
        (100, 1500, 8_127),
        (1_000, 46, 1_488_095),
        (1_000, 1500, 81_274),
    ] {
        let mut config = config(line(BitRate::from_megabits(megabits), ENDLESS));
        config.listed = 0;
        let mut way = OneWay::new(config);
        let verdicts = (0..frames + 2).map(|_| way.offer(0, packet(length), 0));
        let within = verdicts
            .filter(|verdict| matches!(verdict, Verdict::Kept { due_ns } if *due_ns <= SECOND))
            .count();
        assert_eq!(within, frames, "{megabits} Mbit/s, {length} bytes");
    }
}

#[test]
fn no_rate_drifts_by_as_much_as_a_nanosecond() {
    // 38 bytes of Ethernet around each; rates whose packet times are no whole nanoseconds.
    for rate in [30_000_001_u64, 7_777_777, 999_999_937] {
        let mut way = way(line(BitRate::from_bits_per_second(rate), ENDLESS));
        for n in 1..=20_000_u64 {
            let Verdict::Kept { due_ns } = way.offer(0, packet(1000), 0) else { panic!("{n}") };
            assert_eq!(u128::from(due_ns), u128::from(n) * 1038 * 8_000_000_000 / u128::from(rate));
        }
    }
}

#[test]
fn a_full_queue_drops_what_comes_last() {
    // 1500 bytes take 123.04 us. One is sent at once and waits for nothing.
    let rate = BitRate::from_megabits(100);
    for (queue, passing) in [
        (QueueLimit::Bytes(Bytes::new(0)), 1),
        (QueueLimit::Bytes(Bytes::new(15_000)), 11),
        (QueueLimit::Bytes(Bytes::new(16_499)), 11),
        (QueueLimit::Bytes(Bytes::new(16_500)), 12),
        (QueueLimit::Time(Duration::ZERO), 1),
        (QueueLimit::Time(Duration::from_nanos(1_230_399)), 10),
        (QueueLimit::Time(Duration::from_nanos(1_230_400)), 11),
    ] {
        let mut way = way(line(rate, queue));
        let verdicts = offer_all(&mut way, 100, 0, 1500);
        assert!(verdicts[..passing].iter().all(kept), "{queue:?}");
        let dropped = Verdict::Dropped { cause: Cause::LineQueue, answer: None };
        assert!(verdicts[passing..].iter().all(|verdict| *verdict == dropped), "{queue:?}");
        assert_eq!(way.truth().total.dropped.line_queue, 100 - passing as u64);
    }
}

#[test]
fn a_queue_has_room_again_as_packets_are_begun() {
    let mut way = way(line(BitRate::from_megabits(100), QueueLimit::Bytes(Bytes::new(1500))));
    assert!(kept(&way.offer(0, packet(1500), 0)));
    assert!(kept(&way.offer(0, packet(1500), 1)));
    assert!(!kept(&way.offer(123_039, packet(1500), 2)));
    assert!(kept(&way.offer(123_040, packet(1500), 3)));
}

/// Sustained overload: what is accepted beyond the rate is what the queue holds.
#[test]
fn overload_delivers_the_rate_and_drops_the_rest() {
    // 812.74… packets a second pass at 10 Mbit/s; 2,000 are offered in a second; 20 fit the queue.
    let mut way = way(line(BitRate::from_megabits(10), QueueLimit::Bytes(Bytes::new(30_000))));
    let accepted = offer_all(&mut way, 2_000, 500_000, 1500).iter().filter(|v| kept(v)).count();
    // At 999.5 ms, the time of the last offer, 812 packets were begun after the first one (999.5 / 1.2304 = 812.3) and
    // the queue is full.
    assert_eq!(accepted, 1 + 812 + 20);
    assert_eq!(way.truth().total.dropped.line_queue, 2_000 - 833);
}

#[test]
fn a_gateway_takes_its_share_for_packets_and_for_bytes() {
    let gateway = |packets: Option<u32>, bits: Option<u64>| Conditions {
        gateway: Some(Gateway {
            packets_per_second: packets.and_then(NonZeroU32::new),
            bits_per_second: bits.and_then(NonZeroU64::new),
            queue: ENDLESS,
            shared: false,
        }),
        ..Conditions::default()
    };
    // 1000 packets of 1000 bytes: 1000 / 50,000 s, 8,000,000 / 400,000,000 s, and both one after the other.
    for (packets, bits, milliseconds) in [
        (Some(50_000), None, 20),
        (None, Some(400_000_000), 20),
        (Some(50_000), Some(400_000_000), 40),
    ] {
        let mut way = way(gateway(packets, bits));
        offer_all(&mut way, 1_000, 0, 1000);
        assert_eq!(drain(&mut way)[999].due_ns, milliseconds * MILLISECOND);
    }
}

#[test]
fn gateway_and_line_stand_one_behind_the_other() {
    let conditions = Conditions {
        gateway: Some(Gateway {
            packets_per_second: NonZeroU32::new(1_000),
            bits_per_second: None,
            queue: ENDLESS,
            shared: false,
        }),
        ..line(BitRate::from_megabits(100), QueueLimit::Bytes(Bytes::new(0)))
    };
    let mut way = way(conditions);
    let verdicts = offer_all(&mut way, 50, 0, 1500);
    // The gateway spaces packets by 1 ms; the line sends each in 123.04 us and nothing ever waits for it.
    for (n, verdict) in (1..).zip(verdicts) {
        assert_eq!(verdict, Verdict::Kept { due_ns: n * MILLISECOND + 123_040 });
    }
}

#[test]
fn every_tunnel_costs_its_bytes_and_nothing_else() {
    let rate = BitRate::from_megabits(100);
    for encapsulation in all().iter().filter(|one| !one.is_stream() && !one.is_plain()) {
        let outer_family = Family::Ipv4;
        let Ok(largest) = encapsulation.largest_inner(Mtu::ETHERNET, outer_family) else {
            continue;
        };
        let mtu = encapsulation.customary_mtu().unwrap_or(largest);
        if !encapsulation.families().carries(Family::Ipv4, outer_family) {
            continue;
        }
        // The model's own way through tunnels and fragments, which the emulated path does not use.
        let question = CeilingQuestion {
            link: Link::ethernet(rate),
            underlay_mtu: Mtu::ETHERNET,
            encapsulation,
            outer_family,
            inner_family: Family::Ipv4,
            inner_mtu: Some(mtu),
            timestamps: true,
            through: Vec::new(),
        };
        let mut conditions = config(line(rate, ENDLESS));
        conditions.mtu = mtu;
        let encapsulation = encapsulation.clone();
        conditions.tunnel =
            Some(Tunnel { encapsulation, outer_family, underlay_mtu: Mtu::ETHERNET });
        let mut way = OneWay::new(conditions);
        let mut bytes = 0;
        for length in (60..=u32::from(mtu.get())).step_by(7) {
            let payload = u16::try_from(length - 28).unwrap();
            bytes += ceiling_for_udp_payload(&question, payload).unwrap().wire_length;
            let Verdict::Kept { due_ns } = way.offer(0, packet(length), 0) else { panic!() };
            assert_eq!(due_ns, bytes * 80, "{} around {length}", question.encapsulation.key());
        }
    }
}

/// From the protocol: 20 for IPv4, 8 for UDP, 32 for the message, the inside padded to 16 but not beyond the MTU;
/// then 38 for Ethernet. At 100 Mbit/s a byte takes 80 ns.
#[test]
fn wireguard_on_the_wire_by_hand() {
    for (inner, outer) in [(1420, 1480), (1404, 1468), (100, 172), (96, 156)] {
        let mut config = config(line(BitRate::from_megabits(100), ENDLESS));
        config.mtu = Mtu::new(1420).unwrap();
        config.tunnel = Some(Tunnel {
            encapsulation: find("wireguard").unwrap().clone(),
            outer_family: Family::Ipv4,
            underlay_mtu: Mtu::ETHERNET,
        });
        let verdict = OneWay::new(config).offer(0, packet(inner), 0);
        assert_eq!(verdict, Verdict::Kept { due_ns: u64::from(outer + 38_u32) * 80 });
    }
}

proptest! {
    /// Lindley's recursion (D. V. Lindley, "The theory of queues with a single server", 1952): the wait of a packet is
    /// that of the one before plus its service less the time between both, at least zero.
    #[test]
    fn waits_follow_lindleys_recursion(
        arrivals in prop::collection::vec((0_u64..300_000, 46_u32..=1500), 1..200),
        limit_us in 0_u64..2_000,
    ) {
        let limit = Duration::from_micros(limit_us);
        let mut way = way(line(BitRate::from_megabits(100), QueueLimit::Time(limit)));
        let (mut now, mut wait, mut last) = (0, 0_u64, 0);
        for (apart, length) in arrivals {
            now += apart;
            let here = wait.saturating_sub(now - last);
            let service = u64::from((length + 18).max(64) + 20) * 80;
            let verdict = way.offer(now, packet(length), 0);
            if u128::from(here) <= limit.as_nanos() {
                prop_assert_eq!(verdict, Verdict::Kept { due_ns: now + here + service });
                (wait, last) = (here + service, now);
            } else {
                prop_assert!(!kept(&verdict));
            }
        }
    }

    /// What passes in any interval is at most the burst and the rate times its length (the definition of a token
    /// bucket, RFC 2697 section 3 with one bucket); and nothing is dropped that would have kept to it, seen as a
    /// bucket that leaks instead of filling.
    #[test]
    fn a_policer_keeps_the_token_bucket_law(
        arrivals in prop::collection::vec((0_u64..3_000_000, 20_u32..=1500), 1..80),
        rate in 1_000_u64..100_000_000,
        burst in 1_500_u64..20_000,
    ) {
        let policer =
            Policer { rate: BitRate::from_bits_per_second(rate), burst: Bytes::new(burst) };
        let mut way = way(Conditions { policer: Some(policer), ..Conditions::default() });
        let (mut now, mut passed, mut leaking, mut last) = (0, Vec::new(), 0_u128, 0);
        let scale = 8_000_000_000_u128;
        for (apart, length) in arrivals {
            now += apart;
            leaking = leaking.saturating_sub(u128::from(now - last) * u128::from(rate));
            last = now;
            let verdict = way.offer(now, packet(length), 0);
            let conforms = leaking + u128::from(length) * scale <= u128::from(burst) * scale;
            prop_assert_eq!(kept(&verdict), conforms);
            if conforms {
                leaking += u128::from(length) * scale;
                passed.push((now, length));
            }
        }
        for first in 0..passed.len() {
            let mut bytes = 0;
            for &(at, length) in &passed[first..] {
                bytes += u128::from(length);
                let allowed = u128::from(at - passed[first].0) * u128::from(rate);
                prop_assert!(bytes * scale <= u128::from(burst) * scale + allowed);
            }
        }
    }
}

#[test]
fn lengths_pass_to_the_byte() {
    let most = Mtu::new(1380).unwrap();
    for (too_long, answer) in [(TooLong::Answer, Some(most)), (TooLong::Silence, None)] {
        let conditions =
            Conditions { longest_packet: Some(most), too_long, ..Conditions::default() };
        let mut way = way(conditions);
        assert!(kept(&way.offer(0, packet(1380), 0)));
        let dropped = Verdict::Dropped { cause: Cause::TooLong, answer };
        assert_eq!(way.offer(0, packet(1381), 0), dropped);
        let splittable = Packet { may_be_split: true, ..packet(1381) };
        let split = way.offer(0, splittable, 0);
        assert_eq!(split, if answer.is_some() { Verdict::Split { mtu: most } } else { dropped });
    }
}

#[test]
fn the_mtu_of_the_path_bounds_any_other() {
    let mut way =
        way(Conditions { longest_packet: Some(Mtu::new(9000).unwrap()), ..Conditions::default() });
    assert_eq!(
        way.offer(0, packet(1501), 0),
        Verdict::Dropped { cause: Cause::TooLong, answer: Some(Mtu::ETHERNET) }
    );
}
