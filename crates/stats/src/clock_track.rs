//! What many exchanges say together about two clocks: where their difference can lie, and what one-way delays follow.

#[cfg(test)]
mod tests;

use crate::ClockEstimate;
use crate::skew::{ClockSkew, rounded, saturating};

/// How much a clock's rate may be off when nothing better is known: 15 parts per million (RFC 5905, PHI).
pub const FREQUENCY_TOLERANCE: f64 = 15e-6;

/// One exchange and when it was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimedEstimate {
    /// When the answer arrived, nanoseconds of the near clock.
    pub at_ns: i64,
    /// What the exchange says, in nanoseconds.
    pub estimate: ClockEstimate,
}

/// How fast the far clock gains on the near one, as shares of 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drift {
    /// The rate itself.
    pub ratio: f64,
    /// By how much it may be wrong.
    pub error: f64,
}

impl Drift {
    /// Two clocks of which nothing is known but RFC 5905's tolerance of each.
    pub const UNKNOWN: Self = Self { ratio: 0.0, error: 2.0 * FREQUENCY_TOLERANCE };

    /// The drift that the delays from near to far show, trusted to a tenth or 1 part per million (our own bounds);
    /// [`Self::UNKNOWN`] where the line is weak. The delays from far to near show the opposite: see [`Self::reversed`].
    pub fn of(skew: &ClockSkew) -> Self {
        match skew.confidence {
            crate::SkewConfidence::Supported => {
                Self { ratio: skew.ratio, error: (skew.ratio.abs() / 10.0).max(1e-6) }
            }
            crate::SkewConfidence::Weak => Self::UNKNOWN,
        }
    }

    /// The same drift seen from the other clock, to first order.
    #[must_use]
    pub fn reversed(self) -> Self {
        Self { ratio: -self.ratio, ..self }
    }
}

/// Where the difference of two clocks can lie over a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockRelation {
    reference_ns: i64,
    low: i128,
    high: i128,
    drift: Drift,
}

/// How far the far clock is ahead, and by how much that may be wrong, nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockOffset {
    /// How far the far clock is ahead of the near one.
    pub offset_ns: i64,
    /// By at most this.
    pub error_ns: u64,
}

/// A one-way delay and by how much it may be wrong, nanoseconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OneWayDelay {
    /// The delay; below zero only when the error is at least as large.
    pub delay_ns: i64,
    /// By at most this.
    pub error_ns: u64,
}

/// The exchanges of a run exclude each other: one of the clocks was stepped.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "the clocks were stepped against each other: an exchange after {at_ns} ns excludes all before it by {by_ns} ns"
)]
pub struct ClockStep {
    /// When the first exchange was made that the earlier ones exclude, nanoseconds of the near clock.
    pub at_ns: i64,
    /// How far it lies outside of what they allow, nanoseconds; below zero when the far clock went back.
    pub by_ns: i64,
}

impl ClockRelation {
    /// What all exchanges allow; `Ok(None)` when none can be used.
    ///
    /// Each confines the offset to θ ± δ/2 (RFC 5905 section 8), and the truth lies in all of these intervals once each
    /// is moved by the drift and widened by its error. When nothing is left a clock was stepped. Exchanges with a
    /// negative round trip are left out; they are to be in the order they were made.
    pub fn of(exchanges: &[TimedEstimate], drift: Drift) -> Result<Option<Self>, ClockStep> {
        let mut usable = exchanges.iter().filter(|one| !one.estimate.negative_round_trip);
        let Some(first) = usable.next() else { return Ok(None) };
        let mut relation = Self::from_one(first, drift);
        for one in usable {
            relation.narrow(one)?;
        }
        Ok(Some(relation))
    }

    /// The offset at a time of the near clock, the middle of what is possible.
    pub fn offset_at(&self, at_ns: i64) -> ClockOffset {
        let (low, high) = self.interval_at(at_ns);
        let middle = (low + high).div_euclid(2);
        ClockOffset { offset_ns: saturating(middle), error_ns: unsigned(high - middle) }
    }

    /// The delay of a packet from near to far that arrived `apparent_ns` after it left, each by its own clock.
    pub fn toward_far(&self, at_ns: i64, apparent_ns: i64) -> OneWayDelay {
        self.one_way(at_ns, apparent_ns, 1)
    }

    /// The same for a packet from far to near.
    pub fn toward_near(&self, at_ns: i64, apparent_ns: i64) -> OneWayDelay {
        self.one_way(at_ns, apparent_ns, -1)
    }

    fn one_way(&self, at_ns: i64, apparent_ns: i64, sign: i128) -> OneWayDelay {
        let ClockOffset { offset_ns, error_ns } = self.offset_at(at_ns);
        let delay = i128::from(apparent_ns) - sign * i128::from(offset_ns);
        OneWayDelay { delay_ns: saturating(delay), error_ns }
    }

    fn from_one(one: &TimedEstimate, drift: Drift) -> Self {
        let (low, high) = bounds(&one.estimate);
        Self { reference_ns: one.at_ns, low, high, drift }
    }

    fn narrow(&mut self, one: &TimedEstimate) -> Result<(), ClockStep> {
        let (moved, widened) = self.moved_by(one.at_ns);
        let (low, high) = bounds(&one.estimate);
        let (low, high) = (low - moved - widened, high - moved + widened);
        let by = if low > self.high { low - self.high } else { (high - self.low).min(0) };
        if by != 0 {
            return Err(ClockStep { at_ns: one.at_ns, by_ns: saturating(by) });
        }
        (self.low, self.high) = (self.low.max(low), self.high.min(high));
        Ok(())
    }

    fn interval_at(&self, at_ns: i64) -> (i128, i128) {
        let (moved, widened) = self.moved_by(at_ns);
        (self.low + moved - widened, self.high + moved + widened)
    }

    /// How far the drift has moved the offset since the reference, and by how much that may be wrong.
    fn moved_by(&self, at_ns: i64) -> (i128, i128) {
        let elapsed = at_ns as f64 - self.reference_ns as f64;
        let moved = |share: f64| i128::from(saturating(rounded(share * elapsed)));
        (moved(self.drift.ratio), moved(self.drift.error).abs())
    }
}

fn bounds(estimate: &ClockEstimate) -> (i128, i128) {
    let (offset, error) = (i128::from(estimate.offset), i128::from(estimate.error_bound));
    // The offset was rounded down to a whole unit.
    (offset - error, offset + error + 1)
}

fn unsigned(value: i128) -> u64 {
    u64::try_from(value.max(0)).unwrap_or(u64::MAX)
}
