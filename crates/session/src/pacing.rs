//! When each datagram of a paced session is due.
//!
//! Deadlines are absolute, so that lateness never adds up. After a stall the schedule is caught up at no more than
//! twice the pace, and a debt of more than [`LARGEST_DEBT_NS`] is dropped: the pacer then owes that time to nobody, and
//! tells how much it dropped.

/// The debt that is still caught up, nanoseconds. A burst that makes up for more would itself fill a queue.
pub const LARGEST_DEBT_NS: u64 = 10_000_000;

/// The schedule of one paced stream. Times are nanoseconds of one monotonic clock.
#[derive(Debug, Clone)]
pub struct Pacer {
    start_ns: u64,
    /// Bits of a datagram times 10^9: the pace divides it to nanoseconds.
    bits_e9: u128,
    pace_bps: u64,
    next: u64,
    last_asked_ns: u64,
    dropped_ns: u64,
}

impl Pacer {
    /// A schedule whose datagram 0 is due at `start_ns`. `pace_bps` must not be 0; 0 is taken as 1.
    pub fn new(pace_bps: u64, payload_bytes: u16, start_ns: u64) -> Self {
        Self {
            start_ns,
            bits_e9: u128::from(payload_bytes) * 8_000_000_000,
            pace_bps: pace_bps.max(1),
            next: 0,
            last_asked_ns: start_ns,
            dropped_ns: 0,
        }
    }

    /// How many datagrams, at most `most`, may leave at `now_ns`; they count as taken.
    pub fn take(&mut self, now_ns: u64, most: u64) -> u64 {
        let due_at = self.due_at(self.next);
        if now_ns < due_at {
            return 0;
        }
        let debt = now_ns - due_at;
        if debt > LARGEST_DEBT_NS {
            let dropped = debt - LARGEST_DEBT_NS;
            self.start_ns = self.start_ns.saturating_add(dropped);
            self.dropped_ns = self.dropped_ns.saturating_add(dropped);
        }
        let behind = self.number_at(now_ns).saturating_sub(self.next);
        let elapsed = now_ns.saturating_sub(self.last_asked_ns);
        let allowed = self.count_in(elapsed.saturating_mul(2)).max(1);
        let count = behind.min(allowed).min(most);
        self.next += count;
        self.last_asked_ns = now_ns;
        count
    }

    /// Puts back datagrams that were taken last and could not leave.
    pub fn put_back(&mut self, count: u64) {
        self.next = self.next.saturating_sub(count);
    }

    /// When the next datagram is due.
    pub fn next_due_ns(&self) -> u64 {
        self.due_at(self.next)
    }

    /// Time that was dropped because the transmitter stalled, nanoseconds.
    pub const fn dropped_ns(&self) -> u64 {
        self.dropped_ns
    }

    fn due_at(&self, number: u64) -> u64 {
        let offset = u128::from(number) * self.bits_e9 / u128::from(self.pace_bps);
        self.start_ns.saturating_add(u64::try_from(offset).unwrap_or(u64::MAX))
    }

    /// The number of datagrams due at or before `now_ns`.
    fn number_at(&self, now_ns: u64) -> u64 {
        now_ns
            .checked_sub(self.start_ns)
            .map_or(0, |elapsed| self.count_in(elapsed).saturating_add(1))
    }

    fn count_in(&self, elapsed_ns: u64) -> u64 {
        let count = u128::from(elapsed_ns) * u128::from(self.pace_bps) / self.bits_e9.max(1);
        u64::try_from(count).unwrap_or(u64::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1250 bytes at 10 Mbit/s: one datagram a millisecond.
    fn pacer() -> Pacer {
        Pacer::new(10_000_000, 1250, 1_000)
    }

    #[test]
    fn one_a_millisecond_without_drift() {
        let mut pacer = pacer();
        for number in 0..100_000_u64 {
            let due = 1_000 + number * 1_000_000;
            assert_eq!(pacer.next_due_ns(), due);
            assert_eq!(pacer.take(due - 1, 64), 0);
            assert_eq!(pacer.take(due, 64), 1);
        }
        assert_eq!(pacer.dropped_ns(), 0);
    }

    #[test]
    fn a_short_stall_is_caught_up_at_twice_the_pace() {
        let mut pacer = pacer();
        assert_eq!(pacer.take(1_000, 64), 1);
        assert_eq!(pacer.take(8_000_000 + 1_000, 64), 8);
        assert_eq!(pacer.take(9_000_000 + 1_000, 64), 1);
    }

    #[test]
    fn a_long_stall_is_dropped_but_for_ten_milliseconds() {
        let mut pacer = pacer();
        assert_eq!(pacer.take(1_000, 64), 1);
        let after = 501_000_000 + 1_000;
        assert_eq!(pacer.take(after, 1_000), 11);
        assert_eq!(pacer.dropped_ns(), 490_000_000);
        assert_eq!(pacer.next_due_ns(), after + 1_000_000);
    }

    #[test]
    fn what_could_not_leave_is_owed_again() {
        let mut pacer = pacer();
        assert_eq!(pacer.take(1_000, 64), 1);
        pacer.put_back(1);
        assert_eq!(pacer.next_due_ns(), 1_000);
    }

    proptest::proptest! {
        #[test]
        fn never_ahead_of_the_schedule(pace in 1_u64..u64::MAX, payload in 32_u16..=65_507, waits in proptest::collection::vec(0_u64..50_000_000, 1..50)) {
            let mut pacer = Pacer::new(pace, payload, 0);
            let (mut now, mut taken) = (0_u64, 0_u128);
            for wait in waits {
                now += wait;
                taken += u128::from(pacer.take(now, u64::MAX));
                let due = u128::from(now) * u128::from(pace) / (u128::from(payload) * 8_000_000_000) + 1;
                proptest::prop_assert!(taken <= due);
            }
        }
    }
}
