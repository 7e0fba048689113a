//! The two clocks, how they relate, and sleeping until an instant.
//!
//! Instants are nanoseconds: of the monotonic clock since some start of its own (`u64`), of the realtime clock since
//! the Unix epoch (`i64`).

#[cfg(test)]
#[cfg(target_os = "linux")]
#[allow(unreachable_pub, reason = "public where it is the system's own")]
mod portable;
#[cfg_attr(target_os = "linux", path = "clock/linux.rs")]
#[cfg_attr(not(target_os = "linux"), path = "clock/portable.rs")]
mod system;

pub use system::{monotonic_ns, realtime_ns, set_timer_slack, sleep_until};

/// How far the realtime clock was ahead of the monotonic clock when sampled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockPair {
    /// Realtime minus monotonic, in nanoseconds.
    pub realtime_minus_monotonic_ns: i64,
    /// The true difference lies at most this far from it.
    pub error_ns: u64,
}

impl ClockPair {
    /// Reads realtime between two readings of monotonic, several times, and keeps the closest pair.
    pub fn sample() -> Self {
        let mut best = Self::bracket();
        for _ in 1..ATTEMPTS {
            let next = Self::bracket();
            if next.error_ns < best.error_ns {
                best = next;
            }
        }
        best
    }

    /// One pair that took three readings; where something came in between, as close a one as [`Self::sample`] gives.
    pub fn sample_quickly() -> Self {
        let one = Self::bracket();
        if one.error_ns <= CLOSE_ENOUGH_NS { one } else { Self::sample() }
    }

    /// The monotonic instant of a realtime one; `None` before the monotonic clock began.
    #[inline]
    pub fn to_monotonic_ns(self, realtime_ns: i64) -> Option<u64> {
        u64::try_from(realtime_ns.checked_sub(self.realtime_minus_monotonic_ns)?).ok()
    }

    fn bracket() -> Self {
        let before = monotonic_ns();
        let realtime = realtime_ns();
        let after = monotonic_ns();
        let half = (after - before) / 2;
        let middle = i64::try_from(before + half).unwrap_or(i64::MAX);
        Self {
            realtime_minus_monotonic_ns: realtime.saturating_sub(middle),
            error_ns: after - before - half,
        }
    }
}

const ATTEMPTS: u32 = 8;
/// Three readings without an interruption take well under a microsecond.
const CLOSE_ENOUGH_NS: u64 = 500;

#[cfg(test)]
mod tests {
    use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

    use super::*;

    #[test]
    fn realtime_is_the_system_time() {
        let before = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_nanos();
        let ours = u128::try_from(realtime_ns()).unwrap();
        let after = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().as_nanos();
        assert!((before..=after).contains(&ours), "{before} <= {ours} <= {after}");
    }

    #[test]
    fn monotonic_advances_with_the_standard_clock() {
        let (outer, ours) = (Instant::now(), monotonic_ns());
        std::thread::sleep(Duration::from_millis(20));
        let inner_elapsed = monotonic_ns() - ours;
        let outer_elapsed = outer.elapsed();
        assert!(inner_elapsed >= 20_000_000, "{inner_elapsed}");
        assert!(u128::from(inner_elapsed) <= outer_elapsed.as_nanos());
    }

    #[test]
    fn a_pair_turns_realtime_into_monotonic_within_its_error() {
        let pair = ClockPair::sample();
        assert!(pair.error_ns < 1_000_000, "{pair:?}");
        let before = monotonic_ns();
        let converted = pair.to_monotonic_ns(realtime_ns()).unwrap();
        let after = monotonic_ns();
        // Besides the error itself the two clocks are steered alike, so nothing else may come in between.
        assert!(converted + pair.error_ns >= before && converted <= after + pair.error_ns);
        assert_eq!(pair.to_monotonic_ns(0), None);
        assert_eq!(pair.to_monotonic_ns(i64::MIN), None);
    }

    #[test]
    fn sleeping_never_ends_early() {
        set_timer_slack(Duration::from_nanos(1)).unwrap();
        let deadline = monotonic_ns() + 5_000_000;
        sleep_until(deadline).unwrap();
        assert!(monotonic_ns() >= deadline);
        let begun = Instant::now();
        sleep_until(deadline).unwrap();
        sleep_until(0).unwrap();
        assert!(begun.elapsed() < Duration::from_secs(1));
    }
}
