use proptest::prelude::*;

use super::*;

const MS: i64 = 1_000_000;

/// RFC 5481 4.4, Figure 1: delays and both variations in milliseconds.
const DELAYS: [i64; 5] = [20, 10, 20, 25, 20];

fn over(delays: impl IntoIterator<Item = (u64, i64)>) -> DelayVariation {
    let mut variation = DelayVariation::new();
    for (sequence, nanos) in delays {
        variation.accept(sequence, nanos);
    }
    variation
}

/// RFC 5481 4.4: IPDV undefined, −10, 10, 5, −5; range 20.
#[test]
fn rfc_5481_ipdv() {
    let ipdv = over((0..).zip(DELAYS.map(|delay| delay * MS))).ipdv().unwrap();
    assert_eq!((ipdv.n, ipdv.min, ipdv.p99, ipdv.max), (4, -10_000, 10_000, 10_000));
    // Between −5 and 5 ms the lower one has half the values at or below it; it is the highest of its step.
    assert!((-5_000..=-4_995).contains(&ipdv.p50), "{}", ipdv.p50);
    assert_eq!(ipdv.max - ipdv.min, 20_000);
}

/// RFC 5481 4.4: PDV 10, 0, 10, 15, 10; range 15.
#[test]
fn rfc_5481_pdv() {
    let pdv = over((0..).zip(DELAYS.map(|delay| delay * MS))).pdv().unwrap();
    assert_eq!(
        pdv,
        Percentiles { n: 5, min: 0, p50: 10_000, p95: 15_000, p99: 15_000, max: 15_000 }
    );
}

/// RFC 5481 4.4: the mean of the four IPDV is 0; their sample deviation follows by hand.
#[test]
fn rfc_5481_ipdv_moments() {
    let moments: crate::Moments =
        DELAYS.windows(2).map(|pair| (pair[1] - pair[0]) as f64).collect();
    assert_eq!(moments.mean(), Some(0.0));
    assert!((moments.standard_deviation().unwrap() - 9.1287).abs() < 5e-5);
}

/// RFC 4737 7.1 prints the IPDV by sequence number of an arrival order with one reordered packet: −82 for packet 5
/// and 82 for packet 4, the others 0.
#[test]
fn rfc_4737_ipdv_follows_sequence_numbers() {
    let arrivals = [1, 2, 3, 5, 6, 7, 8, 4, 9, 10].map(|s| (s, if s == 4 { 150 } else { 68 } * MS));
    let ipdv = over(arrivals).ipdv().unwrap();
    assert_eq!((ipdv.n, ipdv.min, ipdv.p50, ipdv.max), (9, -82_000, 0, 82_000));
}

/// RFC 3393 4.1: a pair with a lost member is no pair.
#[test]
fn pairs_with_a_lost_member_are_dropped() {
    let alternate = over((0..100).map(|i| (i * 2, MS)));
    assert_eq!(alternate.ipdv(), None);
    assert_eq!(alternate.pdv().map(|pdv| pdv.n), Some(100));
    let gap = over([(0, 0), (1, MS), (3, 9 * MS), (4, 9 * MS)]).ipdv().unwrap();
    assert_eq!((gap.n, gap.min, gap.max), (2, 0, 1000));
}

#[test]
fn neighbours_too_far_apart_in_arrival_are_dropped() {
    let late = over([(0, 0), (2, 0), (2 + PAIRING_WINDOW, 0), (1, 0)]).ipdv().unwrap();
    assert_eq!(late.n, 1);
}

#[test]
fn any_constant_clock_difference_falls_out() {
    let here = over((0..).zip(DELAYS.map(|delay| delay * MS)));
    for difference in [-3_600_000_000 * MS, i64::MAX - 25 * MS] {
        let there = over((0..).zip(DELAYS.map(|delay| delay * MS + difference)));
        assert_eq!((there.ipdv(), there.pdv()), (here.ipdv(), here.pdv()));
    }
}

#[test]
fn differences_are_rounded_to_the_nearest_microsecond() {
    for (nanos, micros) in [(499, 0), (500, 1), (1499, 1), (-499, 0), (-501, -1), (-1600, -2)] {
        assert_eq!(micros_between(0, nanos), micros, "{nanos}");
    }
}

#[test]
fn extreme_delays_saturate() {
    let variation = over([(0, i64::MIN), (1, i64::MAX), (u64::MAX, 0)]);
    assert_eq!(variation.ipdv().map(|ipdv| ipdv.max), Some(3_600_000_000));
    assert!(variation.pdv().is_some());
}

proptest! {
    #[test]
    fn pdv_agrees_with_the_exact_one(
        delays in prop::collection::vec(0_i64..200_000_000, 1..600),
        difference in -1_000_000_000_000_i64..1_000_000_000_000,
    ) {
        let found = over((0..).zip(delays.iter().map(|delay| delay + difference))).pdv().unwrap();
        let least = delays.iter().min().unwrap();
        let exact = Percentiles::of(delays.iter().map(|d| micros_between(*least, *d))).unwrap();
        prop_assert_eq!((found.n, found.min), (exact.n, 0));
        let variation = over((0..).zip(delays.iter().map(|delay| delay + difference)));
        prop_assert_eq!(variation.pdv_percentile(0.99), Some(found.p99));
        prop_assert_eq!(variation.pdv_percentile(1.0), Some(found.max));
        let reference = delays.iter().take(HELD + 1).min().unwrap();
        for (found, exact) in [
            (found.p50, exact.p50), (found.p95, exact.p95), (found.p99, exact.p99), (found.max, exact.max),
        ] {
            let distance = (exact + (least - reference) / 1000).abs();
            prop_assert!((found - exact).abs() <= 2 + distance / 1000, "{} {}", found, exact);
            if delays.len() <= HELD {
                prop_assert_eq!(found, exact);
            }
        }
    }

    #[test]
    fn ipdv_agrees_with_the_exact_one_in_any_near_order(
        delays in prop::collection::vec(0_i64..200_000_000, 2..200),
        swaps in prop::collection::vec((0_usize..200, 0_usize..200), 0..50),
        lost in prop::collection::hash_set(0_u64..200, 0..20),
    ) {
        let mut arrivals: Vec<(u64, i64)> = (0..).zip(delays).filter(|(s, _)| !lost.contains(s)).collect();
        let mut sent = arrivals.clone();
        sent.sort_unstable();
        let exact = Percentiles::of(sent.windows(2).filter(|pair| pair[1].0 == pair[0].0 + 1)
            .map(|pair| micros_between(pair[0].1, pair[1].1)));
        let count = arrivals.len().max(1);
        for (a, b) in swaps {
            if !arrivals.is_empty() {
                arrivals.swap(a % count, b % count);
            }
        }
        let found = over(arrivals).ipdv();
        prop_assert_eq!(found.map(|p| (p.n, p.min, p.max)), exact.map(|p| (p.n, p.min, p.max)));
        if let (Some(found), Some(exact)) = (found, exact) {
            prop_assert!((found.p50 - exact.p50).unsigned_abs() <= exact.p50.unsigned_abs() / 1000);
        }
    }
}
