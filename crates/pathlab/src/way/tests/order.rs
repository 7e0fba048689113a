//! Reordering, against the definitions of RFC 4737.

use std::num::NonZeroU64;

use proptest::prelude::*;

use super::*;
use crate::{Choice, Reorder};

fn held_back(choice: Choice, by: Duration) -> Conditions {
    Conditions { reorder: Some(Reorder { choice, by }), ..Conditions::default() }
}

/// Section 3.3: reordered is what is smaller than the next expected. Section 4.2.1: its extent is how far before it
/// the earliest arrival with a greater number lies.
fn extents(arrivals: &[u32]) -> Vec<(u32, usize)> {
    let mut found = Vec::new();
    for (place, number) in arrivals.iter().enumerate() {
        if let Some(first) = arrivals[..place].iter().position(|earlier| earlier > number) {
            found.push((*number, place - first));
        }
    }
    found
}

fn arrivals(way: &mut OneWay<u32>) -> Vec<u32> {
    drain(way).iter().filter(|one| !one.is_copy).map(|one| one.token).collect()
}

/// The shape of section 7.1's example, from memory: ten packets, number 4 comes in behind number 8, so that it has an
/// extent of 4. (Ours count from 0.)
#[test]
fn the_published_example() {
    let mut config =
        config(held_back(Choice::OneIn(NonZeroU64::new(4).unwrap()), Duration::from_millis(90)));
    config.changes.push(Change { at_ns: 80 * MILLISECOND, conditions: Conditions::default() });
    let mut way = OneWay::new(config);
    offer_all(&mut way, 10, 20 * MILLISECOND, 100);
    let arrived = arrivals(&mut way);
    assert_eq!(arrived, [0, 1, 2, 4, 5, 6, 7, 3, 8, 9]);
    assert_eq!(extents(&arrived), [(3, 4)]);
    assert_eq!(way.truth().total.reordered, 1);
}

#[test]
fn each_chosen_packet_is_overtaken_by_those_within_its_delay() {
    let n = NonZeroU64::new(10).unwrap();
    let mut way = way(held_back(Choice::OneIn(n), Duration::from_micros(3_500)));
    offer_all(&mut way, 1_000, MILLISECOND, 100);
    let found = extents(&arrivals(&mut way));
    // Three packets come within 3.5 ms; the very last one, held back too, has nobody behind it.
    let expected: Vec<_> = (9..999).step_by(10).map(|number| (number, 3)).collect();
    assert_eq!(found, expected);
    assert_eq!(way.truth().total.reordered, 99);
}

#[test]
fn a_delay_shorter_than_the_spacing_reorders_nothing() {
    let mut way = way(held_back(Choice::Ratio(0.5), Duration::from_micros(999)));
    offer_all(&mut way, 1_000, MILLISECOND, 100);
    assert_eq!(extents(&arrivals(&mut way)), []);
    assert_eq!(way.truth().total.reordered, 0);
    let held = way
        .packets()
        .iter()
        .filter(|line| matches!(line.fate, Fate::Delivered { held_back: true, .. }));
    assert!(held.count() > 300);
}

#[test]
fn flows_are_ordered_each_by_itself() {
    let n = NonZeroU64::new(2).unwrap();
    let mut way = way(held_back(Choice::OneIn(n), Duration::from_micros(1_500)));
    let other = Flow { source_port: Some(1), ..UDP };
    // Every second packet is held back beyond the next one, which belongs to the other flow.
    for number in 0..100 {
        let flow = if number % 2 == 0 { UDP } else { other };
        way.offer(u64::from(number) * MILLISECOND, Packet { flow, ..packet(100) }, number);
    }
    assert_eq!(extents(&arrivals(&mut way)).len(), 49);
    let truth = way.truth();
    assert_eq!(truth.total.reordered, 0);
    assert_eq!(
        truth.flows.iter().map(|flow| flow.flow).collect::<Vec<_>>(),
        [Some(UDP), Some(other)]
    );
    assert!(truth.flows.iter().all(|flow| flow.counters.offered.packets == 50));
}

proptest! {
    #[test]
    fn the_counter_is_what_the_definition_says(
        ratio in 0.0..0.6,
        by_us in 0_u64..20_000,
        spacing_us in 1_u64..2_000,
        duplicates in 0.0..0.3,
        loss in 0.0..0.3,
        seed: u64,
    ) {
        let conditions = Conditions {
            duplicate: Choice::Ratio(duplicates),
            loss: crate::Loss::Single(Choice::Ratio(loss)),
            jitter: crate::Jitter::Uniform(Duration::from_millis(3)),
            ..held_back(Choice::Ratio(ratio), Duration::from_micros(by_us))
        };
        let mut config = config(conditions);
        config.seed = seed;
        let mut way = OneWay::new(config);
        offer_all(&mut way, 300, spacing_us * 1_000, 100);
        let arrived = arrivals(&mut way);
        prop_assert_eq!(way.truth().total.reordered, extents(&arrived).len() as u64);
        for line in way.packets() {
            if let Fate::Delivered { left: Some(place), .. } = line.fate {
                prop_assert_eq!(u64::from(arrived[usize::try_from(place).unwrap()]), line.number);
            }
        }
    }
}
