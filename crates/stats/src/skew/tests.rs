use proptest::prelude::*;

use super::*;

const S: i64 = 1_000_000_000;

/// One delay a second, given in tenths of a millisecond.
fn one_a_second(tenths: &[i64]) -> Vec<TimedDelay> {
    (0..)
        .zip(tenths)
        .map(|(i, tenth)| TimedDelay { at_ns: i * S, delay_ns: tenth * 100_000 })
        .collect()
}

const CLEAN: [i64; 10] = [250, 281, 262, 253, 304, 275, 256, 297, 268, 259];
const NEVER_EMPTY: [i64; 10] = [290, 271, 262, 283, 314, 260, 276, 267, 308, 289];

/// Delays made with a skew of 100 ppm over a floor of 25 ms. The line is also what `scipy.optimize.linprog` finds for
/// the linear program of Moon, Skelly and Towsley; least squares gives 0.0878788 ms/s and 26.654545 ms.
#[test]
fn a_supported_skew_is_found_exactly() {
    let skew = clock_skew(&one_a_second(&CLEAN), 1000).unwrap();
    assert!((skew.parts_per_million() - 100.0).abs() < 1e-9, "{skew:?}");
    assert!((skew.floor_ns - 25e6).abs() < 1e-3, "{skew:?}");
    assert_eq!((skew.touching, skew.support_ns, skew.span_ns), (4, 9_000_000_000, 9_000_000_000));
    assert_eq!(skew.confidence, SkewConfidence::Supported);
}

/// Few delays and no empty queue: `linprog` agrees with the line from (2, 26.2) to (5, 26.0), least squares gives
/// +0.1212121 and 27.654545. Nothing says that either is right, and the confidence says so.
#[test]
fn a_skew_that_two_delays_carry_is_weak() {
    let skew = clock_skew(&one_a_second(&NEVER_EMPTY), 1000).unwrap();
    assert!((skew.ratio * 1e3 - -0.066_666_7).abs() < 5e-8, "{skew:?}");
    assert!((skew.floor_ns / 1e6 - 26.333_333).abs() < 5e-7, "{skew:?}");
    assert_eq!((skew.touching, skew.support_ns), (2, 3_000_000_000));
    assert_eq!(skew.confidence, SkewConfidence::Weak);
}

/// The corners of the second example's lower hull: (0, 29) (1, 27.1) (2, 26.2) (5, 26.0) (7, 26.7) (9, 28.9).
#[test]
fn the_hull_has_these_corners() {
    let points: Vec<Point> =
        (0..).zip(NEVER_EMPTY).map(|(x, y)| Point { x, y: y.into() }).collect();
    let corners: Vec<_> = lower_hull(&points).iter().map(|corner| (corner.x, corner.y)).collect();
    assert_eq!(corners, [(0, 290), (1, 271), (2, 262), (5, 260), (7, 267), (9, 289)]);
}

/// RFC 2330 has 100 ppm over 64 s make 6.4 ms of false delay; with the skew removed nothing of it is left.
#[test]
fn removal_leaves_the_queue_alone() {
    let delays: Vec<TimedDelay> = (0..=64)
        .map(|s| TimedDelay { at_ns: s * S, delay_ns: 5_000_000 + s * 100_000 + (s % 3) * 700 })
        .collect();
    assert_eq!(delays[63].delay_ns - delays[0].delay_ns, 6_300_000);
    let skew = clock_skew(&delays, 1000).unwrap();
    for (s, delay) in (0..).zip(&delays) {
        assert!((skew.removed(*delay) - 5_000_000 - (s % 3) * 700).abs() <= 1, "second {s}");
    }
}

/// Four delays on one line within 3 s say little about the 12 s around them.
#[test]
fn a_skew_that_rests_on_a_short_time_is_weak() {
    let middle = [250, 300, 290, 310, 251, 252, 253, 254, 304, 305, 306, 307, 308];
    let skew = clock_skew(&one_a_second(&middle), 1000).unwrap();
    assert_eq!((skew.touching, skew.confidence), (4, SkewConfidence::Weak), "{skew:?}");
    assert!(skew.support_ns * 2 < skew.span_ns, "{skew:?}");
}

