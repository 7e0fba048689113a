//! The highest IP-layer rate a path carries within bounds of loss and delay, by the method of RFC 9097.
//!
//! The receiver reports every 50 ms; the offered rate follows ([`LoadAdjustment`]); the best of the one-second
//! sub-intervals is the maximum, which a second, steady load at 99.5 % must then stand (8.2). This is no congestion
//! control and must not be used as one (RFC 9097 8.1). Times are nanoseconds of the transmitter's monotonic clock.
//!
//! Send what [`CapacitySearch::order`] says, never more than its bytes; tell of reports, of bytes sent and of time, until
//! there is a [`CapacitySearch::outcome`].

mod adjust;
mod clockwork;
mod judge;
mod rates;
mod sub_interval;
#[cfg(test)]
mod tests;

use culvert_units::{BitRate, Bytes};

use clockwork::nanos;

pub use adjust::{LoadAdjustment, LoadReport};
pub use culvert_wire::capacity::{
    CapacityEnd, CapacityOutcome, CapacityParameters, Held, Ramp, SubInterval, Verification,
};
pub use rates::{LAST_ROW, rate_of, row_at_most};
use sub_interval::Gauge;
pub use sub_interval::{Feedback, Reported};

/// A verification begins to count once this share of its rate, in percent, arrives without an error, or after so many
/// reports.
const ARRIVED_PERCENT: u64 = 90;
const LATEST_START: u32 = 10;

/// What to send now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Order {
    /// The IP-layer rate; `None` sends nothing for the moment.
    pub rate: Option<BitRate>,
    /// How many bytes of IP packets may be sent before the next report; `None` without a budget.
    pub most_bytes: Option<Bytes>,
}

/// The search, from its first datagram to its verification.
#[derive(Debug, Clone)]
pub struct CapacitySearch {
    parameters: CapacityParameters,
    started_ns: u64,
    now_ns: u64,
    phase: Phase,
    load: LoadAdjustment,
    last: Feedback,
    least_delay_us: Option<i64>,
    /// The longest delay of the last report above the least of all.
    queued_us: u64,
    heard_ns: u64,
    lost_statuses: u64,
    gauge: Gauge,
    verifications: Vec<Verification>,
    sent_bytes: u64,
    /// What the search ordered so far, bytes, and what was sent of it.
    ordered_bytes: f64,
    searched_bytes: u64,
    outcome: Option<CapacityOutcome>,
}

#[derive(Debug, Clone)]
enum Phase {
    Search,
    Rest { until_ns: u64, offered: BitRate },
    Verify { since_ns: u64, offered: BitRate, gauge: Option<Gauge>, waited: u32 },
    Done,
}

impl CapacitySearch {
    /// A search that begins to send at `now_ns`.
    pub fn new(parameters: CapacityParameters, now_ns: u64) -> Self {
        Self {
            started_ns: now_ns,
            now_ns,
            phase: Phase::Search,
            load: LoadAdjustment::new(&parameters),
            last: Feedback::default(),
            least_delay_us: None,
            queued_us: 0,
            heard_ns: now_ns,
            lost_statuses: 0,
            gauge: Gauge::new(parameters.sub_interval_ms, Feedback::default()),
            verifications: Vec::new(),
            sent_bytes: 0,
            ordered_bytes: 0.0,
            searched_bytes: 0,
            outcome: None,
            parameters,
        }
    }

    /// What to send now; ask again after every call.
    pub fn order(&self) -> Order {
        let rate = match &self.phase {
            Phase::Search => Some(self.load.rate()),
            Phase::Verify { offered, .. } => Some(*offered),
            Phase::Rest { .. } | Phase::Done => None,
        };
        let cap = self.parameters.rate_cap_bps;
        Order {
            rate: rate.map(|rate| cap.map_or(rate, |cap| rate.min(cap))),
            most_bytes: self.remaining().map(Bytes::new),
        }
    }

