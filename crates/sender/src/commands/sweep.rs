//! `culvert sweep`: what a packet and a byte cost the path.

use std::io::Write as _;

use culvert_engine::Pins;
use culvert_units::ExitStatus;

use super::single::{CAUTION, status_of_void};
use crate::args::SweepArgs;
use crate::console::Console;
use crate::failure::SenderError;
use crate::interrupt::Interrupt;
use crate::invite_source;
use crate::runner::Runner;
use crate::sweep::{BrokenOff, Sweep};

/// Sweeps, and shows what is known, also when it had to stop.
pub(super) fn sweep(args: &SweepArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let invite = invite_source::read(&args.invite)?;
    let pins = Pins::new(&args.pins.cores)?;
    let interrupt = Interrupt::watch().map_err(SenderError::Signals)?;
    let runner = Runner::new(invite, interrupt, console.is_quiet(), pins).map_err(Box::new)?;
    let seen = runner.look(&args.target, args.family).map_err(Box::new)?;
    let mut sweep = Sweep::new(args, &seen);
    console.talk(&format!("{}; {CAUTION}", sweep.volume_sentence()));
    let broken_off = sweep.run(&runner).err();
    // Where nothing was found the reason is all there is.
    if sweep.has_trials() || broken_off.is_none() {
        show(&sweep, broken_off.as_ref(), args.json, console)?;
    }
    match broken_off {
        None => Ok(ExitStatus::Done),
        Some(BrokenOff::Failed(error)) => Err(error.into()),
        Some(BrokenOff::Void(reason)) => status_of_void(Some(&reason)),
    }
}

fn show(
    sweep: &Sweep,
    broken_off: Option<&BrokenOff>,
    json: bool,
    console: &Console,
) -> Result<(), SenderError> {
    let report = sweep.report(broken_off);
    let mut out = console.results();
    let shown = if json {
        serde_json::to_writer(&mut out, &report).map_err(Into::into).and_then(|()| writeln!(out))
    } else {
        out.write_all(report.terminal(console.width()).as_bytes())
    };
    shown.map_err(SenderError::Output)
}
