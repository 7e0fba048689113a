//! How late a sleeper wakes on this host, and so how long before a deadline to wake it.

/// The longest time that is spun away before a deadline, nanoseconds. Who wakes later than that was not woken late, but
/// kept from running: spinning does not help against that, and the estimate leaves it out.
pub const LONGEST_SPIN_NS: u64 = 150_000;

/// The margin before anything is known, nanoseconds: an idle virtual machine wakes within 15 to 25 µs.
const FIRST_NS: u64 = 30_000;
/// Steps of the estimate, nanoseconds. It rests where one error in 21 is above it: a quantile is followed by steps in
/// the ratio of its shares (Robbins and Monro 1951), and unlike a mean it does not mind how large the others are.
const UP_NS: u64 = 1_000;
const DOWN_NS: u64 = 50;

/// A running estimate of the error of waking up, which 95 in 100 wakes keep.
#[derive(Debug, Clone, Copy)]
pub struct WakeUp {
    margin_ns: u64,
    sleeps: u64,
}

impl WakeUp {
    /// Nothing is known yet.
    pub const fn new() -> Self {
        Self { margin_ns: FIRST_NS, sleeps: 0 }
    }

    /// Takes in that a sleep until `wanted_ns` ended at `woken_ns`.
    pub fn woke(&mut self, wanted_ns: u64, woken_ns: u64) {
        self.sleeps = self.sleeps.saturating_add(1);
        let error = woken_ns.saturating_sub(wanted_ns);
        self.margin_ns = if error > LONGEST_SPIN_NS {
            self.margin_ns
        } else if error > self.margin_ns {
            self.margin_ns + UP_NS
        } else {
            self.margin_ns.saturating_sub(DOWN_NS)
        };
    }

    /// How long before a deadline to wake, nanoseconds.
    pub const fn margin_ns(&self) -> u64 {
        self.margin_ns
    }

    /// How often somebody slept.
    pub const fn sleeps(&self) -> u64 {
        self.sleeps
    }

    /// Until when to sleep at `now_ns` for a deadline; `None` when it is so near that only spinning meets it.
    pub fn sleep_until(&self, now_ns: u64, deadline_ns: u64) -> Option<u64> {
        let wake = deadline_ns.checked_sub(self.margin_ns())?;
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

    fn is_near(margin: u64, error: u64) -> bool {
        margin.abs_diff(error) <= UP_NS
    }

    #[test]
    fn the_margin_follows_the_error_up_and_down() {
        assert!(is_near(after([2_000; 1_000]).margin_ns(), 2_000));
        assert!(is_near(after([60_000; 1_000]).margin_ns(), 60_000));
        let relieved = after([60_000; 1_000].into_iter().chain([2_000; 2_000]));
        assert!(is_near(relieved.margin_ns(), 2_000));
        assert!(after(std::iter::repeat_n(0, 10_000)).margin_ns() <= UP_NS);
    }

    /// Errors of 1 to 100 µs in turn: 95.2 % of them are at most 95.2 µs.
    #[test]
    fn the_margin_covers_ninety_five_in_a_hundred() {
        let margin = after((0..100_000).map(|i| 1_000 * (1 + i * 37 % 100))).margin_ns();
        assert!((90_000..100_000).contains(&margin), "{margin}");
    }

    #[test]
    fn being_kept_from_running_is_no_reason_to_spin() {
        let often = after((0..10_000).map(|i| if i % 5 == 0 { 3_000_000 } else { 20_000 }));
        assert!(is_near(often.margin_ns(), 20_000), "{often:?}");
        assert!(
            after(std::iter::repeat_n(LONGEST_SPIN_NS, 10_000)).margin_ns()
                <= LONGEST_SPIN_NS + UP_NS
        );
    }

    #[test]
    fn a_near_deadline_is_not_slept_for() {
        let wake_up = after([10_000; 500]);
        let margin = wake_up.margin_ns();
        assert_eq!(wake_up.sleep_until(0, 1_000_000), Some(1_000_000 - margin));
        assert_eq!(wake_up.sleep_until(1_000_000 - margin, 1_000_000), None);
        assert_eq!(wake_up.sleep_until(0, margin), None);
        assert_eq!(wake_up.sleep_until(5, 0), None);
    }
}
