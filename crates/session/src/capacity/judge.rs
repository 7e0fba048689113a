//! What the sub-intervals of a search amount to.

use culvert_units::{BitRate, Fraction};
use culvert_wire::capacity::{Held, SubInterval, Verification, highest_within};

use super::CapacitySearch;

/// Sub-intervals agree when they lie within one percent.
const STEADY: f64 = 0.01;

/// A transmitter that sent less than this share of what it was told to held the rate itself.
const KEPT_UP: f64 = 0.95;

impl CapacitySearch {
    pub(super) fn maximum(&self) -> Option<SubInterval> {
        highest_within(self.gauge.done(), self.parameters.search_loss_at_most)
    }

    /// The highest rate that arrived, whatever was lost beside it.
    ///
    /// Losses may have kept a sub-interval from being the maximum and yet its rate be the truth, that of a limiter which
    /// was overrun throughout; and a burst may have made it more than the truth. The verification tells.
    pub(super) fn to_verify(&self) -> Option<BitRate> {
        self.gauge.done().iter().map(|one| one.rate_bps).max()
    }

    pub(super) fn held(&self) -> Option<Held> {
        if (self.searched_bytes as f64) < KEPT_UP * self.ordered_bytes {
            Some(Held::Transmitter)
        } else {
            self.load.is_at_top().then_some(Held::RateCap)
        }
    }

    pub(super) fn is_steady(&self) -> bool {
        let Some(wanted) = self.parameters.steady_sub_intervals else { return false };
        let done = self.gauge.done();
        let last = done.len().checked_sub(wanted.max(1)).and_then(|from| done.get(from..));
        let Some(last) = last else { return false };
        let rates = || last.iter().map(|one| one.rate_bps.bits_per_second());
        let (least, most) = (rates().min().unwrap_or(0), rates().max().unwrap_or(0));
        let agree = (most - least) as f64 <= STEADY * most as f64;
        agree && (self.load.saw_trouble() || self.load.is_at_top())
    }

    /// Half of the budget is kept for the verification.
    pub(super) fn is_search_budget_spent(&self) -> bool {
        let verifying = self.parameters.verify_ms > 0;
        self.parameters.byte_budget.is_some_and(|budget| {
            self.sent_bytes >= if verifying { budget.get() / 2 } else { budget.get() }
        })
    }

    pub(super) fn remaining(&self) -> Option<u64> {
        self.parameters.byte_budget.map(|budget| budget.get().saturating_sub(self.sent_bytes))
    }
}

/// What the sub-intervals of a verification at `offered_bps` amount to.
pub(super) fn verification(
    (offered_bps, of_bps): (BitRate, Option<BitRate>),
    sub_intervals: &[SubInterval],
    wanted: usize,
    (loss_at_most, rise_at_most): (f64, u64),
) -> Verification {
    let lost: f64 = sub_intervals.iter().map(|one| one.lost as f64).sum();
    let received: f64 = sub_intervals.iter().map(|one| one.received as f64).sum();
    let loss_ratio = Fraction::of(lost, lost + received);
    let least = |one: Option<&SubInterval>| i64::try_from(one?.least_delay_us?).ok();
    let first_and_last = least(sub_intervals.first()).zip(least(sub_intervals.last()));
    let delay_rise_us = first_and_last.map(|(first, last)| last.saturating_sub(first));
    let steady = delay_rise_us.is_some_and(|rise| u64::try_from(rise).unwrap_or(0) <= rise_at_most);
    let whole = loss_ratio.is_some_and(|ratio| ratio.get() <= loss_at_most);
    Verification {
        offered_bps,
        of_bps,
        sub_intervals: sub_intervals.to_vec(),
        loss_ratio,
        delay_rise_us,
        passed: steady && whole && sub_intervals.len() >= wanted,
    }
}
