//! Counters and lines agree with what happened; seeds decide everything; changes come when they are due.

use std::num::NonZeroU64;

use culvert_pathmodel::Link;
use culvert_units::{BitRate, Bytes};
use proptest::prelude::*;

use super::*;
use crate::{
    Choice, GilbertElliott, Jitter, Line, Loss, Path, PathConfig, Policer, QueueLimit, Reorder,
};

fn everything() -> Conditions {
    Conditions {
        longest_packet: Some(Mtu::new(1400).unwrap()),
        too_long: TooLong::Answer,
        policer: Some(Policer { rate: BitRate::from_megabits(40), burst: Bytes::new(60_000) }),
        gateway: Some(crate::Gateway {
            packets_per_second: std::num::NonZeroU32::new(6_000),
            bits_per_second: NonZeroU64::new(60_000_000),
            queue: QueueLimit::Bytes(Bytes::new(9_000)),
            shared: false,
        }),
        line: Some(Line {
            link: Link::ethernet(BitRate::from_megabits(30)),
            queue: QueueLimit::Time(Duration::from_millis(3)),
        }),
        loss: Loss::Bursts(GilbertElliott {
            enter: 0.05,
            leave: 0.3,
            loss_in_good: 0.01,
            loss_in_bad: 0.8,
        }),
        delay: Duration::from_millis(4),
        jitter: Jitter::Uniform(Duration::from_millis(2)),
        reorder: Some(Reorder { choice: Choice::Ratio(0.05), by: Duration::from_millis(3) }),
        duplicate: Choice::Ratio(0.05),
    }
}

fn path(seed: u64) -> Path<u32> {
    let changes = vec![Change { at_ns: 0, conditions: everything() }];
    let config =
        PathConfig { toward_far: changes.clone(), toward_near: changes, ..PathConfig::default() };
    Path::new(&config, seed, usize::MAX)
}

fn lines(way: &mut OneWay<u32>) -> Vec<PacketTruth> {
    offer_all(way, 2_000, 300_000, 1200);
    way.packets().to_vec()
}

#[test]
fn a_seed_decides_everything() {
    let first = lines(&mut path(3).toward_far);
    assert_eq!(first, lines(&mut path(3).toward_far));
    assert_ne!(first, lines(&mut path(4).toward_far));
    assert_ne!(first, lines(&mut path(3).toward_near));
}

#[test]
fn one_impairment_does_not_move_another() {
    let loss = Loss::Single(Choice::Ratio(0.1));
    let plain = Conditions { loss, ..Conditions::default() };
    let more = Conditions {
        jitter: Jitter::Uniform(Duration::from_millis(2)),
        duplicate: Choice::Ratio(0.2),
        reorder: Some(Reorder { choice: Choice::Ratio(0.2), by: Duration::from_millis(9) }),
        ..plain.clone()
    };
    let lost = |conditions| -> Vec<bool> {
        offer_all(&mut way(conditions), 5_000, 1_000, 100).iter().map(kept).collect()
    };
    assert_eq!(lost(plain), lost(more));
}

#[test]
fn changes_come_when_they_are_due() {
    let mut config =
        config(Conditions { delay: Duration::from_millis(1), ..Conditions::default() });
    let at =
        |milliseconds: u64, conditions| Change { at_ns: milliseconds * MILLISECOND, conditions };
    config.changes.push(at(
        10,
        Conditions { loss: Loss::Single(Choice::Ratio(1.0)), ..Conditions::default() },
    ));
    config
        .changes
        .push(at(20, Conditions { delay: Duration::from_millis(7), ..Conditions::default() }));
    let mut way = OneWay::new(config);
    for n in 0..30_u64 {
        let offered_at = n * MILLISECOND;
        let expected = match n {
            0..10 => Verdict::Kept { due_ns: offered_at + MILLISECOND },
            10..20 => Verdict::Dropped { cause: Cause::Loss, answer: None },
            _ => Verdict::Kept { due_ns: offered_at + 7 * MILLISECOND },
        };
        assert_eq!(way.offer(offered_at, packet(100), 0), expected, "{n}");
    }
}

#[test]
fn a_policer_that_comes_late_comes_full() {
    let policer = Policer { rate: BitRate::from_bits_per_second(8_000), burst: Bytes::new(3_000) };
    let mut config = config(Conditions::default());
    let conditions = Conditions { policer: Some(policer), ..Conditions::default() };
    config.changes.push(Change { at_ns: SECOND, conditions });
    let mut way = OneWay::new(config);
    assert!(kept(&way.offer(2 * SECOND, packet(1500), 0)));
    assert!(kept(&way.offer(2 * SECOND, packet(1500), 0)));
    assert!(!kept(&way.offer(2 * SECOND, packet(1500), 0)));
    // A thousand bytes a second.
    assert!(!kept(&way.offer(3 * SECOND + 499_999_999, packet(1500), 0)));
    assert!(kept(&way.offer(3 * SECOND + 500_000_000, packet(1500), 0)));
}

