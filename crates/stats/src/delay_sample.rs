//! The delays of a stream too long to be kept: all of a short one, an even part of a long one, and the least of all.

#[cfg(test)]
mod tests;

use crate::{ClockSkew, LeastDelays, Percentiles, SkewConfidence, TimedDelay, clock_skew};

/// So many delays are kept at most.
pub const MOST_KEPT: usize = 1 << 15;

/// Delays that lie so close to each other in time share one entry of [`LeastDelays`].
const SLOT_NS: i64 = 10_000_000;

/// Takes the delays of a stream, for what needs them once it is over. Fixed memory, under 1 MiB.
#[derive(Debug, Clone)]
pub struct DelaySample {
    kept: Vec<TimedDelay>,
    every: u64,
    until_next: u64,
    least: LeastDelays,
    slot: Option<TimedDelay>,
    slot_ends_ns: i64,
}

/// The skew of two clocks, and what is left of the delays without it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelDelays {
    /// The least delay of the stream, as it was measured.
    pub least: TimedDelay,
    /// The line under the delays.
    pub skew: ClockSkew,
    /// Delays above the least with the skew taken off, microseconds; as measured where the skew is weak.
    pub pdv: Percentiles,
}

impl DelaySample {
    /// Without a delay so far.
    pub fn new() -> Self {
        Self {
            kept: Vec::with_capacity(MOST_KEPT),
            every: 1,
            until_next: 0,
            least: LeastDelays::new(),
            slot: None,
            slot_ends_ns: i64::MIN,
        }
    }

    /// Takes a delay in.
    #[inline]
    pub fn accept(&mut self, delay: TimedDelay) {
        match &mut self.slot {
            Some(least) if delay.at_ns < self.slot_ends_ns => {
                if delay.delay_ns < least.delay_ns {
                    *least = delay;
                }
            }
            _ => self.next_slot(delay),
        }
        if self.until_next == 0 {
            self.keep(delay);
        } else {
            self.until_next -= 1;
        }
    }

    /// One of so many delays was kept.
    pub const fn one_in(&self) -> u64 {
        self.every
    }

    /// Delays without the skew of the clocks; `tolerance_ns` as for [`clock_skew`]. `None` without two times.
    pub fn level(&self, tolerance_ns: u64) -> Option<LevelDelays> {
        let floor = self.floor();
        let skew = clock_skew(&floor, tolerance_ns)?;
        let least = *floor.iter().min_by_key(|delay| delay.delay_ns)?;
        let supported = skew.confidence == SkewConfidence::Supported;
        let flat =
            |delay: &TimedDelay| if supported { skew.removed(*delay) } else { delay.delay_ns };
        let zero = floor.iter().chain(&self.kept).map(flat).min()?;
        let above = |delay| i64::saturating_sub(flat(delay), zero).saturating_add(500) / 1_000;
        Some(LevelDelays { least, skew, pdv: Percentiles::of(self.kept.iter().map(above))? })
    }

    /// The least delays by rising time.
    fn floor(&self) -> Vec<TimedDelay> {
        let mut least = self.least.clone();
        if let Some(last) = self.slot {
            least.accept(last);
        }
        least.delays()
    }

    #[cold]
    fn next_slot(&mut self, delay: TimedDelay) {
        if let Some(least) = self.slot.replace(delay) {
            self.least.accept(least);
        }
        self.slot_ends_ns = delay.at_ns.saturating_add(SLOT_NS);
    }

    fn keep(&mut self, delay: TimedDelay) {
        if self.kept.len() >= MOST_KEPT {
            let mut odd = false;
            self.kept.retain(|_| {
                odd = !odd;
                odd
            });
            self.every *= 2;
        }
        self.kept.push(delay);
        self.until_next = self.every - 1;
    }
}

impl Default for DelaySample {
    fn default() -> Self {
        Self::new()
    }
}
