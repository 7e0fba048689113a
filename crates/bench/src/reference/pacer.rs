//! Datagrams that leave one by one, each at its absolute time, with a sleep or by looking at the clock all the while.

use std::io;
use std::net::{Ipv4Addr, SocketAddr, UdpSocket};
use std::time::Duration;

use culvert_stats::percentile;
use nix::sys::{prctl, time::TimeSpec};
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};

use super::{Account, Waiting, random_bytes};

const STEP_NS: u64 = 100_000_000;

pub(super) fn pace(
    port: u16,
    how: Waiting,
    bytes: u16,
    bits_per_second: u64,
    length: Duration,
) -> io::Result<Account> {
    let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))?;
    socket.connect(SocketAddr::from((Ipv4Addr::LOCALHOST, port)))?;
    // The least there is; the default would wake a sleeper 50 us late (prctl(2)).
    prctl::set_timerslack(1)?;
    let schedule = Schedule { bits: u64::from(bytes) * 8, bits_per_second };
    let length_ns = u64::try_from(length.as_nanos()).unwrap_or(u64::MAX);
    let count = schedule.due_within(length_ns);
    let payload = random_bytes(usize::from(bytes));
    // Written once before, so that no page is missing on the way.
    let mut lateness = vec![u32::MAX; usize::try_from(count).unwrap_or_default()];
    let began = now_ns()?;
    for (number, late) in (0..).zip(&mut lateness) {
        let due = began + schedule.due_ns(number);
        let now = wait_until(due, how)?;
        *late = u32::try_from(now - due).unwrap_or(u32::MAX);
        // What the host's queue refuses is gone, as with any datagram.
        let _ = socket.send(&payload);
    }
    wait_until(began + schedule.due_ns(count), how)?;
    let whole_ns = now_ns()? - began;
    Ok(account(&schedule, u64::from(bytes), lateness, whole_ns, length_ns))
}

/// When datagrams are due: the rounding of one never adds to another's.
struct Schedule {
    bits: u64,
    bits_per_second: u64,
}

impl Schedule {
    fn due_ns(&self, number: u64) -> u64 {
        let numerator = u128::from(number) * u128::from(self.bits) * 1_000_000_000;
        u64::try_from(numerator / u128::from(self.bits_per_second.max(1))).unwrap_or(u64::MAX)
    }

    /// How many are due before `length_ns`.
    fn due_within(&self, length_ns: u64) -> u64 {
        let numerator = u128::from(self.bits_per_second) * u128::from(length_ns);
        let each = u128::from(self.bits.max(1)) * 1_000_000_000;
        u64::try_from(numerator.div_ceil(each)).unwrap_or(u64::MAX)
    }
}

/// Gives the first instant seen that is not before `due`.
fn wait_until(due: u64, how: Waiting) -> io::Result<u64> {
    loop {
        let now = now_ns()?;
        if now >= due {
            return Ok(now);
        }
        if how == Waiting::Sleep {
            let until = TimeSpec::from(Duration::from_nanos(due));
            clock_nanosleep(ClockId::CLOCK_MONOTONIC, ClockNanosleepFlags::TIMER_ABSTIME, &until)?;
        }
    }
}

fn now_ns() -> io::Result<u64> {
    let now = Duration::from(clock_gettime(ClockId::CLOCK_MONOTONIC)?);
    Ok(u64::try_from(now.as_nanos()).unwrap_or(u64::MAX))
}

fn account(
    schedule: &Schedule,
    bytes: u64,
    mut lateness: Vec<u32>,
    whole_ns: u64,
    length_ns: u64,
) -> Account {
    let mut steps = vec![0; usize::try_from(length_ns / STEP_NS).unwrap_or_default()];
    for (number, late) in (0..).zip(&lateness) {
        let left_ns = schedule.due_ns(number) + u64::from(*late);
        let step = usize::try_from(left_ns / STEP_NS).ok();
        if let Some(step) = step.and_then(|step| steps.get_mut(step)) {
            *step += bytes;
        }
    }
    lateness.sort_unstable();
    let at = |share| percentile(&lateness, share).map(|late| f64::from(late) / 1_000.0);
    let total = bytes * lateness.len() as u64;
    Account {
        bytes: total,
        datagrams: lateness.len() as u64,
        lateness_us: at(0.50).zip(at(0.99)).zip(at(1.0)).map(|((p50, p99), max)| [p50, p99, max]),
        offered_bps: (whole_ns > 0).then(|| total as f64 * 8e9 / whole_ns as f64),
        steps,
        ..Account::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1250 bytes at 100 Mbit/s: 10,000 datagrams a second, one each 100 us.
    #[test]
    fn datagrams_are_due_at_the_rate() {
        let schedule = Schedule { bits: 10_000, bits_per_second: 100_000_000 };
        assert_eq!((schedule.due_ns(0), schedule.due_ns(7)), (0, 700_000));
        assert_eq!(schedule.due_within(1_000_000_000), 10_000);
        assert_eq!(schedule.due_within(1_000_000_001), 10_001);
        // 1200 bytes at 7 Mbit/s do not divide evenly: 35,000 datagrams take 48 s to the nanosecond.
        let uneven = Schedule { bits: 9_600, bits_per_second: 7_000_000 };
        assert_eq!((uneven.due_ns(1), uneven.due_ns(35_000)), (1_371_428, 48_000_000_000));
    }

    /// Two steps of ten datagrams each; the last of the first step leaves so late that the second one has it.
    #[test]
    fn a_late_datagram_counts_where_it_left() {
        let schedule = Schedule { bits: 1_000, bits_per_second: 100_000 };
        let mut lateness = vec![5_000; 20];
        lateness[9] = 20_000_000;
        let found = account(&schedule, 125, lateness, 200_000_000, 200_000_000);
        assert_eq!(found.steps, [9 * 125, 11 * 125]);
        assert_eq!(found.lateness_us, Some([5.0, 20_000.0, 20_000.0]));
        assert_eq!(found.offered_bps, Some(100_000.0));
    }
}
