//! Whether as much left in each tenth of a second as was asked.

/// Length of the steps that are held against the pace, nanoseconds.
pub const STEP_NS: u64 = 100_000_000;
/// A step that misses the pace by a larger share is uneven; so is one that misses it by more than a burst.
const TOLERANCE: f64 = 0.005;

/// Counts departures by steps of [`STEP_NS`] and holds each whole step against the pace.
#[derive(Debug, Clone)]
pub struct Evenness {
    expected: f64,
    allowance: f64,
    step: u64,
    count: u64,
    steps: u64,
    uneven: u64,
}

impl Evenness {
    /// For a pace of datagrams of a length, in bursts of so many.
    pub fn new(pace_bps: u64, payload_bytes: u16, burst: u64) -> Self {
        let bits = f64::from(payload_bytes.max(1)) * 8.0;
        let expected = pace_bps as f64 / bits * (STEP_NS as f64 / 1e9);
        let allowance = (expected * TOLERANCE).max(burst as f64);
        Self { expected, allowance, step: 0, count: 0, steps: 0, uneven: 0 }
    }

    /// So many datagrams left at this time after the start; times never fall.
    pub fn left(&mut self, after_start_ns: u64, datagrams: u64) {
        self.close_before(after_start_ns / STEP_NS);
        self.count = self.count.saturating_add(datagrams);
    }

    /// The transmitter ended at this time after its start; a step that it does not fill is left out.
    pub fn end(&mut self, after_start_ns: u64) {
        self.close_before(after_start_ns / STEP_NS);
    }

    /// Whole steps so far.
    pub const fn steps(&self) -> u64 {
        self.steps
    }

    /// Those of them in which more or less left than was asked.
    pub const fn uneven(&self) -> u64 {
        self.uneven
    }

    fn close_before(&mut self, step: u64) {
        let Some(passed) = step.checked_sub(self.step).filter(|passed| *passed > 0) else { return };
        let missed = |count: u64| (count as f64 - self.expected).abs() > self.allowance;
        // Steps in which nothing left at all follow the one that was counted.
        let empty = if missed(0) { passed - 1 } else { 0 };
        self.uneven += u64::from(missed(self.count)) + empty;
        self.steps += passed;
        (self.step, self.count) = (step, 0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 10 Mbit/s of 1250 bytes: a datagram a millisecond, a hundred a step.
    fn evenness() -> Evenness {
        Evenness::new(10_000_000, 1250, 1)
    }

    #[test]
    fn an_even_stream_has_no_uneven_step() {
        let mut evenness = evenness();
        for number in 0..1_000 {
            evenness.left(number * 1_000_000 + 17_000, 1);
        }
        evenness.end(1_000_000_000);
        assert_eq!((evenness.steps(), evenness.uneven()), (10, 0));
    }

    #[test]
    fn one_datagram_is_no_unevenness_and_two_are() {
        for (missing, uneven) in [(1, 0), (2, 1)] {
            let mut evenness = evenness();
            evenness.left(0, 100 - missing);
            evenness.left(STEP_NS, 100);
            evenness.end(2 * STEP_NS);
            assert_eq!((evenness.steps(), evenness.uneven()), (2, uneven));
        }
    }

    #[test]
    fn silence_is_uneven_and_a_torn_step_is_left_out() {
        let mut evenness = evenness();
        evenness.left(0, 100);
        evenness.left(3 * STEP_NS, 100);
        evenness.end(4 * STEP_NS + STEP_NS / 2);
        assert_eq!((evenness.steps(), evenness.uneven()), (4, 2));
    }
}
