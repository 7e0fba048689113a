//! The clocks of Linux (`clock_gettime(2)`), and sleeping on them to the nanosecond.

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

/// Lets the system wake the calling thread at most so much late in order to save power; Linux defaults to 50 µs.
///
/// The least is one nanosecond: zero would mean the default (prctl(2)). Does nothing where there is no such setting.
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
    use super::*;

    #[test]
    fn the_slack_is_what_was_asked_and_never_zero() {
        for asked in [Duration::from_nanos(1), Duration::ZERO] {
            set_timer_slack(asked).unwrap();
            assert_eq!(prctl::get_timerslack().unwrap(), 1);
        }
    }
}
