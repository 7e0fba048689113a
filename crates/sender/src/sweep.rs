//! A sweep: one short paced session after the other, each as the planner of `culvert_session::sweep` wants it.
//!
//! Each trial has a conversation of its own, as every session has; between two of them the path rests.

mod trial;

use std::thread;
use std::time::Duration;

use culvert_pathmodel::Family;
use culvert_record::{Caveat, Finding, RunRecord, Way, describe_void};
use culvert_report::{SweepAsked, SweepCaveat, SweepReport, SweepTrial};
use culvert_session::sweep::{SweepAsk, SweepPlanner, Trial, TrialResult, sweep_sizes};
use culvert_units::{BitRate, Bytes, Mtu, explain, format_duration};
use culvert_wire::datagram::MIN_PAYLOAD;
use culvert_wire::message::RefusalReason;
use jiff::Timestamp;

use crate::args::SweepArgs;
use crate::runner::{RunError, Runner, Seen};
use crate::session::{Account, SessionError};
use trial::TrialFlow;

/// The MTU that counts where neither interface tells its own: Ethernet's.
const USUAL_MTU: u32 = 1500;

/// A listener may need this long to notice that the trial before is over.
const BUSY_FOR: Duration = Duration::from_millis(200);
/// How often it is asked again.
const BUSY_TIMES: u32 = 10;

/// How often a trial is made again that a host spoilt.
const REPEATS: u32 = 3;

/// A sweep under way.
#[derive(Debug)]
pub(crate) struct Sweep {
    ask: SweepAsk,
    asked: SweepAsked,
    flow: TrialFlow,
    planner: SweepPlanner,
    started_at: Timestamp,
    trials: Vec<SweepTrial>,
    caveats: Vec<SweepCaveat>,
}

/// Why a sweep ended before its time.
#[derive(Debug)]
pub(crate) enum BrokenOff {
    /// A trial came to nothing.
    Failed(Box<RunError>),
    /// A trial's result is worthless: the practitioner stopped it, or an end was lost.
    Void(Finding),
}

impl Sweep {
    /// A sweep as asked, within what the listener grants.
    pub(crate) fn new(args: &SweepArgs, seen: &Seen) -> Self {
        let header_bytes = u16::try_from(seen.family.header_length() + 8).unwrap_or(u16::MAX);
        let mtu = args.mtu.map_or_else(|| least_mtu(seen), Mtu::get);
        let mut ask = ask_of(args, seen, mtu);
        // What is said to be the most holds, also when trials are made again.
        ask.byte_budget = ask.most_bytes();
        let toward = Way::from(args.toward);
        let asked = SweepAsked {
            target: args.target.to_string(),
            family: seen.family,
            toward,
            mtu_bytes: mtu,
            trial_ms: ask.trial_ms,
            resolution: ask.resolution,
            loss_at_most: ask.loss_at_most,
            rate_cap_bps: ask.rate_cap_bps.map(BitRate::bits_per_second),
            at_most_bytes: ask.byte_budget.map(Bytes::get),
            header_bytes,
        };
        let flow = TrialFlow {
            target: args.target.clone(),
            family: seen.family,
            toward,
            header_bytes,
            length: args.trial,
            is_budgeted: seen.limits.bytes.is_some(),
        };
        Self {
            planner: SweepPlanner::new(ask.clone()),
            ask,
            asked,
            flow,
            started_at: Timestamp::now(),
            trials: Vec::new(),
            caveats: Vec::new(),
        }
    }

    /// What it will move at most, in one sentence, for before it moves it.
    pub(crate) fn volume_sentence(&self) -> String {
        let most =
            self.ask.most_bytes().map_or_else(String::new, |most| format!("at most {most} "));
        let sizes: Vec<_> = self.ask.sizes.iter().map(u16::to_string).collect();
        format!(
            "this sends {most}in trials of {}, up to {} for each of the sizes {} B, as fast as the path carries them; \
             --at-most and --limit-rate cap it",
            format_duration(self.flow.length),
            self.ask.trials_per_size,
            sizes.join(", ")
        )
    }

    /// Makes every trial; what was found stays when one breaks it off.
    pub(crate) fn run(&mut self, runner: &Runner) -> Result<(), BrokenOff> {
        while let Some(trial) = self.planner.next_trial() {
            let mut result = self.make(&trial, runner)?;
            // A host that looked away once can do better; one that is the limit stays it.
            for _ in 0..REPEATS {
                let is_spoilt = self.planner.is_spoilt(&trial, &result);
                if !is_spoilt || !self.planner.allows(&trial, result.sent) {
                    break;
                }
                self.planner.on_repeat(&trial, result.sent);
                result = self.make(&trial, runner)?;
            }
            self.planner.on_result(trial.number, result);
        }
        Ok(())
    }

