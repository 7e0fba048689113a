//! The clocks of any system, as the standard library offers them.

use std::{
    io,
    sync::LazyLock,
    thread,
    time::{Duration, Instant, SystemTime, UNIX_EPOCH},
};

/// Now on the monotonic clock: steered to the right rate, never set.
pub fn monotonic_ns() -> u64 {
    nanoseconds(BEGAN.elapsed())
}

/// Now on the realtime clock; it may be set at any time.
pub fn realtime_ns() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_nanos()).unwrap_or(i64::MAX)
}

/// Sleeps until `deadline_ns` of the monotonic clock; returns at once when it has passed.
#[expect(clippy::unnecessary_wraps, reason = "a system's own sleep may fail")]
pub fn sleep_until(deadline_ns: u64) -> io::Result<()> {
    while let Some(left) = deadline_ns.checked_sub(monotonic_ns()).filter(|left| *left > 0) {
        thread::sleep(Duration::from_nanos(left));
    }
    Ok(())
}

/// Does nothing: there is no such setting.
#[expect(clippy::unnecessary_wraps, reason = "a system that has the setting may refuse it")]
pub fn set_timer_slack(_: Duration) -> io::Result<()> {
    Ok(())
}

/// An hour before the first look, so that an instant a while earlier can be told too.
static BEGAN: LazyLock<Instant> = LazyLock::new(|| {
    let now = Instant::now();
    now.checked_sub(Duration::from_hours(1)).unwrap_or(now)
});

fn nanoseconds(duration: Duration) -> u64 {
    u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_clocks_advance_with_the_standard_ones_and_sleeping_never_ends_early() {
        set_timer_slack(Duration::ZERO).unwrap();
        let (began, realtime, monotonic) = (Instant::now(), realtime_ns(), monotonic_ns());
        sleep_until(monotonic + 20_000_000).unwrap();
        sleep_until(0).unwrap();
        assert!(monotonic_ns() - monotonic >= 20_000_000);
        let elapsed = nanoseconds(began.elapsed());
        assert!((20_000_000..20_000_000_000).contains(&elapsed), "{elapsed}");
        let system = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
        assert!(realtime >= 0 && u128::from(realtime.unsigned_abs()) <= system.as_nanos());
    }
}
