//! The search over paths whose capacity is known.

use proptest::prelude::*;

use super::super::*;
use super::path::Path;

fn both() -> [CapacityParameters; 2] {
    [CapacityParameters::default(), CapacityParameters::faster()]
}

fn off(found: BitRate, truth: f64) -> f64 {
    (found.bits_per_second() as f64 - truth).abs() / truth
}

#[test]
fn a_line_with_a_queue_is_found_within_a_percent() {
    for parameters in both() {
        for (megabits, queue_ms, one_way) in [
            (3.3, 200.0, 20),
            (20.0, 50.0, 5),
            (94.5, 120.0, 10),
            (250.0, 30.0, 2),
            (480.0, 10.0, 40),
        ] {
            let path = Path::line(megabits, queue_ms, one_way);
            let ramp = parameters.ramp;
            if ramp == Ramp::TenRows && megabits < 10.0 {
                continue; // A row of the RFC's table is a third of that.
            }
            let outcome = path.run(parameters.clone());
            // Ten errors in a report of a slow path are many, yet no more than the RFC lets pass: then no sub-interval
            // of the search keeps the bound of loss.
            if let Some(maximum) = outcome.maximum {
                assert!(off(maximum.rate_bps, path.rate) < 0.01, "{ramp:?} {path:?} {outcome:?}");
            } else {
                assert!(megabits < 100.0 && ramp == Ramp::TenRows, "{ramp:?} {path:?} {outcome:?}");
            }
            let sustained = outcome.sustained().expect("a verified one");
            assert!(off(sustained, path.rate) < 0.01, "{ramp:?} {path:?} {outcome:?}");
            assert_eq!(
                (outcome.end, outcome.held),
                (CapacityEnd::Complete, None),
                "{ramp:?} {path:?}"
            );
            assert!(outcome.congestion_seen);
        }
    }
}

/// RFC 9097 6.5 and 8.2: a limiter's burst is no capacity. The verification finds it out.
#[test]
fn a_limiter_with_a_burst_is_found_within_a_percent() {
    for parameters in both() {
        for (megabits, bucket_ms) in [(10.0, 20.0), (50.0, 300.0), (100.0, 1500.0), (300.0, 50.0)] {
            let path = Path::limiter(megabits, bucket_ms, 8);
            let outcome = path.run(parameters.clone());
            let sustained = outcome.sustained().expect("a verified one");
            assert!(off(sustained, path.rate) < 0.01, "{:?} {path:?} {outcome:?}", parameters.ramp);
            let verified = outcome.verified().unwrap();
            assert!(verified.loss_ratio.unwrap().get() <= 1e-3, "{outcome:?}");
        }
    }
}

/// Doubling needs a fraction of the ten seconds and of the volume.
#[test]
fn doubling_moves_less() {
    let [rfc, faster] = both().map(|parameters| Path::line(250.0, 40.0, 10).run(parameters));
    assert!(faster.sub_intervals.len() < rfc.sub_intervals.len(), "{faster:?}");
    assert!(faster.sent_bytes * 2 < rfc.sent_bytes, "{} {}", faster.sent_bytes, rfc.sent_bytes);
}

#[test]
fn a_cap_holds_and_is_named() {
    for base in both() {
        let parameters = CapacityParameters {
            rate_cap_bps: Some(BitRate::from_bits_per_second(20_500_000)),
            ..base
        };
        let most = parameters.most_bytes().unwrap().get();
        let outcome = Path::line(94.0, 50.0, 10).run(parameters);
        assert_eq!(outcome.held, Some(Held::RateCap));
        assert!(!outcome.congestion_seen, "so the maximum is probably too low");
        assert!(off(outcome.maximum.unwrap().rate_bps, 20e6) < 0.01, "{outcome:?}");
        assert!(outcome.sent_bytes <= most);
    }
    let tiny = CapacityParameters {
        rate_cap_bps: Some(BitRate::from_bits_per_second(100_000)),
        ..CapacityParameters::default()
    };
    let outcome = Path::line(94.0, 50.0, 10).run(tiny);
    assert!(outcome.maximum.unwrap().rate_bps.bits_per_second() <= 101_000, "{outcome:?}");
}

