//! Carries out a survey plan: switches paths, runs the sessions, keeps the ledger, goes on where it stopped.
//!
//! How one session is run is the caller's ([`RunOneSession`]); what touches the host beyond the ledger is behind
//! [`Surroundings`]. Start with [`Survey::carry_out`].
//!
//! A step of the plan is done when the ledger holds a valid run of it. A void run is repeated by the next call, except
//! that one which took the same way as outside is repeated once only: the route is then as the practitioner set it, and
//! no repeat will change it. Every run counts toward the byte budget, void or not.

mod announce;
mod command;
mod error;
mod header;
mod progress;
mod surroundings;
mod switching;

#[cfg(test)]
mod tests;

use std::{io::Write, time::Duration};

use culvert_record::{Ledger, RunRecord, SurveyPosition, VoidReason};
use culvert_session::plan::{Plan, PlannedPath, PlannedSession, Step};
use culvert_units::{Bytes, ExitStatus, Explain, format_duration};

pub use command::CommandEnd;
pub use error::{SessionFailure, SurveyError, Wanted};
pub use surroundings::{Answer, Heed, Surroundings, ThisHost};

use progress::Progress;
use switching::Standing;

/// Why a session could not be run at all.
pub type Failure = Box<dyn Explain + Send + Sync>;

/// One session that the survey wants run now.
#[derive(Debug, Clone)]
pub struct StepToRun<'s> {
    /// The path, which stands.
    pub path: &'s PlannedPath,
    /// What to run on it.
    pub session: &'s PlannedSession,
    /// What goes into the record.
    pub survey: SurveyPosition,
    /// The payload bytes that the session may move, both ways together; `None` without a budget.
    pub at_most: Option<Bytes>,
}

/// Runs single sessions.
pub trait RunOneSession {
    /// Runs one session to its end.
    ///
    /// A session that ran is a record, void or not, and is neither stored nor shown by the runner. It is an error when
    /// no session came about: the survey then stops, and the step is run again by the next call.
    fn run(&mut self, step: &StepToRun<'_>) -> Result<RunRecord, Failure>;
}

/// Everything a survey needs.
pub struct Survey<'s> {
    /// What to do.
    pub plan: &'s Plan,
    /// Where runs are kept.
    pub ledger: &'s mut Ledger,
    /// Who runs a session.
    pub runner: &'s mut dyn RunOneSession,
    /// The host and the practitioner.
    pub surroundings: &'s mut dyn Surroundings,
    /// Where talk goes.
    pub talk: &'s mut dyn Write,
}

/// How a survey ended without an error.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SurveyEnd {
    /// Every step was run.
    Finished {
        /// Steps whose runs were void and are repeated by the next call.
        to_repeat: usize,
        /// Steps whose runs are void and are not repeated.
        void: usize,
    },
    /// The next session might exceed the byte budget.
    BytesSpent {
        /// Steps that are left.
        left: usize,
    },
    /// The next session would exceed the time budget.
    TimeSpent {
        /// Steps that are left.
        left: usize,
    },
    /// The practitioner stopped it.
    Interrupted {
        /// Steps that are left.
        left: usize,
    },
}

impl SurveyEnd {
    /// The status the program ends with: a survey that its budget stopped has done what was asked.
    pub const fn exit_status(self) -> ExitStatus {
        match self {
            Self::Finished { to_repeat: 0, void: 0 }
            | Self::BytesSpent { .. }
            | Self::TimeSpent { .. } => ExitStatus::Done,
            Self::Finished { .. } | Self::Interrupted { .. } => ExitStatus::Void,
        }
    }
}

/// Why a visit goes no further.
enum Stop {
    Bytes,
    Time,
    Interrupted,
}