    fn make(&mut self, trial: &Trial, runner: &Runner) -> Result<TrialResult, BrokenOff> {
        let wanted = self.flow.wanted(trial);
        let (mut record, account) = self
            .patiently(|| runner.run_in_full(&wanted))
            .map_err(|error| BrokenOff::Failed(Box::new(error)))?;
        if let Some(void) = record.void.take() {
            return Err(BrokenOff::Void(void));
        }
        // Only for what weakens a trial: one of which nothing arrives has failed, and is no less of a result.
        culvert_verdict::judge(&mut record, None);
        self.note_caveats(&record);
        let (result, row) = self.flow.weigh(trial, &record, &account);
        self.trials.push(row);
        Ok(result)
    }

    /// Whether anything was found.
    pub(crate) const fn has_trials(&self) -> bool {
        !self.trials.is_empty()
    }

    /// What is known so far.
    pub(crate) fn report(&self, broken_off: Option<&BrokenOff>) -> SweepReport {
        SweepReport::new(
            self.started_at.to_string(),
            self.asked.clone(),
            &self.planner.outcome(),
            self.trials.clone(),
            self.caveats.clone(),
            broken_off.map(BrokenOff::reason),
        )
    }

    /// Asks again while the listener still holds the trial before; the first one finds somebody else's session.
    fn patiently(
        &self,
        mut run: impl FnMut() -> Result<(RunRecord, Account), RunError>,
    ) -> Result<(RunRecord, Account), RunError> {
        let mut times = if self.has_trials() { BUSY_TIMES } else { 0 };
        loop {
            match run() {
                Err(RunError::Session(SessionError::Refused(refusal)))
                    if refusal.reason == RefusalReason::Busy && times > 0 =>
                {
                    times -= 1;
                    thread::sleep(BUSY_FOR);
                }
                done => return done,
            }
        }
    }

    fn note_caveats(&mut self, record: &RunRecord) {
        // Delay is asked of a trial only as far as the first of each burst tells it.
        let of_no_matter = |caveat: &Caveat| {
            matches!(caveat, Caveat::DelayOfBurstHeads { .. } | Caveat::NotSteady { .. })
        };
        let mut seen: Vec<&str> = Vec::new();
        for finding in &record.caveats {
            let known = Caveat::from_finding(finding);
            // Once a trial, however many cores or ways it was seen at.
            if known.is_some_and(|caveat| of_no_matter(&caveat))
                || seen.contains(&finding.code.as_str())
            {
                continue;
            }
            seen.push(&finding.code);
            match self.caveats.iter_mut().find(|known| known.finding.code == finding.code) {
                Some(known) => {
                    known.trials += 1;
                    known.finding = finding.clone();
                }
                None => self.caveats.push(SweepCaveat { trials: 1, finding: finding.clone() }),
            }
        }
    }
}

impl BrokenOff {
    fn reason(&self) -> String {
        match self {
            Self::Failed(error) => {
                let text = explain(error.as_ref());
                let line = text.lines().next().unwrap_or_default();
                line.strip_prefix("error: ").unwrap_or(line).to_owned()
            }
            Self::Void(finding) => describe_void(finding),
        }
    }
}

fn ask_of(args: &SweepArgs, seen: &Seen, mtu: u16) -> SweepAsk {
    let trial_ms = u64::try_from(args.trial.as_millis()).unwrap_or(u64::MAX);
    let (sizes, least) = sizes_of(args, seen.family, mtu);
    let middle = sizes.len() / 2;
    let beside = sizes.get(middle).zip(sizes.get(middle + 1)).filter(|_| sizes.len() >= 3);
    let between = beside.map(|(smaller, larger)| u16::midpoint(*smaller, *larger));
    let limits = &seen.limits;
    // A trial is rounded up to whole packets.
    let largest = sizes.last().copied().map_or(0, u64::from);
    let by_bytes = limits.bytes.map(|most| Bytes::new(most.saturating_sub(largest)));
    let by_bytes = by_bytes.and_then(|most| most.over(args.trial));
    let by_rate = limits.rate_bps.map(BitRate::from_bits_per_second);
    SweepAsk {
        check: args.predict.map(|size| size.clamp(least, mtu)).or(between),
        trial_ms,
        rate_cap_bps: args.limit_rate.into_iter().chain(by_bytes).chain(by_rate).min(),
        byte_budget: Some(args.at_most),
        ..SweepAsk::over(sizes)
    }
}

/// The sizes, ascending and each once, and the least that a packet can have.
fn sizes_of(args: &SweepArgs, family: Family, mtu: u16) -> (Vec<u16>, u16) {
    let least_payload = u16::try_from(MIN_PAYLOAD).unwrap_or(u16::MAX);
    let headers = u16::try_from(family.header_length()).unwrap_or(u16::MAX).saturating_add(8);
    let least = headers.saturating_add(least_payload).min(mtu);
    let mut sizes = match Mtu::new(mtu) {
        Ok(mtu) if args.sizes.is_empty() => sweep_sizes(family, mtu, least_payload),
        _ => args.sizes.iter().map(|size| (*size).clamp(least, mtu)).collect(),
    };
    sizes.sort_unstable();
    sizes.dedup();
    (sizes, least)
}

fn least_mtu(seen: &Seen) -> u16 {
    u16::try_from(seen.least_interface_mtu.unwrap_or(USUAL_MTU)).unwrap_or(u16::MAX)
}
