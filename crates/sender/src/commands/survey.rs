//! The whole job from a plan.

use std::path::{Path, PathBuf};

use culvert_engine::Pins;
use culvert_record::{Ledger, PathTaken, Place, RunRecord};
use culvert_session::plan::{self, Plan};
use culvert_units::ExitStatus;

use crate::args::SurveyArgs;
use crate::console::Console;
use crate::failure::SenderError;
use crate::interrupt::Interrupt;
use crate::invite_source;
use crate::runner::Runner;
use crate::survey::{Failure, RunOneSession, StepToRun, Survey, ThisHost};
use crate::wanted::{BASELINE, Wanted};

/// Carries out a plan, then compares what its ledger holds.
pub(super) fn survey(args: &SurveyArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let plan = read_plan(&args.plan)?;
    let invite = invite_source::read(&args.invite)?;
    let path = args.ledger.clone().unwrap_or_else(|| args.plan.with_extension("jsonl"));
    let mut ledger = Ledger::open_for_append(&path)?;
    let interrupt = Interrupt::watch().map_err(SenderError::Signals)?;
    let pins = Pins::new(&args.pins.cores)?;
    let runner = Runner::new(invite, interrupt.clone(), console.is_quiet(), pins);
    let mut runner = SurveyRunner(runner.map_err(Box::new)?);
    let mut surroundings = ThisHost::new(interrupt.flag());
    console.talk("only load networks you own or may load (RFC 6815); provider, employer and local rules come first");
    let end = Survey {
        plan: &plan,
        ledger: &mut ledger,
        runner: &mut runner,
        surroundings: &mut surroundings,
        talk: &mut console.talk_writer(),
    }
    .carry_out()
    .map_err(Box::new)?;
    let contents = ledger.contents()?;
    if !contents.runs.is_empty() {
        super::show_comparison(&contents, args.json, console)?;
    }
    Ok(end.exit_status())
}

pub(super) fn read_plan(path: &Path) -> Result<Plan, SenderError> {
    let text = std::fs::read_to_string(path)
        .map_err(|source| SenderError::PlanFile { path: path.to_owned(), source })?;
    Plan::parse(&text)
        .map_err(|source| SenderError::Plan { path: PathBuf::from(path), source: Box::new(source) })
}

struct SurveyRunner(Runner);

impl RunOneSession for SurveyRunner {
    fn run(&mut self, step: &StepToRun<'_>) -> Result<RunRecord, Failure> {
        let wanted = Wanted {
            target: step.path.target().clone(),
            family: step.path.family(),
            path: PathTaken {
                name: Some(step.path.name().to_owned()),
                place: Some(match step.path.place() {
                    plan::Place::Outside => Place::Outside,
                    plan::Place::Inside => Place::Inside,
                }),
                target: step.path.target().to_string(),
                encapsulation: Some(step.path.encapsulation().to_owned()),
            },
            survey: Some(step.survey.clone()),
            toward: step.session.toward(),
            load: step.session.load().clone(),
            plateau: step.session.plateau(),
            settle: step.session.settle(),
            at_most: step.at_most,
            buffer: step.session.buffer(),
            baseline: BASELINE,
        };
        self.0.run(&wanted).map_err(|error| Box::new(error) as Failure)
    }
}