impl Survey<'_> {
    /// Runs what the ledger does not hold yet.
    ///
    /// The ledger must be empty of other surveys; runs of single sessions in it do not matter. Whatever was finished
    /// before an error is in the ledger, and a path that was brought up has been taken down.
    pub fn carry_out(mut self) -> Result<SurveyEnd, SurveyError> {
        let contents = self.ledger.contents()?;
        let mut progress = Progress::of(self.plan, &contents, self.ledger.path())?;
        for line in &contents.skipped {
            self.say(&format!("{}: {line}", self.ledger.path().display()));
        }
        if progress.is_new() {
            self.ledger.append(&header::header(self.plan, progress.id()))?;
        }
        self.announce(&progress);
        let end = self.visit_all(&mut progress);
        self.conclude(&progress, end.as_ref());
        end
    }

    fn visit_all(&mut self, progress: &mut Progress) -> Result<SurveyEnd, SurveyError> {
        let steps = progress.remaining(self.plan);
        let visits: Vec<&[Step]> = steps.chunk_by(|one, next| one.path == next.path).collect();
        for (index, visit) in visits.iter().enumerate() {
            let Some(first) = visit.first() else { continue };
            let Some(path) = self.plan.paths().get(first.path) else { continue };
            if let Some(stop) = self.stop_before(first, progress) {
                return Ok(stopped(&stop, progress, self.plan));
            }
            let next = visits.get(index + 1).and_then(|visit| visit.first());
            let next = next.and_then(|step| self.plan.paths().get(step.path));
            if let Some(stop) = self.visit(path, visit, next, progress)? {
                return Ok(stopped(&stop, progress, self.plan));
            }
        }
        let to_repeat = progress.remaining(self.plan).len();
        Ok(SurveyEnd::Finished { to_repeat, void: progress.void_for_good(self.plan) })
    }

    /// Brings the path up, runs `steps` on it and takes it down whatever happened.
    fn visit(
        &mut self,
        path: &PlannedPath,
        steps: &[Step],
        next: Option<&PlannedPath>,
        progress: &mut Progress,
    ) -> Result<Option<Stop>, SurveyError> {
        let mut standing = Standing::Untouched;
        let ran = match self.enter(path, &mut standing) {
            Ok(()) => self.run_steps(path, steps, progress),
            Err(error) => Err(error),
        };
        let goes_on = if matches!(ran, Ok(None)) { next } else { None };
        let left = self.leave(path, standing, goes_on);
        let interrupted = self.surroundings.interrupted();
        match (ran, left) {
            (Ok(_), Ok(())) if interrupted => Ok(Some(Stop::Interrupted)),
            (Ok(stop), Ok(())) => Ok(stop),
            // Ctrl-C explains why a session or a command came to nothing, and it was asked for.
            (Err(error), Ok(())) if interrupted && !matches!(error, SurveyError::Ledger(_)) => {
                Ok(Some(Stop::Interrupted))
            }
            (Ok(_), Err(error)) | (Err(error), Ok(())) => Err(error),
            (Err(first), Err(second)) => {
                self.say(&culvert_units::explain(&second));
                Err(first)
            }
        }
    }

    fn run_steps(
        &mut self,
        path: &PlannedPath,
        steps: &[Step],
        progress: &mut Progress,
    ) -> Result<Option<Stop>, SurveyError> {
        for step in steps {
            let Some(session) = self.plan.sessions().get(step.session) else { continue };
            if let Some(stop) = self.stop_before(step, progress) {
                return Ok(Some(stop));
            }
            let survey = progress.position(self.plan, step);
            let at_most = progress.bytes_left(self.plan);
            self.announce_step(step, path, session);
            let asked = StepToRun { path, session, survey, at_most };
            let mut record = self.runner.run(&asked).map_err(SessionFailure)?;
            culvert_verdict::judge(&mut record, progress.outside());
            self.ledger.append(&record)?;
            self.show(&record);
            let spent = is_budget_spent(&record);
            progress.count(self.plan, record);
            if spent {
                return Ok(Some(Stop::Bytes));
            }
        }
        Ok(None)
    }

    fn stop_before(&self, step: &Step, progress: &Progress) -> Option<Stop> {
        let session = self.plan.sessions().get(step.session)?;
        if self.surroundings.interrupted() {
            return Some(Stop::Interrupted);
        }
        let after = self.surroundings.now().saturating_add(session.longest());
        if self.plan.time_budget().is_some_and(|budget| after > budget) {
            return Some(Stop::Time);
        }
        let left = progress.bytes_left(self.plan)?;
        let needed = self.plan.volume_of(session).unwrap_or(Bytes::new(1));
        (needed > left).then_some(Stop::Bytes)
    }

    fn say(&mut self, line: &str) {
        // Talk that nobody can read must not end the measurement.
        let _ = writeln!(self.talk, "{line}").and_then(|()| self.talk.flush());
    }

    fn conclude(&mut self, progress: &Progress, end: Result<&SurveyEnd, &SurveyError>) {
        let left = progress.remaining(self.plan).len();
        let all = self.plan.running_order().len();
        let said = match end {
            Ok(SurveyEnd::Finished { to_repeat: 0, void: 0 }) => {
                format!("the survey is complete: all {all} runs are in the ledger")
            }
            Ok(SurveyEnd::Finished { to_repeat: 0, void }) => format!(
                "the survey is complete: of {all} runs {void} took the same way as outside twice and stay void"
            ),
            Ok(SurveyEnd::Finished { to_repeat, .. }) => format!(
                "every session was run, {to_repeat} of {all} results are void: the same command repeats them"
            ),
            Ok(SurveyEnd::BytesSpent { .. }) => format!(
                "the survey stops here: {} of {} are spent and the next session may need more than the rest; raise \
                 at_most, then the same command runs the {left} that are left",
                progress.used(),
                self.plan.at_most().unwrap_or_default()
            ),
            Ok(SurveyEnd::TimeSpent { .. }) => format!(
                "the survey stops here: the next session would end after the time budget of {}; the same command runs \
                 the {left} that are left",
                format_duration(self.plan.time_budget().unwrap_or(Duration::ZERO))
            ),
            Ok(SurveyEnd::Interrupted { .. }) => format!(
                "stopped as asked: {} of {all} runs are in the ledger, the same command goes on from there",
                all - left
            ),
            Err(_) => format!(
                "{} of {all} runs are in the ledger, the same command goes on from there",
                all - left
            ),
        };
        self.say(&said);
    }
}

fn is_budget_spent(record: &RunRecord) -> bool {
    let reason = record.void.as_ref().and_then(VoidReason::from_finding);
    matches!(reason, Some(VoidReason::BudgetSpent { .. }))
}

fn stopped(stop: &Stop, progress: &Progress, plan: &Plan) -> SurveyEnd {
    let left = progress.remaining(plan).len();
    match stop {
        Stop::Bytes => SurveyEnd::BytesSpent { left },
        Stop::Time => SurveyEnd::TimeSpent { left },
        Stop::Interrupted => SurveyEnd::Interrupted { left },
    }
}
