//! The two clocks, how they relate, and sleeping until an instant.
//!
//! Instants are nanoseconds: of the monotonic clock since some start of its own (`u64`), of the realtime clock since
//! the Unix epoch (`i64`).

use std::{io, time::Duration};

use nix::{
    sys::{prctl, time::TimeSpec},
    time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep},
};

/// Now on the monotonic clock: steered to the right rate, never set.
pub fn monotonic_ns() -> u64 {
    u64::try_from(read(ClockId::CLOCK_MONOTONIC)).unwrap_or_default()
}

/// Now on the realtime clock, which stamps datagrams; it may be set at any time.
pub fn realtime_ns() -> i64 {
    read(ClockId::CLOCK_REALTIME)
}

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

    /// The monotonic instant of a realtime one; `None` before the monotonic clock began.
    pub fn to_monotonic_ns(self, realtime_ns: i64) -> Option<u64> {
        u64::try_from(realtime_ns.checked_sub(self.realtime_minus_monotonic_ns)?).ok()
    }

    fn bracket() -> Self {
        let before = read(ClockId::CLOCK_MONOTONIC);
        let realtime = read(ClockId::CLOCK_REALTIME);
        let after = read(ClockId::CLOCK_MONOTONIC);
        let half = (after - before).div_euclid(2);
        Self {
            realtime_minus_monotonic_ns: realtime - (before + half),
            error_ns: (after - before - half).unsigned_abs(),
        }
    }
}

const ATTEMPTS: u32 = 8;

/// Sleeps until `deadline_ns` of the monotonic clock; returns at once when it has passed.
pub fn sleep_until(deadline_ns: u64) -> io::Result<()> {
    let deadline = TimeSpec::from(Duration::from_nanos(deadline_ns));
    let flags = ClockNanosleepFlags::TIMER_ABSTIME;
    loop {
        match clock_nanosleep(ClockId::CLOCK_MONOTONIC, flags, &deadline) {
            Ok(_) => return Ok(()),
            Err(nix::Error::EINTR) => {}
            Err(error) => return Err(error.into()),
        }
    }
}

/// Lets the kernel wake the calling thread at most so much late in order to save power; Linux defaults to 50 µs.
///
/// The least is one nanosecond: zero would mean the default (prctl(2)).
pub fn set_timer_slack(slack: Duration) -> io::Result<()> {
    let nanoseconds = u64::try_from(slack.as_nanos()).unwrap_or(u64::MAX).max(1);
    Ok(prctl::set_timerslack(nanoseconds)?)
}

// Both clocks exist on every Linux, and neither reaches the ends of an i64 before the year 2262.
fn read(clock: ClockId) -> i64 {
    let time = clock_gettime(clock).unwrap_or(TimeSpec::new(0, 0));
    time.tv_sec().saturating_mul(1_000_000_000).saturating_add(time.tv_nsec())
}

#[cfg(test)]
mod tests {
    use std::time::{Instant, SystemTime, UNIX_EPOCH};

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
        assert_eq!(prctl::get_timerslack().unwrap(), 1);
        let deadline = monotonic_ns() + 5_000_000;
        sleep_until(deadline).unwrap();
        assert!(monotonic_ns() >= deadline);
        let begun = Instant::now();
        sleep_until(deadline).unwrap();
        sleep_until(0).unwrap();
        assert!(begun.elapsed() < Duration::from_secs(1));
    }
}
