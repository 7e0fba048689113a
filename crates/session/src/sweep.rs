//! The highest rate without loss at each of several packet sizes, for the cost of a packet and of a byte.
//!
//! The sizes are those of RFC 2544, as IP packets. Its method of one minute a trial is for laboratories and MUST NOT be run
//! on a network in use (RFC 6815): trials here are short and few, a cap and a budget hold, and a queue that grows counts
//! as much as a loss. Trials go round the sizes, so that what changes in the meantime touches all of them, and the largest
//! and the smallest come first, since they carry the line.

mod ask;
mod one_size;
mod outcome;
#[cfg(test)]
mod tests;

pub use ask::{SWEEP_SIZES, SweepAsk, sweep_sizes};
use one_size::OneSize;
pub use outcome::{PredictionCheck, SizeFigure, SizeHeld, SweepOutcome};

/// One trial to run: so many packets of one size at an even pace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trial {
    /// Numbers the trials from 0.
    pub number: u32,
    /// The whole IP packet in bytes.
    pub ip_bytes: u16,
    /// Packets per second.
    pub packets_per_second: f64,
    /// How many packets.
    pub packets: u64,
}

/// What a trial gave.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TrialResult {
    /// Packets that were sent.
    pub sent: u64,
    /// How long that took, nanoseconds of the transmitter's clock.
    pub sent_in_ns: u64,
    /// First copies that arrived.
    pub received: u64,
    /// Packets per second that arrived in the steady part, by the receiver's clock; `None` when it cannot tell.
    pub arrived_per_second: Option<f64>,
    /// The least delay of the last quarter over that of the first, microseconds; `None` when it was not measured.
    pub delay_rise_us: Option<i64>,
    /// A host took something from it: what it lost or waited may be the host's doing.
    pub disturbed: bool,
}

impl TrialResult {
    /// Whether the transmitter, not the path, kept the trial from its rate.
    fn fell_short_of(&self, trial: &Trial) -> bool {
        one_size::is_short(self, trial.packets_per_second)
    }
}

/// Plans the trials of a sweep and takes their results.
#[derive(Debug, Clone)]
pub struct SweepPlanner {
    ask: SweepAsk,
    sizes: Vec<OneSize>,
    check: Option<OneSize>,
    under_way: Option<Trial>,
    trials: Vec<(Trial, TrialResult)>,
    /// The place in `sizes` of the next one to look at.
    turn: usize,
    spent_bytes: u64,
    out_of_budget: bool,
}

impl SweepPlanner {
    /// A sweep over the sizes of `ask`.
    pub fn new(ask: SweepAsk) -> Self {
        Self {
            sizes: ask.in_order().into_iter().map(OneSize::new).collect(),
            check: ask.check.map(OneSize::new),
            ask,
            under_way: None,
            trials: Vec::new(),
            turn: 0,
            spent_bytes: 0,
            out_of_budget: false,
        }
    }

    /// The next trial; `None` when all is known or the budget allows no further one. Asked again without a result, it gives
    /// the same trial.
    pub fn next_trial(&mut self) -> Option<Trial> {
        if self.under_way.is_none() && !self.out_of_budget {
            self.under_way = self.choose();
        }
        self.under_way
    }

    /// Takes the result of the trial under way; of any other it takes nothing.
    pub fn on_result(&mut self, number: u32, result: TrialResult) {
        let Some(trial) = self.under_way.take_if(|trial| trial.number == number) else { return };
        let bytes = result.sent.saturating_mul(u64::from(trial.ip_bytes));
        self.spent_bytes = self.spent_bytes.saturating_add(bytes);
        let ask = &self.ask;
        let sizes = self.sizes.iter_mut().chain(self.check.as_mut());
        // The size to check may be one of the others only when it is asked for twice; the first open one is meant.
        let mut open = sizes.filter(|size| size.ip_bytes() == trial.ip_bytes && !size.is_settled());
        if let Some(size) = open.next() {
            size.on_result(trial.packets_per_second, &result, ask);
        }
        self.trials.push((trial, result));
    }

    /// Whether the budget allows this trial once more, after so many packets of it.
    pub fn allows(&self, trial: &Trial, sent: u64) -> bool {
        let packets = sent.saturating_add(trial.packets);
        let bytes = packets.saturating_mul(u64::from(trial.ip_bytes));
        let spent = self.spent_bytes.saturating_add(bytes);
        self.ask.byte_budget.is_none_or(|budget| spent <= budget.get())
    }

    /// Whether a host kept a trial from telling something of the path: it sent less than it was to, or had its part in a
    /// result that would count against the path. What passes in spite of a disturbance has passed.
    pub fn is_spoilt(&self, trial: &Trial, result: &TrialResult) -> bool {
        result.fell_short_of(trial) || (result.disturbed && !one_size::passes(result, &self.ask))
    }

    /// Takes note of a trial that is to be made again: what it moved counts, what it gave does not.
    pub fn on_repeat(&mut self, trial: &Trial, sent: u64) {
        let bytes = sent.saturating_mul(u64::from(trial.ip_bytes));
        self.spent_bytes = self.spent_bytes.saturating_add(bytes);
    }

    /// What is known so far; complete once there is no further trial.
    pub fn outcome(&self) -> SweepOutcome {
        let figures = self.sizes.iter().map(|size| size.figure(self.out_of_budget)).collect();
        let check = self.check.as_ref().map(|size| size.figure(self.out_of_budget));
        let loss_at_most = self.ask.loss_at_most;
        SweepOutcome::of(figures, check, self.trials.len(), self.spent_bytes, loss_at_most)
    }

    /// Every trial with its result, in the order they were made.
    pub fn trials(&self) -> &[(Trial, TrialResult)] {
        &self.trials
    }

    fn choose(&mut self) -> Option<Trial> {
        let known = self.outcome().cost;
        let count = self.sizes.len();
        let turns = (0..count).map(|step| (self.turn + step) % count);
        let next = turns
            .into_iter()
            .find(|place| self.sizes.get(*place).is_some_and(|size| !size.is_settled()));
        let size = match next {
            Some(place) => {
                self.turn = place + 1;
                self.sizes.get(place)
            }
            None => self.check.as_ref().filter(|size| !size.is_settled()),
        }?;
        let ip_bytes = size.ip_bytes();
        let expected = known.and_then(|cost| cost.predict(ip_bytes, 0.95));
        let first = expected.map(|rate| rate.packets_per_second.value);
        let packets_per_second = size.next_rate(first, &self.ask);
        let packets = self.ask.packets_at(packets_per_second);
        let bytes = packets.saturating_mul(u64::from(ip_bytes));
        let left = self.ask.byte_budget.map(|budget| budget.get().saturating_sub(self.spent_bytes));
        if left.is_some_and(|left| bytes > left) {
            self.out_of_budget = true;
            return None;
        }
        let number = u32::try_from(self.trials.len()).unwrap_or(u32::MAX);
        Some(Trial { number, ip_bytes, packets_per_second, packets })
    }
}
