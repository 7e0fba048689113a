//! When a search acts of itself.

use super::{CapacitySearch, Phase};

impl CapacitySearch {
    /// Moves time on, never back, and counts what was ordered.
    pub(super) fn advance(&mut self, now_ns: u64) {
        let elapsed = now_ns.saturating_sub(self.now_ns);
        if matches!(self.phase, Phase::Search) {
            let rate = self.order().rate.map_or(0.0, |rate| rate.bits_per_second() as f64);
            self.ordered_bytes += rate / 8.0 * elapsed as f64 / 1e9;
        }
        self.now_ns = self.now_ns.max(now_ns);
    }

    /// RFC 9097 8.1: UDRT + (2 + w)·FT after the last report.
    pub(super) const fn lost_status_at(&self) -> u64 {
        let repeats = self.lost_statuses.saturating_add(self.parameters.lost_status_extra);
        let reports = nanos(self.parameters.feedback_ms).saturating_mul(repeats.saturating_add(2));
        let delay = self.parameters.high_delay_us.saturating_mul(1000);
        self.heard_ns.saturating_add(delay).saturating_add(reports)
    }

    pub(super) const fn silent_at(&self) -> u64 {
        self.heard_ns.saturating_add(nanos(self.parameters.feedback_timeout_ms))
    }

    /// By the transmitter's clock, with the patience of one feedback timeout on top.
    pub(super) fn phase_ends_at(&self) -> u64 {
        let (since, length) = match self.phase {
            Phase::Search => (self.started_ns, self.parameters.search_ms),
            Phase::Verify { since_ns, .. } => (since_ns, self.parameters.verify_ms),
            Phase::Rest { .. } | Phase::Done => return u64::MAX,
        };
        let patience = nanos(self.parameters.feedback_timeout_ms);
        since.saturating_add(nanos(length)).saturating_add(patience)
    }
}

/// Milliseconds in nanoseconds; saturates.
pub(super) const fn nanos(millis: u64) -> u64 {
    millis.saturating_mul(1_000_000)
}
