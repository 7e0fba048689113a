//! What of a survey is done, by the runs in its ledger.

use std::path::Path;

use culvert_record::{Direction, LedgerContents, Place, RunRecord, SurveyPosition, VoidReason};
use culvert_session::plan::{Plan, Step};
use culvert_units::Bytes;

use super::SurveyError;

/// How often a step is run that took the same way as outside.
const SAME_WAY_RUNS: usize = 2;

/// A survey's runs so far.
pub(super) struct Progress {
    id: String,
    is_new: bool,
    used: Bytes,
    valid: Vec<(u32, u32)>,
    same_way: Vec<(u32, u32)>,
    outside: Option<RunRecord>,
}

impl Progress {
    /// What `contents` holds of the survey of `plan`; a new survey when it holds none.
    pub(super) fn of(
        plan: &Plan,
        contents: &LedgerContents,
        ledger: &Path,
    ) -> Result<Self, SurveyError> {
        let known = contents.headers.iter().find(|header| header.plan_hash == plan.hash());
        if let (None, Some(other)) = (known, contents.headers.first()) {
            let (ledger, name) = (ledger.to_owned(), other.name.clone());
            return Err(SurveyError::OtherSurvey { ledger, name });
        }
        let new_id = || format!("{:032x}", rand::random::<u128>());
        let mut progress = Self {
            id: known.map_or_else(new_id, |header| header.id.clone()),
            is_new: known.is_none(),
            used: Bytes::new(0),
            valid: Vec::new(),
            same_way: Vec::new(),
            outside: None,
        };
        if let Some(header) = known {
            for run in contents.runs_of(&header.id) {
                progress.count(plan, run.clone());
            }
        }
        Ok(progress)
    }

    /// Takes one more run into account.
    pub(super) fn count(&mut self, plan: &Plan, run: RunRecord) {
        let Some(position) = &run.survey else { return };
        let place = (position.round, position.position);
        self.used = self.used.saturating_add(moved(plan, &run, position.position));
        match run.void.as_ref() {
            None => self.valid.push(place),
            Some(finding) => {
                let reason = VoidReason::from_finding(finding);
                if matches!(reason, Some(VoidReason::SameWayAsOutside { .. })) {
                    self.same_way.push(place);
                }
            }
        }
        if run.void.is_none() && run.path.place == Some(Place::Outside) {
            self.outside = Some(run);
        }
    }

    /// The survey's name among others.
    pub(super) fn id(&self) -> &str {
        &self.id
    }

    /// Whether the ledger does not know the survey yet.
    pub(super) const fn is_new(&self) -> bool {
        self.is_new
    }

    /// Payload bytes moved so far.
    pub(super) const fn used(&self) -> Bytes {
        self.used
    }

    /// What the byte budget leaves; `None` without one.
    pub(super) fn bytes_left(&self, plan: &Plan) -> Option<Bytes> {
        plan.at_most().map(|most| Bytes::new(most.get().saturating_sub(self.used.get())))
    }

    /// The latest valid run of the outside path.
    pub(super) const fn outside(&self) -> Option<&RunRecord> {
        self.outside.as_ref()
    }

    /// The steps that are not done.
    pub(super) fn remaining(&self, plan: &Plan) -> Vec<Step> {
        let mut done = self.valid.clone();
        done.extend(self.given_up());
        plan.remaining(&done)
    }

    /// How many steps have no valid run and are not run again.
    pub(super) fn void_for_good(&self, plan: &Plan) -> usize {
        let given_up: Vec<_> = self.given_up().collect();
        let lost = |step: &&Step| given_up.contains(&(step.round, step.position));
        plan.running_order().iter().filter(lost).count()
    }

    /// What the record of `step` says about its place.
    pub(super) fn position(&self, plan: &Plan, step: &Step) -> SurveyPosition {
        SurveyPosition {
            id: self.id.clone(),
            plan_hash: plan.hash().to_owned(),
            round: step.round,
            position: step.position,
        }
    }

    fn given_up(&self) -> impl Iterator<Item = (u32, u32)> {
        self.same_way.iter().copied().filter(|place| {
            let runs = self.same_way.iter().filter(|other| *other == place).count();
            runs >= SAME_WAY_RUNS && !self.valid.contains(place)
        })
    }
}

/// The bytes a run moved; where it does not say, what its session may move, so that a budget is never overdrawn.
fn moved(plan: &Plan, run: &RunRecord, position: u32) -> Bytes {
    let ways = [run.toward_far.as_ref(), run.toward_near.as_ref()];
    let told: Vec<u64> = ways.into_iter().flatten().filter_map(one_way).collect();
    if !told.is_empty() && told.len() == ways.into_iter().flatten().count() {
        return Bytes::new(told.into_iter().fold(0, u64::saturating_add));
    }
    let order = plan.running_order();
    let step = order.iter().find(|step| step.position == position);
    step.and_then(|step| plan.sessions().get(step.session))
        .and_then(|session| plan.volume_of(session))
        .unwrap_or_default()
}

fn one_way(direction: &Direction) -> Option<u64> {
    direction.bytes_sent.max(direction.bytes_received)
}
