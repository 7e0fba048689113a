//! `culvert calls`: whether a call would do, alone and beside bulk traffic.

use std::io::Write as _;

use culvert_engine::Pins;
use culvert_report::CallsReport;
use culvert_units::ExitStatus;

use super::single::{CAUTION, status_of_void};
use crate::args::CallsArgs;
use crate::calls::{CallParts, Stopped};
use crate::console::Console;
use crate::failure::SenderError;
use crate::interrupt::Interrupt;
use crate::invite_source;
use crate::runner::Runner;

/// Runs each part, keeps it, and shows all of them, also when it had to stop.
pub(super) fn calls(args: &CallsArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let invite = invite_source::read(&args.invite)?;
    // Before the first packet: a run that cannot be kept is not worth its data.
    let mut ledger = args.through.open_ledger()?;
    let pins = Pins::new(&args.pins.cores)?;
    let interrupt = Interrupt::watch().map_err(SenderError::Signals)?;
    let runner = Runner::new(invite, interrupt, console.is_quiet(), pins).map_err(Box::new)?;
    let seen = runner.look(&args.target, args.through.family).map_err(Box::new)?;
    let parts = CallParts::new(args, &seen);
    console.talk(&format!("{}; {CAUTION}", parts.volume_sentence()));
    let mut report = CallsReport::new(args.target.to_string());
    let stopped = parts.run(&runner, &mut |part| {
        if let (Some(ledger), Some(run)) = (&mut ledger, &part.run) {
            ledger.append(run)?;
        }
        report.parts.push(part);
        Ok(())
    })?;
    report.broken_off = stopped.as_ref().map(Stopped::reason);
    // Where nothing ran the reason is all there is.
    if stopped.is_none() || !report.parts.is_empty() {
        show(&report, args.json, console)?;
    }
    match stopped {
        None => Ok(ExitStatus::Done),
        Some(Stopped::Failed(error)) => Err(error.into()),
        Some(Stopped::Void(reason)) => status_of_void(Some(&reason)),
    }
}

fn show(report: &CallsReport, json: bool, console: &Console) -> Result<(), SenderError> {
    let mut out = console.results();
    let shown = if json {
        serde_json::to_writer(&mut out, report).map_err(Into::into).and_then(|()| writeln!(out))
    } else {
        out.write_all(report.terminal(console.width()).as_bytes())
    };
    shown.map_err(SenderError::Output)
}
