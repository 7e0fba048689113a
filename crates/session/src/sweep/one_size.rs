//! The search for the highest rate at one size: between what passed and what failed, led by what arrived.

use super::TrialResult;
use super::ask::SweepAsk;
use super::outcome::{SizeFigure, SizeHeld};

/// A transmitter that reaches less than this share of a trial's rate is the limit itself.
const KEPT_UP: f64 = 0.98;

/// The trials around what arrived lie so many resolutions from it: the first two settle a size together, the others
/// where a queue takes a little too much in.
const STEPS: [f64; 4] = [-0.4, 0.4, 1.3, 3.0];

#[derive(Debug, Clone)]
pub(super) struct OneSize {
    ip_bytes: u16,
    /// The highest rate that passed, and the lowest that failed, packets per second.
    passed: Option<f64>,
    failed: Option<f64>,
    /// What arrived of the last trial that failed.
    arrived: Option<f64>,
    doubt: Doubt,
    trials: u32,
    held: Option<SizeHeld>,
}

/// Whether the rate that passed is to be tried again, because less than it arrived of a higher one: the path has changed
/// since, or it carries less the more it is offered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Doubt {
    None,
    TryAgain,
    Settled,
}

/// So much less than what passed, as a share of it, gives rise to doubt.
const FAR_LESS: f64 = 0.05;

impl OneSize {
    pub(super) const fn new(ip_bytes: u16) -> Self {
        Self {
            ip_bytes,
            passed: None,
            failed: None,
            arrived: None,
            doubt: Doubt::None,
            trials: 0,
            held: None,
        }
    }

    pub(super) const fn ip_bytes(&self) -> u16 {
        self.ip_bytes
    }

    pub(super) const fn is_settled(&self) -> bool {
        self.held.is_some()
    }

    /// The rate of the next trial; `expected` is what the other sizes let expect.
    pub(super) fn next_rate(&self, expected: Option<f64>, ask: &SweepAsk) -> f64 {
        let cap = ask.cap_at(self.ip_bytes);
        let wanted = match (self.passed, self.failed) {
            (Some(passed), _) if self.doubt == Doubt::TryAgain => passed,
            (None, None) => expected.unwrap_or_else(|| ask.first_at(self.ip_bytes)),
            (Some(passed), None) => passed * 2.0,
            (passed, Some(failed)) => {
                let low = passed.unwrap_or(0.0);
                // Just below, then just above what arrived of too much: a path that is full delivers what it can.
                let near = STEPS.map(|step| 1.0 + step * ask.resolution);
                let led = near.map(|share| self.arrived.map_or(0.0, |arrived| arrived * share));
                // A trial's rate is counted in whole packets: what lies as near as that was tried.
                let apart = ask.resolution / 5.0;
                let open = low * (1.0 + apart)..failed * (1.0 - apart);
                let led = led.into_iter().find(|led| open.contains(led));
                led.unwrap_or_else(|| f64::midpoint(low, failed))
            }
        };
        wanted.min(cap).max(f64::MIN_POSITIVE)
    }

    pub(super) fn on_result(&mut self, asked: f64, result: &TrialResult, ask: &SweepAsk) {
        self.trials += 1;
        let reached = reached(result);
        let short = is_short(result, asked);
        if passes(result, ask) {
            self.passed = Some(self.passed.unwrap_or(0.0).max(reached.min(asked)));
            if short {
                self.held = Some(SizeHeld::Transmitter);
            } else if asked >= ask.cap_at(self.ip_bytes) {
                self.held = Some(SizeHeld::RateCap);
            }
        } else {
            let failed = reached.min(asked);
            self.failed = Some(self.failed.map_or(failed, |before| before.min(failed)));
            self.arrived = result.arrived_per_second.filter(|rate| rate.is_finite() && *rate > 0.0);
        }
        self.doubt = match self.doubt {
            Doubt::None if self.is_far_less() => Doubt::TryAgain,
            Doubt::None => Doubt::None,
            Doubt::TryAgain | Doubt::Settled => Doubt::Settled,
        };
        if self.passed.zip(self.failed).is_some_and(|(passed, failed)| failed <= passed) {
            self.held = Some(SizeHeld::Inconsistent);
        }
        if self.is_bracketed(ask) {
            self.held = self.held.or(Some(SizeHeld::Path));
        } else if self.trials >= ask.trials_per_size {
            self.held = self.held.or(Some(SizeHeld::Trials));
        }
    }

    pub(super) fn figure(&self, out_of_budget: bool) -> SizeFigure {
        let pending = if out_of_budget { SizeHeld::Budget } else { SizeHeld::Pending };
        SizeFigure {
            ip_bytes: self.ip_bytes,
            packets_per_second: self.passed,
            failed_at: self.failed,
            trials: self.trials,
            held: self.held.unwrap_or(pending),
        }
    }

    fn is_far_less(&self) -> bool {
        let both = self.arrived.zip(self.passed);
        both.is_some_and(|(arrived, passed)| arrived < passed * (1.0 - FAR_LESS))
    }

    fn is_bracketed(&self, ask: &SweepAsk) -> bool {
        self.passed
            .zip(self.failed)
            .is_some_and(|(passed, failed)| failed - passed <= ask.resolution * failed)
    }
}

/// Packets per second that the transmitter sent.
fn reached(result: &TrialResult) -> f64 {
    let seconds = result.sent_in_ns as f64 / 1e9;
    if seconds > 0.0 { result.sent as f64 / seconds } else { 0.0 }
}

/// Whether the transmitter did not keep up.
pub(super) fn is_short(result: &TrialResult, asked: f64) -> bool {
    reached(result) < KEPT_UP * asked
}

/// Whether the path carried a trial.
pub(super) fn passes(result: &TrialResult, ask: &SweepAsk) -> bool {
    let lost = result.sent.saturating_sub(result.received);
    let kept = result.sent > 0 && lost as f64 <= ask.loss_at_most * result.sent as f64;
    kept && result.delay_rise_us.is_none_or(|rise| rise as f64 <= ask.rise_at_most_us())
}