#[test]
fn a_weak_transmitter_is_named() {
    let weak = Path { transmitter: 60e6, ..Path::line(500.0, 50.0, 10) };
    for parameters in both() {
        let outcome = weak.run(parameters);
        assert_eq!(outcome.held, Some(Held::Transmitter), "{outcome:?}");
        assert!(off(outcome.maximum.unwrap().rate_bps, 60e6) < 0.01);
    }
}

#[test]
fn lost_reports_do_not_spoil_the_result() {
    let path = Path { report_lost: 5, ..Path::line(94.5, 120.0, 10) };
    for parameters in both() {
        let outcome = path.run(parameters);
        assert!(off(outcome.sustained().unwrap(), path.rate) < 0.01, "{outcome:?}");
    }
}

#[test]
fn a_path_that_dies_leaves_a_marked_part() {
    for parameters in both() {
        let outcome = Path { dies_ms: 2_600, ..Path::line(40.0, 50.0, 10) }.run(parameters);
        assert_eq!(outcome.end, CapacityEnd::PeerSilent);
        assert_eq!(outcome.verified(), None);
        assert_eq!(outcome.sub_intervals.len(), 2, "{outcome:?}");
    }
}

#[test]
fn a_budget_is_never_exceeded() {
    for base in both() {
        for budget in [0, 1_000, 3_000_000, 20_000_000, 120_000_000] {
            let parameters =
                CapacityParameters { byte_budget: Some(Bytes::new(budget)), ..base.clone() };
            let outcome = Path::line(94.5, 50.0, 10).run(parameters);
            assert!(outcome.sent_bytes <= budget, "{budget}: {}", outcome.sent_bytes);
            if budget <= 3_000_000 {
                assert_eq!(
                    (outcome.end, outcome.verified()),
                    (CapacityEnd::Budget, None),
                    "{budget}"
                );
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Ten rows at a time from 20 Mbit/s on; below, a row is too large a step.
    #[test]
    fn any_line_is_found_within_a_percent(
        megabits in 20.0_f64..900.0, queue_ms in 10.0_f64..250.0, one_way in 1_u64..60, doubling: bool,
    ) {
        let path = Path::line(megabits, queue_ms, one_way);
        let outcome = path.run(both()[usize::from(doubling)].clone());
        if let Some(maximum) = outcome.maximum {
            prop_assert!(maximum.rate_bps.bits_per_second() as f64 <= path.rate * 1.01, "{:?} {:?}", path, outcome);
        }
        prop_assert!(outcome.sustained().is_some_and(|rate| off(rate, path.rate) < 0.01), "{:?} {:?}", path, outcome);
    }

    #[test]
    fn doubling_finds_slow_lines_too(
        megabits in 2.0_f64..20.0, queue_ms in 50.0_f64..250.0, one_way in 1_u64..60,
    ) {
        let path = Path::line(megabits, queue_ms, one_way);
        let outcome = path.run(CapacityParameters::faster());
        // A sub-interval counts whole packets of 10 000 bits.
        let bound = 0.01 + 10_000.0 / path.rate;
        prop_assert!(outcome.sustained().is_some_and(|rate| off(rate, path.rate) < bound), "{:?} {:?}", path, outcome);
    }

    #[test]
    fn any_limiter_is_found(megabits in 5.0_f64..500.0, bucket_ms in 10.0_f64..1500.0, one_way in 1_u64..60, doubling: bool) {
        let path = Path::limiter(megabits, bucket_ms, one_way);
        let outcome = path.run(both()[usize::from(doubling)].clone());
        prop_assert!(outcome.sustained().is_some_and(|rate| off(rate, path.rate) < 0.01), "{:?} {:?}", path, outcome);
    }
}
