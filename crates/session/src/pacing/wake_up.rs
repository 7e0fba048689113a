//! How late a sleeper wakes on this host, and so how long before a deadline to wake it.

/// The longest time that is spun away before a deadline, nanoseconds. Who wakes later than that was not woken late, but
/// kept from running: spinning does not help against that, and the estimate leaves it out.
pub const LONGEST_SPIN_NS: u64 = 150_000;

/// The margin before anything is known, nanoseconds: an idle virtual machine wakes within 15 to 25 µs.
const FIRST_NS: u64 = 30_000;
/// A step up of an estimate, nanoseconds.
const UP_NS: u64 = 1_000;

/// A running estimate of a quantile. It rests where one error in `UP_NS / down_ns + 1` is above it: a quantile is followed
/// by steps in the ratio of its shares (Robbins and Monro 1951), and unlike a mean it does not mind how large the others
/// are.
#[derive(Debug, Clone, Copy)]
struct Quantile {
    value_ns: u64,
    down_ns: u64,
}

impl Quantile {
    const fn new(down_ns: u64) -> Self {
        Self { value_ns: FIRST_NS, down_ns }
    }

    const fn take(&mut self, error_ns: u64) {
        self.value_ns = if error_ns > self.value_ns {
            self.value_ns + UP_NS
        } else {
            self.value_ns.saturating_sub(self.down_ns)
        };
    }
}

/// What is known of the error of waking up.
///
/// Where there is time enough, 199 in 200 wakes come before the deadline, and the rest is spun; where deadlines follow so
/// close that this would leave less time to sleep than to spin, 19 in 20 do.
#[derive(Debug, Clone, Copy)]
pub struct WakeUp {
    usual: Quantile,
    cautious: Quantile,
    margin_ns: u64,
    sleeps: u64,
}

impl WakeUp {
    /// Nothing is known yet.
    pub const fn new() -> Self {
        let (usual, cautious) = (Quantile::new(UP_NS / 20), Quantile::new(UP_NS / 200));
        Self { usual, cautious, margin_ns: FIRST_NS, sleeps: 0 }
    }

    /// Takes in that a sleep until `wanted_ns` ended at `woken_ns`.
    pub const fn woke(&mut self, wanted_ns: u64, woken_ns: u64) {
        self.sleeps = self.sleeps.saturating_add(1);
        let error_ns = woken_ns.saturating_sub(wanted_ns);
        if error_ns <= LONGEST_SPIN_NS {
            self.usual.take(error_ns);
            self.cautious.take(error_ns);
        }
    }

    /// How long before the last deadline that was asked for to wake, nanoseconds.
    pub const fn margin_ns(&self) -> u64 {
        self.margin_ns
    }

    /// How often somebody slept.
    pub const fn sleeps(&self) -> u64 {
        self.sleeps
    }

    /// Until when to sleep at `now_ns` for a deadline; `None` when it is so near that only spinning meets it.
    pub fn sleep_until(&mut self, now_ns: u64, deadline_ns: u64) -> Option<u64> {
        let left_ns = deadline_ns.saturating_sub(now_ns);
        let cautious = self.cautious.value_ns;
        let has_time = left_ns >= cautious.saturating_mul(2);
        self.margin_ns = if has_time { cautious } else { self.usual.value_ns };
        let wake = deadline_ns.checked_sub(self.margin_ns)?;
        (wake > now_ns).then_some(wake)
    }
}

impl Default for WakeUp {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(errors: impl IntoIterator<Item = u64>) -> WakeUp {
        let mut wake_up = WakeUp::new();
        for error in errors {
            wake_up.woke(1_000_000, 1_000_000 + error);
        }
        wake_up
    }

    /// How long before a deadline it wakes: with time to spare, and without.
    fn margins(mut wake_up: WakeUp) -> [u64; 2] {
        let far = wake_up.sleep_until(0, 1_000_000_000).map_or(0, |wake| 1_000_000_000 - wake);
        wake_up.sleep_until(0, wake_up.usual.value_ns + 1);
        [far, wake_up.margin_ns()]
    }

    fn are_near(margins: [u64; 2], error: u64) -> bool {
        margins.iter().all(|margin| margin.abs_diff(error) <= UP_NS)
    }

    #[test]
    fn the_margin_follows_the_error_up_and_down() {
        assert!(are_near(margins(after(std::iter::repeat_n(2_000, 20_000))), 2_000));
        assert!(are_near(margins(after([60_000; 1_000])), 60_000));
        let relieved = after([60_000; 1_000].into_iter().chain(std::iter::repeat_n(2_000, 20_000)));
        assert!(are_near(margins(relieved), 2_000));
        assert!(margins(after(std::iter::repeat_n(0, 10_000))).iter().all(|one| *one <= UP_NS));
    }

    /// Errors of 1 to 100 µs in turn: 95.2 % of them are at most 95.2 µs, 99.5 % at most 99.5.
    #[test]
    fn the_margins_cover_what_they_are_to() {
        let [far, near] = margins(after((0..100_000).map(|i| 1_000 * (1 + i * 37 % 100))));
        assert!((90_000..98_500).contains(&near), "{near}");
        assert!((98_500..102_000).contains(&far), "{far}");
    }

    #[test]
    fn being_kept_from_running_is_no_reason_to_spin() {
        let often = after((0..10_000).map(|i| if i % 5 == 0 { 3_000_000 } else { 20_000 }));
        assert!(are_near(margins(often), 20_000), "{often:?}");
        let [far, near] = margins(after(std::iter::repeat_n(LONGEST_SPIN_NS, 10_000)));
        assert!(far.max(near) <= LONGEST_SPIN_NS + UP_NS);
    }

    #[test]
    fn a_near_deadline_is_not_slept_for() {
        let mut wake_up = after(std::iter::repeat_n(10_000, 20_000));
        let [far, near] = margins(wake_up);
        assert_eq!(wake_up.sleep_until(0, 1_000_000), Some(1_000_000 - far));
        assert_eq!(wake_up.sleep_until(1_000_000 - near, 1_000_000), None);
        assert_eq!(wake_up.sleep_until(0, near), None);
        assert_eq!(wake_up.sleep_until(5, 0), None);
    }
}
