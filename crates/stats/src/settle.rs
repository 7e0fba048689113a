//! Where a run has become steady, so that what came before can be cut away.
//!
//! The rule is common practice; no published source is known to us. It compares the rates right after a candidate
//! with the rate of the part that would be kept in any case: if the next second as a whole and its leading edge both
//! run at that rate, the start-up is over. The second alone would let a fifth of a second of ramp pass inside its
//! band, and the edge alone would accept a rate that is only passing through on its way up or down.

use crate::{Series, median};

/// The time after a candidate that must run at the kept rate as a whole, in milliseconds: the second in which the
/// spread of rates is reported too.
pub const STEADY_MS: u64 = 1000;

/// How far the rate of that second may lie from the kept rate, as a share of it: by judgement, wide enough that the
/// sawtooth of TCP does not hold the start back, narrow enough that a doubling rate cannot pass for a steady one.
pub const STEADY_BAND: f64 = 0.1;

/// The leading edge of that second that must run at the kept rate by itself, in milliseconds: several round trips of
/// a usual path, and at 1 Mbit/s still 16 full packets.
pub const EDGE_MS: u64 = 200;

/// How far the rate of the leading edge may lie from the kept rate, as a share of it. The edge can then hide at most
/// 20 ms of silence, a sixth of a percent of a plateau of 12 s.
pub const EDGE_BAND: f64 = 0.1;

/// The milliseconds to cut away at the start: the first step from which the rate is steady, at most `max_settle_ms`
/// and at most what leaves `wanted_plateau_ms` inside the series.
///
/// Both limits are rounded down to whole steps. When no step satisfies the rule the limit itself is returned, as it
/// is when the kept part carries nothing; zero for a series without steps.
pub fn settle_auto(series: &Series, wanted_plateau_ms: u64, max_settle_ms: u64) -> u64 {
    let step_ms = u64::from(series.step_ms);
    let longest = series.covered_ms().saturating_sub(wanted_plateau_ms).min(max_settle_ms);
    let Some(limit) = longest.checked_div(step_ms).and_then(|steps| usize::try_from(steps).ok())
    else {
        return 0;
    };
    let steps_of = |ms: u64| usize::try_from((ms / step_ms).max(1)).unwrap_or(usize::MAX);
    let (second, edge) = (steps_of(STEADY_MS), steps_of(EDGE_MS));
    let kept = series.bytes.get(limit..).and_then(|kept| kept_rate(kept, second));
    let steady = |start: usize| {
        let kept = kept?;
        let within = |length: usize, band: f64| {
            let rate = mean(series.bytes.get(start..start.checked_add(length)?)?);
            Some((rate - kept).abs() <= band * kept)
        };
        Some(within(second, STEADY_BAND)? && within(edge, EDGE_BAND)?)
    };
    let settled = (0..limit).find(|start| steady(*start) == Some(true)).unwrap_or(limit);
    settled as u64 * step_ms
}

/// The usual rate of the part that is kept, in bytes per step: the median of its whole seconds, so that one stalled
/// second does not move it; the mean when it is shorter than a second.
fn kept_rate(kept: &[u64], second: usize) -> Option<f64> {
    let seconds: Vec<f64> = kept.chunks_exact(second).map(mean).collect();
    median(&seconds).or_else(|| (!kept.is_empty()).then(|| mean(kept))).filter(|rate| *rate > 0.0)
}

fn mean(steps: &[u64]) -> f64 {
    steps.iter().map(|bytes| *bytes as f64).sum::<f64>() / steps.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP_MS: u32 = 10;

    fn series(steps: usize, rate: impl Fn(usize) -> u64) -> Series {
        Series { step_ms: STEP_MS, bytes: (0..steps).map(rate).collect() }
    }

    #[test]
    fn a_steady_run_settles_at_once() {
        assert_eq!(settle_auto(&series(1500, |_| 1000), 12_000, 3000), 0);
    }

    #[test]
    fn a_slow_start_is_cut_away() {
        // The rate doubles every 100 ms and reaches its height after 800 ms.
        let run = series(1500, |step| 256_000_u64 >> (8_usize.saturating_sub(step / 10)));
        let settled = settle_auto(&run, 12_000, 3000);
        assert!((760..=800).contains(&settled), "{settled}");
        assert!(settled.is_multiple_of(10));
    }

    #[test]
    fn a_burst_above_the_rate_is_cut_away() {
        // A token bucket lets the first 500 ms pass at four times the rate.
        let settled =
            settle_auto(&series(1500, |step| if step < 50 { 400 } else { 100 }), 9000, 3000);
        assert!((490..=500).contains(&settled), "{settled}");
    }

    #[test]
    fn passing_through_the_rate_is_not_being_steady() {
        // Overshoot to twice the rate until 600 ms, a dip to nothing until 1200 ms, steady from then on.
        let run = series(1500, |step| match step {
            0..60 => 200,
            60..120 => 0,
            _ => 100,
        });
        let settled = settle_auto(&run, 9000, 3000);
        assert!((1180..=1200).contains(&settled), "{settled}");
    }

    #[test]
    fn the_limits_hold_when_the_rate_never_settles() {
        let restless = series(1500, |step| if (step / 100).is_multiple_of(2) { 0 } else { 1000 });
        assert_eq!(settle_auto(&restless, 12_000, 2000), 2000);
        assert_eq!(settle_auto(&restless, 14_000, 2000), 1000);
        assert_eq!(settle_auto(&restless, 60_000, 2000), 0);
        assert_eq!(settle_auto(&series(1500, |_| 0), 12_000, 2000), 2000);
    }

    #[test]
    fn senseless_input_gives_a_number() {
        assert_eq!(settle_auto(&Series { step_ms: 0, bytes: vec![1] }, 10, 10), 0);
        assert_eq!(settle_auto(&Series { step_ms: 10, bytes: Vec::new() }, 10, u64::MAX), 0);
        let huge = Series { step_ms: u32::MAX, bytes: vec![u64::MAX; 3] };
        assert_eq!(settle_auto(&huge, 0, u64::MAX), 3 * u64::from(u32::MAX));
    }

    proptest::proptest! {
        #[test]
        fn never_beyond_its_limits(
            bytes in proptest::collection::vec(0_u64..10_000, 0..300),
            step_ms in 1_u32..500,
            wanted in 0_u64..20_000,
            longest in 0_u64..5_000,
        ) {
            let run = Series { step_ms, bytes };
            let settled = settle_auto(&run, wanted, longest);
            proptest::prop_assert!(settled <= longest);
            proptest::prop_assert!(settled.is_multiple_of(u64::from(step_ms)));
            proptest::prop_assert!(settled == 0 || settled + wanted <= run.covered_ms());
        }
    }
}