    /// Says how many bytes of IP packets have been sent since the beginning.
    pub fn on_sent(&mut self, total_ip_bytes: u64, now_ns: u64) {
        self.advance(now_ns);
        self.sent_bytes = self.sent_bytes.max(total_ip_bytes);
        let packet = u64::from(self.parameters.ip_bytes).max(1);
        if self.outcome.is_none() && self.remaining().is_some_and(|left| left < packet) {
            self.finish(CapacityEnd::Budget);
        }
    }

    /// Takes a report of the receiver in; one that does not follow the last is left out.
    pub fn on_feedback(&mut self, feedback: Feedback, now_ns: u64) {
        self.advance(now_ns);
        if self.outcome.is_some() || !feedback.follows(&self.last) {
            return;
        }
        self.heard_ns = self.now_ns;
        self.lost_statuses = 0;
        let least =
            feedback.delay_us.map(|(least, _)| least).into_iter().chain(self.least_delay_us);
        self.least_delay_us = least.min();
        let report = feedback.load_since(&self.last, self.least_delay_us.unwrap_or(0));
        self.last = feedback;
        self.queued_us = report.delay_range_us;
        match self.phase {
            Phase::Search => self.search_on(report),
            Phase::Verify { .. } => self.verify_on(report),
            Phase::Rest { .. } | Phase::Done => {}
        }
        self.handle_timeout(now_ns);
    }

    /// Acts on time; an early call does nothing.
    pub fn handle_timeout(&mut self, now_ns: u64) {
        self.advance(now_ns);
        if self.outcome.is_some() {
            return;
        }
        let silent = self.now_ns >= self.silent_at() && !matches!(self.phase, Phase::Rest { .. });
        if silent {
            return self.finish(CapacityEnd::PeerSilent);
        }
        match &self.phase {
            Phase::Search if self.now_ns >= self.phase_ends_at() => self.end_search(),
            Phase::Search if self.now_ns >= self.lost_status_at() => {
                self.lost_statuses += 1;
                self.load.on_lost_status(&self.parameters);
            }
            Phase::Rest { until_ns, offered } if self.now_ns >= *until_ns => {
                self.heard_ns = self.now_ns;
                let (since_ns, offered) = (self.now_ns, *offered);
                self.phase = Phase::Verify { since_ns, offered, gauge: None, waited: 0 };
            }
            Phase::Verify { .. } if self.now_ns >= self.phase_ends_at() => self.end_verification(),
            _ => {}
        }
    }

    /// When to call [`Self::handle_timeout`] next; `None` after the end.
    pub fn poll_timeout(&self) -> Option<u64> {
        match self.phase {
            Phase::Done => None,
            Phase::Rest { until_ns, .. } => Some(until_ns),
            Phase::Search => {
                Some(self.lost_status_at().min(self.silent_at()).min(self.phase_ends_at()))
            }
            Phase::Verify { .. } => Some(self.silent_at().min(self.phase_ends_at())),
        }
    }

    /// Ends at once with what was found so far.
    pub fn stop(&mut self, now_ns: u64) {
        self.advance(now_ns);
        if self.outcome.is_none() {
            self.finish(CapacityEnd::Stopped);
        }
    }

    /// What was found, once the search has ended.
    pub const fn outcome(&self) -> Option<&CapacityOutcome> {
        self.outcome.as_ref()
    }

    fn search_on(&mut self, report: LoadReport) {
        self.gauge.accept(&self.last, self.least_delay_us.unwrap_or(0));
        self.load.on_report(report, &self.parameters);
        let wanted = self.parameters.sub_intervals_in(self.parameters.search_ms);
        if self.gauge.done().len() >= wanted || self.is_steady() || self.is_search_budget_spent() {
            self.end_search();
        }
    }

