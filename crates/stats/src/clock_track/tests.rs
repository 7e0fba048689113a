use proptest::prelude::*;

use super::*;
use crate::ExchangeTimes;

const MS: i64 = 1_000_000;
const S: i64 = 1_000_000_000;

/// A far clock ahead by `ahead` at zero and gaining `ppm`, the two ways as long as given.
fn exchange(at: i64, ahead: i64, ppm: i64, there: i64, back: i64) -> TimedEstimate {
    let far = |near: i64| near + ahead + near * ppm / 1_000_000;
    let times = ExchangeTimes {
        near_sent: at,
        far_received: far(at + there),
        far_sent: far(at + there),
        near_received: at + there + back,
    };
    TimedEstimate { at_ns: at + there + back, estimate: times.estimate() }
}

/// RFC 5905 section 8 by hand: 50 ms ahead, 10 ms there, 20 ms back, so the offset is 45 ± 15 ms, and the one-way
/// delays are what they are within that.
#[test]
fn one_exchange_bounds_both_ways() {
    let only = exchange(0, 50 * MS, 0, 10 * MS, 20 * MS);
    let relation = ClockRelation::of(&[only], Drift { ratio: 0.0, error: 0.0 }).unwrap().unwrap();
    let offset = relation.offset_at(only.at_ns);
    assert!((offset.offset_ns - 45 * MS).abs() <= 1, "{offset:?}");
    assert!(offset.error_ns.abs_diff(15_000_000) <= 1, "{offset:?}");
    let there = relation.toward_far(only.at_ns, 60 * MS);
    let back = relation.toward_near(only.at_ns, -30 * MS);
    assert!(there.delay_ns.abs_diff(10 * MS) <= there.error_ns, "{there:?}");
    assert!(back.delay_ns.abs_diff(20 * MS) <= back.error_ns, "{back:?}");
    // What one way gains the other loses: their sum is the round trip exactly.
    assert_eq!(there.delay_ns + back.delay_ns, 30 * MS);
}

/// Queues on either way alone narrow the interval from both sides: below the best round trip's half.
#[test]
fn exchanges_narrow_each_other() {
    let exchanges = [exchange(0, 0, 0, 9 * MS, MS), exchange(S, 0, 0, MS, 9 * MS)];
    let relation =
        ClockRelation::of(&exchanges, Drift { ratio: 0.0, error: 0.0 }).unwrap().unwrap();
    let offset = relation.offset_at(S);
    assert!(offset.error_ns <= 1_000_001 && offset.offset_ns.abs() <= 1, "{offset:?}");
}

/// RFC 5905 gives a clock 15 ppm: after 100 s two of them may be 3 ms apart.
#[test]
fn an_unknown_drift_widens_the_bound() {
    let exchanges = [exchange(0, 0, 0, MS, MS)];
    let relation = ClockRelation::of(&exchanges, Drift::UNKNOWN).unwrap().unwrap();
    let now = relation.offset_at(2 * MS).error_ns;
    assert!((relation.offset_at(2 * MS + 100 * S).error_ns - now).abs_diff(3_000_000) <= 1);
}

/// RFC 5905 calls 15 ppm about 1.3 s a day; exactly it is 1.296 s.
#[test]
fn fifteen_parts_per_million_are_a_second_and_a_third_a_day() {
    let exact = [exchange(0, 0, 0, 0, 0)];
    let one_clock = Drift { ratio: 0.0, error: FREQUENCY_TOLERANCE };
    let relation = ClockRelation::of(&exact, one_clock).unwrap().unwrap();
    assert!(relation.offset_at(86_400 * S).error_ns.abs_diff(1_296_000_000) <= 1);
}

#[test]
fn a_step_between_exchanges_is_an_error() {
    let exchanges: Vec<_> = (0..20)
        .map(|s| exchange(s * S, if s < 12 { 0 } else { 40 * MS }, 5, 5 * MS, 6 * MS))
        .collect();
    let step = ClockRelation::of(&exchanges, Drift::UNKNOWN).unwrap_err();
    assert_eq!(step.at_ns, 12 * S + 11 * MS);
    // 40 ms less the two bounds of half a round trip.
    assert!((28 * MS..=30 * MS).contains(&step.by_ns), "{step:?}");
    let back: Vec<_> =
        (0..9).map(|s| exchange(s * S, if s < 5 { 0 } else { -40 * MS }, 0, MS, MS)).collect();
    assert!(ClockRelation::of(&back, Drift::UNKNOWN).unwrap_err().by_ns < -37 * MS);
    // A tenth of a millisecond is less than half a round trip: nothing can show it.
    let small: Vec<_> =
        (0..9).map(|s| exchange(s * S, if s < 5 { 0 } else { MS / 10 }, 0, MS, MS)).collect();
    assert!(ClockRelation::of(&small, Drift::UNKNOWN).is_ok());
}

#[test]
fn exchanges_that_cannot_be_are_left_out() {
    let impossible = exchange(0, 0, 0, -5 * MS, -5 * MS);
    assert!(impossible.estimate.negative_round_trip);
    assert_eq!(ClockRelation::of(&[impossible], Drift::UNKNOWN), Ok(None));
    assert_eq!(ClockRelation::of(&[], Drift::UNKNOWN), Ok(None));
}

proptest! {
    /// Whatever the queues do, the truth lies within the bound while the drift does.
    #[test]
    fn the_bound_holds(
        ahead in -S..S, ppm in -28_i64..=28,
        ways in prop::collection::vec((0..30 * MS, 0..30 * MS), 1..40),
        probe in (0..40 * S, 0..50 * MS),
    ) {
        let exchanges: Vec<_> =
            (0..).zip(&ways).map(|(s, (there, back))| exchange(s * S, ahead, ppm, *there, *back)).collect();
        let relation = ClockRelation::of(&exchanges, Drift::UNKNOWN).unwrap().unwrap();
        let (at, delay) = probe;
        let offset = ahead + at * ppm / 1_000_000;
        let found = relation.offset_at(at);
        // The exchanges' own reckoning rounds a microsecond away at most.
        prop_assert!(found.offset_ns.abs_diff(offset) <= found.error_ns + 1_000, "{:?} {}", found, offset);
        let there = relation.toward_far(at, delay + offset);
        prop_assert!(there.delay_ns.abs_diff(delay) <= there.error_ns + 1_000);
        let back = relation.toward_near(at, delay - offset);
        prop_assert!(back.delay_ns.abs_diff(delay) <= back.error_ns + 1_000);
    }

    #[test]
    fn absurd_exchanges_do_not_panic(
        given in prop::collection::vec(any::<(i64, i64, i64, i64, i64)>(), 0..20),
        ratio in any::<f64>(), error in any::<f64>(), at: i64, delay: i64,
    ) {
        let exchanges: Vec<_> = given.into_iter().map(|(at_ns, t1, t2, t3, t4)| TimedEstimate {
            at_ns,
            estimate: ExchangeTimes { near_sent: t1, far_received: t2, far_sent: t3, near_received: t4 }.estimate(),
        }).collect();
        if let Ok(Some(relation)) = ClockRelation::of(&exchanges, Drift { ratio, error }) {
            let _ = (relation.toward_far(at, delay), relation.toward_near(at, delay));
        }
    }
}
