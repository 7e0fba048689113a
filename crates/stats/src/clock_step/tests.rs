use proptest::prelude::*;

use super::*;

const MS: i64 = 1_000_000;
const S: i64 = 1_000_000_000;

#[test]
fn a_jump_of_the_realtime_clock_is_seen_and_a_slew_is_not() {
    let mut watch = StepWatch::new(50_000);
    let slewed = |s: i64| 1_700_000_000 * S + s * S + s * 400_000;
    assert!((0..10).all(|s| watch.accept(slewed(s), s * S).is_none()));
    assert_eq!((watch.steps(), watch.first()), (0, None));
    let step = watch.accept(slewed(10) - 30 * MS, 10 * S).unwrap();
    assert_eq!(step, HostStep { at_ns: 10 * S, by_ns: -30 * MS + 400_000 });
    assert_eq!(watch.accept(slewed(11) - 30 * MS, 11 * S), None);
    assert_eq!((watch.steps(), watch.first()), (1, Some(step)));
}

/// Delays of one direction every 10 ms for 20 s; at 12 s a clock is stepped. Every seventh meets an empty queue.
fn stepped(sign: i64, step: i64) -> Vec<TimedDelay> {
    (0..2000_i64)
        .map(|i| {
            let queue = if i % 7 == 0 { 0 } else { (i * 7919) % 5_000 * 1_000 };
            let by_clock = if i >= 1200 { sign * step } else { 0 };
            TimedDelay { at_ns: i * 10 * MS, delay_ns: 20 * MS + queue + by_clock }
        })
        .collect()
}

#[test]
fn a_step_breaks_both_directions_oppositely() {
    let (there, back) = (stepped(1, 8 * MS), stepped(-1, 8 * MS));
    let there = largest_shift(&there, 2_000_000_000).unwrap();
    let back = largest_shift(&back, 2_000_000_000).unwrap();
    // The least delay after a fall is seen at once; after a rise only when no earlier one is left.
    assert_eq!((there.by_ns, back.by_ns), (8 * MS, -8 * MS));
    assert_eq!(there.at_ns, 12 * S);
    assert!(back.at_ns.abs_diff(12 * S) <= 2_000_000_000, "{back:?}");
    assert_eq!(opposite_shifts(there, back, 4_000_000_000, 1_000_000), Some(8 * MS));
}

#[test]
fn a_new_route_is_no_step() {
    let (longer, same) = (stepped(1, 8 * MS), stepped(1, 0));
    let longer = largest_shift(&longer, 2_000_000_000).unwrap();
    let same = largest_shift(&same, 2_000_000_000).unwrap();
    assert_eq!(opposite_shifts(longer, same, u64::MAX, 1_000_000), None);
    assert_eq!(opposite_shifts(longer, longer, u64::MAX, 1_000_000), None);
}

#[test]
fn a_short_stream_has_no_shift() {
    assert_eq!(largest_shift(&[], 10), None);
    assert_eq!(largest_shift(&stepped(1, MS)[..100], 2_000_000_000), None);
}

proptest! {
    #[test]
    fn absurd_times_do_not_panic(
        mut points in prop::collection::vec(any::<(i64, i64)>(), 0..30), window: u64, tolerance: u64,
    ) {
        let mut watch = StepWatch::new(tolerance);
        for (realtime, monotonic) in &points {
            let _ = watch.accept(*realtime, *monotonic);
        }
        for sorted in [false, true] {
            let delays: Vec<TimedDelay> =
                points.iter().map(|(at_ns, delay_ns)| TimedDelay { at_ns: *at_ns, delay_ns: *delay_ns }).collect();
            if let Some(shift) = largest_shift(&delays, window) {
                let _ = opposite_shifts(shift, shift, window, tolerance);
            }
            if !sorted {
                points.sort_unstable();
            }
        }
    }
}