    fn verify_on(&mut self, report: LoadReport) {
        let (length_ms, last) = (self.parameters.sub_interval_ms, self.last);
        let least = self.least_delay_us.unwrap_or(0);
        let Phase::Verify { offered, gauge, waited, .. } = &mut self.phase else { return };
        if let Some(gauge) = gauge {
            gauge.accept(&last, least);
            let wanted = self.parameters.sub_intervals_in(self.parameters.verify_ms);
            if gauge.done().len() >= wanted {
                self.end_verification();
            }
            return;
        }
        *waited += 1;
        let enough = offered.bits_per_second() / 100 * ARRIVED_PERCENT;
        let arrived = report.delivered.is_some_and(|rate| rate.bits_per_second() >= enough);
        // Errors at first may be what the load before it left behind.
        if (arrived && report.sequence_errors == 0) || *waited >= LATEST_START {
            *gauge = Some(Gauge::new(length_ms, last));
        }
    }

    fn end_search(&mut self) {
        self.searched_bytes = self.sent_bytes;
        match self.to_verify().filter(|_| self.parameters.verify_ms > 0) {
            Some(rate) => self.rest_before(scaled(rate, self.parameters.verify_share)),
            None if self.is_search_budget_spent() => self.finish(CapacityEnd::Budget),
            None => self.finish(CapacityEnd::Complete),
        }
    }

    /// Verifies at `offered` after a rest, or ends when the budget or the attempts do not allow it.
    fn rest_before(&mut self, offered: BitRate) {
        let length = std::time::Duration::from_millis(self.parameters.verify_ms);
        let needed = offered.carried_in(length).get();
        if self.remaining().is_some_and(|left| left < needed) {
            return self.finish(CapacityEnd::Budget);
        }
        if self.verifications.len() >= self.parameters.verify_attempts {
            return self.finish(CapacityEnd::Complete);
        }
        // Twice what the queue holds, and no longer: a limiter without a queue would save up for a burst.
        let drained = self.queued_us.saturating_mul(2_000);
        let until_ns = self.now_ns.saturating_add(drained.min(nanos(self.parameters.rest_ms)));
        self.phase = Phase::Rest { until_ns, offered };
    }

    fn end_verification(&mut self) {
        let Phase::Verify { offered, gauge, .. } = &self.phase else { return };
        let (offered, done) = (*offered, gauge.as_ref().map_or(&[][..], Gauge::done));
        let bounds = (self.parameters.verified_loss_at_most, self.parameters.rising_delay_us);
        let wanted = self.parameters.sub_intervals_in(self.parameters.verify_ms);
        let of = self.to_verify().filter(|_| self.verifications.is_empty());
        let verification = judge::verification((offered, of), done, wanted, bounds);
        let passed = verification.passed;
        let delivered = done.last().map_or(offered, |last| last.rate_bps);
        self.verifications.push(verification);
        if passed {
            return self.finish(CapacityEnd::Complete);
        }
        // One percent less, or what arrived in the end where that is less still: a burst may be spent by then.
        let less = scaled(offered, 0.99).min(scaled(delivered, self.parameters.verify_share));
        self.rest_before(less);
    }

    fn finish(&mut self, end: CapacityEnd) {
        if matches!(self.phase, Phase::Search) {
            self.searched_bytes = self.sent_bytes;
        }
        self.phase = Phase::Done;
        self.outcome = Some(CapacityOutcome {
            end,
            maximum: self.maximum(),
            sub_intervals: self.gauge.done().to_vec(),
            verifications: std::mem::take(&mut self.verifications),
            congestion_seen: self.load.saw_trouble(),
            held: self.held(),
            sent_bytes: self.sent_bytes,
        });
    }
}

/// The rate times a share of at most 1, rounded down.
fn scaled(rate: BitRate, share: f64) -> BitRate {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the conversion saturates, and a share below zero is none"
    )]
    let bits = (rate.bits_per_second() as f64 * share.clamp(0.0, 1.0)) as u64;
    BitRate::from_bits_per_second(bits)
}
