//! What becomes of packets that wait while the rate changes.

use std::num::NonZeroU32;

use culvert_pathmodel::{Framing, Link};
use culvert_units::BitRate;
use proptest::prelude::*;

use super::*;
use crate::{Gateway, Line, QueueLimit};

const ENDLESS: QueueLimit = QueueLimit::Time(Duration::MAX);
/// With 38 bytes of Ethernet around it 8000 bits: 8 ms at 1 Mbit/s.
const LENGTH: u32 = 962;

fn rate(kilobits: u64) -> Conditions {
    let link = Link::ethernet(BitRate::from_bits_per_second(kilobits * 1_000));
    Conditions { line: Some(Line { link, queue: ENDLESS }), ..Conditions::default() }
}

fn changing(conditions: impl IntoIterator<Item = (u64, Conditions)>) -> OneWay<u32> {
    let changes = conditions.into_iter().map(|(at_ns, conditions)| Change { at_ns, conditions });
    OneWay::new(WayConfig { changes: changes.collect(), ..config(Conditions::default()) })
}

fn due(verdicts: &[Verdict]) -> Vec<u64> {
    let due = |verdict: &Verdict| match verdict {
        Verdict::Kept { due_ns } => *due_ns,
        other => panic!("{other:?}"),
    };
    verdicts.iter().map(due).collect()
}

/// Of the third packet, begun at 16 ms, half is sent when the rate changes at 20 ms.
#[test]
fn what_waits_is_sent_at_the_new_rate() {
    let pppoe = Link { framing: Framing::Pppoe, ..Link::ethernet(BitRate::from_megabits(2)) };
    let pppoe_line = Some(Line { link: pppoe, queue: ENDLESS });
    for (then, expected_us) in [
        (rate(2_000), [8_000, 16_000, 22_000, 26_000]),
        (rate(500), [8_000, 16_000, 28_000, 44_000]),
        // Eight bytes more (RFC 2516): 1008 bytes at 2 Mbit/s take 4.032 ms.
        (Conditions { line: pppoe_line, ..Conditions::default() }, [8_000, 16_000, 22_016, 26_048]),
        // Without a line nothing holds them any more.
        (Conditions::default(), [8_000, 16_000, 20_000, 20_000]),
    ] {
        let mut way = changing([(0, rate(1_000)), (20 * MILLISECOND, then)]);
        let found = due(&offer_all(&mut way, 4, 0, LENGTH));
        assert_eq!(found, expected_us.map(|us| us * 1_000));
    }
}

#[test]
fn a_packet_may_be_sent_at_three_rates() {
    let changes = [(0, rate(1_000)), (2 * MILLISECOND, rate(500)), (4 * MILLISECOND, rate(10_000))];
    let mut way = changing(changes);
    // 2000 bits, then 1000, and the other 5000 in half a millisecond.
    assert_eq!(due(&offer_all(&mut way, 1, 0, LENGTH)), [4_500_000]);
    // What comes after a change meets its rate only.
    assert_eq!(due(&[way.offer(9 * MILLISECOND, packet(LENGTH), 0)]), [9_800_000]);
}

#[test]
fn a_line_that_comes_later_does_not_hold_those_before() {
    let mut way = changing([(0, Conditions::default()), (MILLISECOND, rate(1_000))]);
    assert_eq!(due(&[way.offer(0, packet(LENGTH), 0)]), [0]);
    assert_eq!(due(&[way.offer(MILLISECOND, packet(LENGTH), 0)]), [9 * MILLISECOND]);
}

#[test]
fn a_gateway_changes_its_speed_at_once_too() {
    let gateway = |packets| Conditions {
        gateway: Some(Gateway {
            packets_per_second: NonZeroU32::new(packets),
            bits_per_second: None,
            queue: ENDLESS,
            shared: false,
        }),
        ..Conditions::default()
    };
    let mut way = changing([(0, gateway(1_000)), (1_500_000, gateway(4_000))]);
    let found = due(&offer_all(&mut way, 4, 0, LENGTH));
    assert_eq!(found, [1_000_000, 1_625_000, 1_875_000, 2_125_000]);
}

#[test]
fn those_let_in_stay_when_the_queue_becomes_shorter() {
    let short = |limit| {
        let mut conditions = rate(1_000);
        conditions.line = conditions.line.map(|line| Line { queue: limit, ..line });
        conditions
    };
    let limit = QueueLimit::Time(Duration::from_millis(8));
    let mut way = changing([(0, rate(1_000)), (MILLISECOND, short(limit))]);
    assert_eq!(due(&offer_all(&mut way, 4, 0, LENGTH)).len(), 4);
    assert!(!kept(&way.offer(2 * MILLISECOND, packet(LENGTH), 0)));
    assert_eq!(due(&drained(&mut way)), [8, 16, 24, 32].map(|at| at * MILLISECOND));
    assert!(kept(&way.offer(24 * MILLISECOND, packet(LENGTH), 0)));
}

fn drained(way: &mut OneWay<u32>) -> Vec<Verdict> {
    drain(way).iter().map(|one| Verdict::Kept { due_ns: one.due_ns }).collect()
}

proptest! {
    /// A busy line has sent, when a packet is through, all bits up to the packet's last: the integral of its rate.
    #[test]
    fn a_busy_line_sends_as_many_bits_as_its_rates_allow(
        rates in prop::collection::vec((1_u64..30_000, 1_u64..50_000_000), 1..8),
        count in 1_u32..60,
    ) {
        let mut begins = 0;
        let phases: Vec<(u64, u64)> = rates
            .iter()
            .map(|(kilobits, lasts)| {
                let phase = (begins, *kilobits);
                begins += lasts;
                phase
            })
            .collect();
        let mut way = changing(phases.iter().map(|(at, kilobits)| (*at, rate(*kilobits))));
        let found = due(&offer_all(&mut way, count, 0, LENGTH));
        for (place, done_ns) in (1_u32..).zip(found) {
            let ends = phases.iter().skip(1).map(|phase| phase.0).chain([u64::MAX]);
            let sent: f64 = phases
                .iter()
                .zip(ends)
                .filter(|((from, _), _)| *from < done_ns)
                .map(|((from, kilobits), to)| {
                    (to.min(done_ns) - from) as f64 * 1e-9 * (*kilobits as f64 * 1e3)
                })
                .sum();
            // A nanosecond a change, and one for rounding: 0.03 bits each at 30 Mbit/s.
            let expected = f64::from(place) * 8_000.0;
            prop_assert!((sent - expected).abs() < 0.03 * 10.0, "{} of {}", sent, expected);
        }
    }
}
