//! What the sub-intervals of a search amount to.

use culvert_units::BitRate;

use super::{CapacitySearch, Held, SubInterval};

/// Sub-intervals agree when they lie within one percent.
const STEADY: f64 = 0.01;

/// A transmitter that sent less than this share of what it was told to held the rate itself.
const KEPT_UP: f64 = 0.95;

impl CapacitySearch {
    pub(super) fn maximum(&self) -> Option<SubInterval> {
        let bound = self.parameters.search_loss_at_most;
        let within = self.gauge.done().iter().filter(|one| one.loses_at_most(bound));
        within.max_by_key(|one| one.rate_bps).copied()
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
