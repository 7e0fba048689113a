//! Bytes by the time they were read, counted by data threads and readable by anyone meanwhile.

use std::sync::atomic::{AtomicU64, Ordering};

use tokio::sync::Notify;

/// The origin before the first byte was counted: no monotonic clock reaches it.
const UNSET: u64 = u64::MAX;

/// The series of one direction. Several flows may count into it; nobody ever waits.
///
/// Its time begins with the first byte counted. All orderings are relaxed: the counts are only read as a whole after
/// the counting threads were joined, and for showing before.
#[derive(Debug)]
pub struct Meter {
    step_ns: u64,
    origin_ns: AtomicU64,
    last_ns: AtomicU64,
    total: AtomicU64,
    steps: Box<[AtomicU64]>,
    begun: Notify,
}

impl Meter {
    /// A meter of so many steps of `step_ns` nanoseconds.
    pub fn new(step_ns: u64, steps: usize) -> Self {
        Self {
            step_ns: step_ns.max(1),
            origin_ns: AtomicU64::new(UNSET),
            last_ns: AtomicU64::new(0),
            total: AtomicU64::new(0),
            steps: (0..steps).map(|_| AtomicU64::new(0)).collect(),
            begun: Notify::new(),
        }
    }

    /// Counts bytes read at `now_ns`; beyond the last step they count in the total only.
    pub fn count(&self, now_ns: u64, bytes: u64) {
        let mut origin = self.origin_ns.load(Ordering::Relaxed);
        if origin == UNSET {
            origin = match self.origin_ns.compare_exchange(
                UNSET,
                now_ns,
                Ordering::Relaxed,
                Ordering::Relaxed,
            ) {
                Ok(_) => {
                    self.begun.notify_one();
                    now_ns
                }
                Err(first) => first,
            };
        }
        let index = now_ns.saturating_sub(origin) / self.step_ns;
        if let Some(step) = usize::try_from(index).ok().and_then(|index| self.steps.get(index)) {
            step.fetch_add(bytes, Ordering::Relaxed);
        }
        self.total.fetch_add(bytes, Ordering::Relaxed);
        self.last_ns.fetch_max(now_ns, Ordering::Relaxed);
    }

    /// When the first byte was counted.
    pub fn origin_ns(&self) -> Option<u64> {
        let origin = self.origin_ns.load(Ordering::Relaxed);
        (origin != UNSET).then_some(origin)
    }

    /// Waits for the first byte; gives when it was counted. For one waiter.
    pub async fn first_byte_ns(&self) -> u64 {
        loop {
            match self.origin_ns() {
                Some(origin) => return origin,
                None => self.begun.notified().await,
            }
        }
    }

    /// All bytes counted.
    pub fn total(&self) -> u64 {
        self.total.load(Ordering::Relaxed)
    }

    /// When the last byte was counted, nanoseconds after the first; `None` before any.
    pub fn last_after_ns(&self) -> Option<u64> {
        let origin = self.origin_ns()?;
        Some(self.last_ns.load(Ordering::Relaxed).saturating_sub(origin))
    }

    /// The steps from the first byte to the last, at least `least` of them if there are so many.
    pub fn series(&self, least: usize) -> Vec<u64> {
        let bytes: Vec<u64> = self.steps.iter().map(|step| step.load(Ordering::Relaxed)).collect();
        let used = bytes.iter().rposition(|bytes| *bytes > 0).map_or(0, |last| last + 1);
        bytes.into_iter().take(used.max(least)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_begins_with_the_first_byte() {
        let meter = Meter::new(100, 4);
        assert_eq!(meter.origin_ns(), None);
        for (now, bytes) in [(1_000, 1), (1_099, 2), (1_100, 4), (1_399, 8), (1_400, 16)] {
            meter.count(now, bytes);
        }
        assert_eq!(meter.origin_ns(), Some(1_000));
        assert_eq!(meter.series(0), [3, 4, 0, 8]);
        assert_eq!(meter.total(), 31);
        assert_eq!(meter.last_after_ns(), Some(400));
    }

    #[test]
    fn silence_within_the_wanted_length_is_kept() {
        let meter = Meter::new(100, 4);
        meter.count(5, 7);
        assert_eq!(meter.series(3), [7, 0, 0]);
        assert_eq!(meter.series(0), [7]);
    }
}
