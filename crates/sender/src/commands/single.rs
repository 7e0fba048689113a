//! One session on its own: `bulk` and `paced`.

use std::io::Write as _;

use culvert_engine::Pins;
use culvert_record::{Finding, Ledger, Place, RunRecord, VoidReason};
use culvert_report::run_text;
use culvert_session::plan::PlannedLoad;
use culvert_units::ExitStatus;

use crate::args::{BulkArgs, Pace, PacedArgs, SessionArgs};
use crate::console::Console;
use crate::failure::SenderError;
use crate::interrupt::Interrupt;
use crate::invite_source;
use crate::runner::Runner;
use crate::wanted::Wanted;

/// Said before data is moved: the practitioner may be about to load a line that is not theirs.
pub(super) const CAUTION: &str = "only load networks you own or may load (RFC 6815); on a metered line it costs its volume, and \
                       provider, employer and local rules come first";

/// Runs one bulk session.
pub(super) fn bulk(args: BulkArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let load = PlannedLoad::Bulk {
        flows: args.flows,
        congestion_control: args.congestion_control,
        mss: args.mss,
        dscp: args.dscp,
    };
    single(args.session, load, console)
}

/// Runs one paced session.
pub(super) fn paced(args: PacedArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let load = PlannedLoad::Paced {
        pace: match args.pace {
            Pace::Rate(pace) => Some(pace),
            Pace::Unlimited => None,
        },
        payload: args.payload,
        burst: args.burst,
        handover: args.handover.into(),
    };
    single(args.session, load, console)
}

fn single(
    args: SessionArgs,
    load: PlannedLoad,
    console: &Console,
) -> Result<ExitStatus, SenderError> {
    let invite = invite_source::read(&args.invite)?;
    let mut ledger = args.through.open_ledger()?;
    let json = args.json;
    let pins = Pins::new(&args.pins.cores)?;
    let wanted = wanted(args, load);
    let interrupt = Interrupt::watch().map_err(SenderError::Signals)?;
    let runner = Runner::new(invite, interrupt, console.is_quiet(), pins).map_err(Box::new)?;
    console.talk(&format!("{}; {CAUTION}", wanted.volume_sentence()));
    let mut record = runner.run(&wanted).map_err(Box::new)?;
    let earlier = ledger.as_ref().map(Ledger::contents).transpose()?;
    let outside = earlier.as_ref().and_then(|contents| last_outside(&contents.runs));
    culvert_verdict::judge(&mut record, outside);
    if let Some(ledger) = &mut ledger {
        ledger.append(&record)?;
    }
    show(&record, json, console)?;
    status_of(&record)
}

fn wanted(args: SessionArgs, load: PlannedLoad) -> Wanted {
    Wanted {
        path: args.through.taken(&args.target),
        target: args.target,
        family: args.through.family,
        survey: None,
        toward: args.toward.into(),
        settle: args.settle.for_load(&load),
        load,
        plateau: args.plateau,
        at_most: args.at_most,
        buffer: args.buffer,
        baseline: args.baseline,
    }
}

/// The newest valid outside run: an inside run must not have taken its way.
fn last_outside(runs: &[RunRecord]) -> Option<&RunRecord> {
    runs.iter().rev().find(|run| run.void.is_none() && run.path.place == Some(Place::Outside))
}

fn show(record: &RunRecord, json: bool, console: &Console) -> Result<(), SenderError> {
    let mut out = console.results();
    let shown = if json {
        serde_json::to_writer(&mut out, record).map_err(Into::into).and_then(|()| writeln!(out))
    } else {
        out.write_all(run_text(record, console.width()).as_bytes())
    };
    shown.map_err(SenderError::Output)
}

fn status_of(record: &RunRecord) -> Result<ExitStatus, SenderError> {
    status_of_void(record.void.as_ref())
}

/// What a void result, or none, ends the program with.
pub(super) fn status_of_void(void: Option<&Finding>) -> Result<ExitStatus, SenderError> {
    let Some(void) = void else { return Ok(ExitStatus::Done) };
    match VoidReason::from_finding(void) {
        Some(VoidReason::ControlLost { cause }) => Err(SenderError::Lost { cause }),
        Some(VoidReason::EndedByListener { cause }) => Err(SenderError::Ended { cause }),
        _ => Ok(ExitStatus::Void),
    }
}