#[test]
fn time_does_not_run_backward() {
    let mut way = way(Conditions { delay: Duration::from_millis(1), ..Conditions::default() });
    way.offer(5 * MILLISECOND, packet(100), 0);
    assert_eq!(way.offer(0, packet(100), 1), Verdict::Kept { due_ns: 6 * MILLISECOND });
}

#[test]
fn nothing_goes_out_before_its_time() {
    let mut way = way(Conditions { delay: Duration::from_millis(1), ..Conditions::default() });
    assert_eq!(way.next_due(), None);
    way.offer(0, packet(100), 9);
    assert_eq!(way.next_due(), Some(MILLISECOND));
    assert!(way.take_due(MILLISECOND - 1).is_none());
    assert_eq!(way.truth().total.under_way(), 1);
    assert_eq!(way.take_due(MILLISECOND).map(|one| one.token), Some(9));
    assert_eq!(way.truth().total.under_way(), 0);
}

#[test]
fn beyond_the_last_counter_flows_share_one() {
    let mut way = way(Conditions::default());
    for port in 0..1_000_u16 {
        let flow = Flow { source_port: Some(port), ..UDP };
        way.offer(0, Packet { flow, ..packet(100) }, 0);
    }
    let truth = way.truth();
    assert_eq!(truth.flows.len(), 257);
    assert_eq!(truth.flows[256].flow, None);
    assert_eq!(truth.flows[256].counters.offered.packets, 1_000 - 256);
}

#[test]
fn lines_beyond_the_wanted_number_are_counted() {
    let mut config = config(Conditions::default());
    config.listed = 10;
    let mut way = OneWay::new(config);
    offer_all(&mut way, 25, 0, 100);
    assert_eq!((way.packets().len(), way.truth().packets_not_listed), (10, 15));
}

#[test]
fn a_line_names_its_fields_and_units() {
    let mut way = way(Conditions {
        delay: Duration::from_millis(1),
        loss: Loss::Single(Choice::OneIn(NonZeroU64::new(2).unwrap())),
        ..Conditions::default()
    });
    offer_all(&mut way, 2, MILLISECOND, 100);
    let gone = drain(&mut way);
    way.went_out(&gone[0], MILLISECOND + 250);
    offer_all(&mut way, 1, MILLISECOND, 100);
    let lines: Vec<_> =
        way.packets().iter().map(|line| serde_json::to_value(line).unwrap()).collect();
    assert_eq!(
        lines,
        [
            serde_json::json!({
                "number": 0, "flow": 0, "offered_at_ns": 0, "length": 100, "fate": "delivered",
                "delay_ns": 1_000_000, "left": 0, "late_ns": 250, "held_back": false, "duplicated": false,
            }),
            serde_json::json!({
                "number": 1, "flow": 0, "offered_at_ns": 1_000_000, "length": 100, "fate": "dropped",
                "cause": "loss",
            }),
            serde_json::json!({
                "number": 2, "flow": 0, "offered_at_ns": 1_000_000, "length": 100, "fate": "delivered",
                "delay_ns": 1_000_000, "left": null, "late_ns": null, "held_back": false, "duplicated": false,
            }),
        ]
    );
}

proptest! {
    #[test]
    fn nothing_is_gained_or_forgotten(
        offers in prop::collection::vec((0_u64..400_000, 20_u32..1_600, any::<bool>()), 1..400),
        seed: u64,
    ) {
        let mut way = path(seed).toward_near;
        let (mut now, mut last_due, mut gone, mut copies, mut split) = (0, 0, 0, 0, 0);
        let mut offered = 0;
        for (apart, length, may_be_split) in offers {
            now += apart;
            let verdict = way.offer(now, Packet { may_be_split, ..packet(length) }, 0);
            if matches!(verdict, Verdict::Split { .. }) { split += 1 } else { offered += 1 }
            while let Some(one) = way.take_due(now) {
                prop_assert!(one.due_ns >= last_due && one.due_ns <= now);
                last_due = one.due_ns;
                if one.is_copy { copies += 1 } else { gone += 1 }
            }
        }
        let total = way.truth().total;
        prop_assert_eq!((total.offered.packets, total.split), (offered, split));
        prop_assert_eq!((total.delivered.packets, total.duplicates), (gone, copies));
        gone += drain(&mut way).iter().filter(|one| !one.is_copy).count() as u64;
        let total = way.truth().total;
        prop_assert_eq!(total.offered.packets, gone + total.dropped.total());
        prop_assert_eq!(total.under_way(), 0);
        prop_assert_eq!(way.packets().len() as u64, offered);
        let duplicated = way.packets().iter().filter(|line| {
            matches!(line.fate, Fate::Delivered { duplicated: true, .. })
        });
        prop_assert_eq!(duplicated.count() as u64, total.duplicates);
        let bytes: u64 = way.packets().iter().map(|line| u64::from(line.length)).sum();
        prop_assert_eq!(total.offered.bytes.get(), bytes);
    }

    #[test]
    fn no_time_or_length_panics(offers in prop::collection::vec((any::<u64>(), any::<u32>()), 1..50)) {
        let mut way = path(1).toward_far;
        for (at, length) in offers {
            way.offer(at, packet(length), 0);
            way.take_due(at);
        }
    }
}
