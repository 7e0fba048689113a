//! What the probe flow of one run says about the two clocks.

#[cfg(test)]
mod tests;

use crate::{
    ClockRelation, ClockStep, Drift, ExchangeTimes, SkewConfidence, TimedDelay, TimedEstimate,
    clock_skew, largest_shift, opposite_shifts,
};

/// By how much a stamp may be off: the reading of two clocks that turns a kernel's stamp into monotonic time.
pub const STAMP_ERROR_NS: u64 = 1_000;
/// Clocks that contradict themselves by more than this were set; what is less may be a rate that is off by more than is
/// believed of clocks (our own bound, that of a receiver's watch).
const STEP_NS: u64 = 500_000;
/// Shifts of both directions are compared over so much time on each side, and at most so far apart.
const SHIFT_WINDOW_NS: u64 = 1_000_000_000;

/// The clocks of a run's two ends, as far as its exchanges tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClockView {
    /// Exchanges that were looked at.
    pub exchanges: u64,
    /// The middle of the time they were made in, nanoseconds of the near clock.
    pub middle_ns: i64,
    /// How fast the far clock gains on the near one.
    pub drift: Drift,
    /// Whether the exchanges show the drift; else it is only what is believed of any two clocks.
    pub drift_seen: bool,
    /// Where the offset lies; `None` when no exchange can be used or a clock was set.
    pub relation: Option<ClockRelation>,
    /// A clock was set: when and by how much.
    pub step: Option<ClockStep>,
}

impl ClockView {
    /// From exchanges in the order they were made, nanoseconds; `None` without one.
    pub fn of(exchanges: &[ExchangeTimes]) -> Option<Self> {
        let estimates: Vec<TimedEstimate> = exchanges.iter().map(estimate).collect();
        let first = estimates.first()?;
        let seen = seen_drift(exchanges);
        let drift = seen.unwrap_or(Drift::UNKNOWN);
        let step = shifted(exchanges).map(|by_ns| ClockStep { at_ns: first.at_ns, by_ns });
        let (relation, step) = match (step, ClockRelation::of(&estimates, drift)) {
            (None, Ok(relation)) => (relation, None),
            (None, Err(slight)) if slight.by_ns.unsigned_abs() <= STEP_NS => {
                (from_closest(&estimates, drift, slight), None)
            }
            (step, found) => (None, found.err().or(step)),
        };
        let last = estimates.last().unwrap_or(first);
        Some(Self {
            exchanges: estimates.len() as u64,
            middle_ns: i64::midpoint(first.at_ns, last.at_ns),
            drift,
            drift_seen: seen.is_some(),
            relation,
            step,
        })
    }
}

fn estimate(exchange: &ExchangeTimes) -> TimedEstimate {
    let mut estimate = exchange.estimate();
    estimate.error_bound = estimate.error_bound.saturating_add(STAMP_ERROR_NS);
    TimedEstimate { at_ns: exchange.near_received, estimate }
}

/// The one with the shortest round trip, widened by what it contradicts others.
fn from_closest(
    estimates: &[TimedEstimate],
    drift: Drift,
    slight: ClockStep,
) -> Option<ClockRelation> {
    let usable = estimates.iter().filter(|one| !one.estimate.negative_round_trip);
    let mut closest = *usable.min_by_key(|one| one.estimate.round_trip)?;
    let error = &mut closest.estimate.error_bound;
    *error = error.saturating_add(slight.by_ns.unsigned_abs());
    ClockRelation::of(&[closest], drift).ok().flatten()
}

fn delays_there(exchanges: &[ExchangeTimes]) -> Vec<TimedDelay> {
    let delay = |one: &ExchangeTimes| TimedDelay {
        at_ns: one.near_sent,
        delay_ns: one.far_received.saturating_sub(one.near_sent),
    };
    exchanges.iter().map(delay).collect()
}

fn delays_back(exchanges: &[ExchangeTimes]) -> Vec<TimedDelay> {
    let delay = |one: &ExchangeTimes| TimedDelay {
        at_ns: one.near_received,
        delay_ns: one.near_received.saturating_sub(one.far_sent),
    };
    exchanges.iter().map(delay).collect()
}

/// The drift on which both directions agree: queues of one direction tilt its line alone.
fn seen_drift(exchanges: &[ExchangeTimes]) -> Option<Drift> {
    let line = |delays: Vec<TimedDelay>| {
        clock_skew(&delays, 20 * STAMP_ERROR_NS)
            .filter(|skew| skew.confidence == SkewConfidence::Supported)
    };
    let there = Drift::of(&line(delays_there(exchanges))?);
    let back = Drift::of(&line(delays_back(exchanges))?).reversed();
    let apart = (there.ratio - back.ratio).abs();
    // Over a short time the stamps' own error is a slope, too.
    let span = exchanges.last()?.near_received.saturating_sub(exchanges.first()?.near_sent);
    let stamps = 20.0 * STAMP_ERROR_NS as f64 / (span as f64).max(1.0);
    let error = there.error.max(back.error) + apart + 2.0 * stamps;
    (error < Drift::UNKNOWN.error)
        .then_some(Drift { ratio: f64::midpoint(there.ratio, back.ratio), error })
}

/// By how much the delays of both directions shifted against each other at once.
fn shifted(exchanges: &[ExchangeTimes]) -> Option<i64> {
    let there = largest_shift(&delays_there(exchanges), SHIFT_WINDOW_NS)?;
    let back = largest_shift(&delays_back(exchanges), SHIFT_WINDOW_NS)?;
    opposite_shifts(there, back, SHIFT_WINDOW_NS / 2, STEP_NS)
}
