//! When each datagram of a paced session is due, how long before it to wake, and whether the pace was kept.
//!
//! Deadlines are absolute, so that lateness never adds up. Datagrams leave in bursts of a fixed length ([`burst`]): all
//! of a burst are due when its first one is, and no burst is longer. After a stall the schedule is caught up at no more
//! than twice the pace, burst by burst, and a debt of more than [`LARGEST_DEBT_NS`] is dropped: the pacer then owes that
//! time to nobody, and tells how much it dropped. [`WakeUp`] learns how late this host wakes who sleeps; [`Evenness`]
//! watches what left.

mod evenness;
mod wake_up;

pub use evenness::{Evenness, STEP_NS};
pub use wake_up::{LONGEST_SPIN_NS, WakeUp};

/// The debt that is still caught up, nanoseconds. A burst that makes up for more would itself fill a queue.
pub const LARGEST_DEBT_NS: u64 = 10_000_000;

/// The longest burst unless told otherwise, nanoseconds at the pace: below what a queue of a home router holds.
pub const DEFAULT_BURST_NS: u64 = 100_000;

const NS_BITS: u128 = 8_000_000_000;

/// How many datagrams leave together at most: what the pace carries in `burst_ns`, at least one.
pub fn burst(pace_bps: u64, payload_bytes: u16, burst_ns: u64) -> u64 {
    let bits = u128::from(pace_bps) * u128::from(burst_ns);
    let count = bits / (u128::from(payload_bytes) * NS_BITS).max(1);
    u64::try_from(count).unwrap_or(u64::MAX).max(1)
}

/// The schedule of one paced stream. Times are nanoseconds of one monotonic clock.
#[derive(Debug, Clone)]
pub struct Pacer {
    start_ns: u64,
    /// Bits of a datagram times 10^9: the pace divides it to nanoseconds.
    bits_e9: u128,
    pace_bps: u64,
    burst: u64,
    next: u64,
    /// Nothing leaves before, so that what is caught up leaves at twice the pace at most.
    not_before_ns: u64,
    dropped_ns: u64,
}

/// Datagrams that may leave now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Departure {
    /// How many: the rest of one burst, or less.
    pub count: u64,
    /// When they were due.
    pub due_ns: u64,
}

impl Pacer {
    /// A schedule whose datagram 0 is due at `start_ns`, in bursts of `burst` datagrams. `pace_bps` and `burst` must not
    /// be 0; 0 is taken as 1.
    pub fn new(pace_bps: u64, payload_bytes: u16, burst: u64, start_ns: u64) -> Self {
        Self {
            start_ns,
            bits_e9: u128::from(payload_bytes) * NS_BITS,
            pace_bps: pace_bps.max(1),
            burst: burst.max(1),
            next: 0,
            not_before_ns: 0,
            dropped_ns: 0,
        }
    }

    /// What may leave at `now_ns`, at most `most` datagrams; they count as taken. `None` when nothing is due.
    pub fn take(&mut self, now_ns: u64, most: u64) -> Option<Departure> {
        if now_ns < self.next_due_ns() {
            return None;
        }
        let debt = now_ns.saturating_sub(self.burst_due());
        if debt > LARGEST_DEBT_NS {
            let dropped = debt - LARGEST_DEBT_NS;
            self.start_ns = self.start_ns.saturating_add(dropped);
            self.dropped_ns = self.dropped_ns.saturating_add(dropped);
        }
        let due_ns = self.burst_due();
        let count = (self.burst - self.next % self.burst).min(most);
        self.next = self.next.saturating_add(count);
        self.not_before_ns = now_ns.saturating_add(self.half_time_of(count));
        Some(Departure { count, due_ns })
    }

    /// Puts back datagrams that were taken last and could not leave.
    pub fn put_back(&mut self, count: u64) {
        self.next = self.next.saturating_sub(count);
        self.not_before_ns = self.not_before_ns.saturating_sub(self.half_time_of(count));
    }

    /// Gives up what was due before `end_ns` and has not left; the time it stood for is told as dropped.
    pub fn give_up_before(&mut self, end_ns: u64) {
        let left = end_ns.saturating_sub(self.burst_due());
        self.dropped_ns = self.dropped_ns.saturating_add(left);
    }

    /// When the next datagram may leave.
    pub fn next_due_ns(&self) -> u64 {
        self.burst_due().max(self.not_before_ns)
    }

    /// When the datagram `number` would be due by itself, outside of any burst.
    pub fn due_at(&self, number: u64) -> u64 {
        let offset = u128::from(number) * self.bits_e9 / u128::from(self.pace_bps);
        self.start_ns.saturating_add(u64::try_from(offset).unwrap_or(u64::MAX))
    }

    /// Time that was dropped because the transmitter stalled, nanoseconds.
    pub const fn dropped_ns(&self) -> u64 {
        self.dropped_ns
    }

    fn burst_due(&self) -> u64 {
        self.due_at(self.next - self.next % self.burst)
    }

    /// Half the time that so many datagrams take at the pace, rounded up.
    fn half_time_of(&self, count: u64) -> u64 {
        let time = u128::from(count) * self.bits_e9;
        u64::try_from(time.div_ceil(2 * u128::from(self.pace_bps))).unwrap_or(u64::MAX)
    }
}

#[cfg(test)]
mod tests;