#[test]
fn one_time_has_no_skew() {
    assert_eq!(clock_skew(&[], 0), None);
    let same = TimedDelay { at_ns: 5, delay_ns: 7 };
    assert_eq!(clock_skew(&[same, same, TimedDelay { at_ns: 5, delay_ns: 9 }], 0), None);
}

#[test]
fn least_delays_keep_what_the_line_rests_on() {
    let mut least = LeastDelays::new();
    for i in 0..60_000_i64 {
        // A millisecond apart; every hundredth meets an empty queue; 40 ppm.
        let queue = if i % 100 == 0 { 0 } else { 200_000 + (i * 7919) % 3_000_000 };
        least.accept(TimedDelay { at_ns: i * 1_000_000, delay_ns: 9_000_000 + i * 40 + queue });
    }
    least.accept(TimedDelay { at_ns: -1, delay_ns: 0 });
    assert_eq!(least.too_early(), 1);
    let kept = least.delays();
    assert!(kept.len() <= SLOTS, "{}", kept.len());
    let skew = clock_skew(&kept, 1000).unwrap();
    assert!((skew.parts_per_million() - 40.0).abs() < 1e-6, "{skew:?}");
    assert_eq!(skew.confidence, SkewConfidence::Supported);
}

proptest! {
    /// The linear program by its definition: of all lines through two of the points with none below, none lies nearer.
    #[test]
    fn no_line_under_all_delays_lies_nearer(
        points in prop::collection::vec((0_i64..50, 0_i64..1000), 2..12),
    ) {
        let delays: Vec<TimedDelay> =
            points.iter().map(|(at_ns, delay_ns)| TimedDelay { at_ns: *at_ns, delay_ns: *delay_ns }).collect();
        let Some(skew) = clock_skew(&delays, 0) else {
            prop_assert!(points.iter().all(|point| point.0 == points[0].0));
            return Ok(());
        };
        let height = |ratio: f64, at: (i64, i64), p: &(i64, i64)| {
            p.1 as f64 - (at.1 as f64 + ratio * (p.0 - at.0) as f64)
        };
        let origin = (skew.from_ns, 0);
        let ours: Vec<f64> = points.iter().map(|p| height(skew.ratio, origin, p) - skew.floor_ns).collect();
        prop_assert!(ours.iter().all(|above| *above >= -1e-6), "{:?}", ours);
        let ours: f64 = ours.iter().sum();
        for a in &points {
            for b in points.iter().filter(|b| b.0 != a.0) {
                let ratio = (b.1 - a.1) as f64 / (b.0 - a.0) as f64;
                let heights: Vec<f64> = points.iter().map(|p| height(ratio, *a, p)).collect();
                if heights.iter().all(|above| *above >= -1e-9) {
                    prop_assert!(ours <= heights.iter().sum::<f64>() + 1e-6);
                }
            }
        }
    }

    #[test]
    fn absurd_delays_neither_panic_nor_diverge(
        points in prop::collection::vec(any::<(i64, i64)>(), 0..40), tolerance: u64,
    ) {
        let mut least = LeastDelays::new();
        let delays: Vec<TimedDelay> =
            points.iter().map(|(at_ns, delay_ns)| TimedDelay { at_ns: *at_ns, delay_ns: *delay_ns }).collect();
        for delay in &delays {
            least.accept(*delay);
        }
        for given in [&delays, &least.delays()] {
            if let Some(skew) = clock_skew(given, tolerance) {
                prop_assert!(skew.ratio.is_finite() && skew.floor_ns.is_finite());
                prop_assert!(skew.touching >= 2 || tolerance < 1_000_000);
                for delay in given {
                    let _ = skew.removed(*delay);
                }
            }
        }
    }
}
