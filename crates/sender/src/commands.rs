//! What each command does.

mod calls;
mod capacity;
pub(crate) mod ceiling;
mod files;
mod preflight;
mod single;
mod survey;
mod sweep;

use culvert_record::{Ledger, LedgerContents};
use culvert_report::{Exporter, Json, Terminal};
use culvert_units::ExitStatus;

use crate::args::{Args, Command, CompareArgs};
use crate::console::Console;
use crate::failure::SenderError;

/// Does what was asked.
pub(crate) fn act(args: Args, console: &Console) -> Result<ExitStatus, SenderError> {
    match args.command {
        Command::Preflight(args) => preflight::preflight(&args, console),
        Command::Bulk(bulk) => single::bulk(bulk, console),
        Command::Paced(paced) => single::paced(paced, console),
        Command::Capacity(args) => capacity::capacity(args, console),
        Command::Sweep(args) => sweep::sweep(&args, console),
        Command::Calls(args) => calls::calls(&args, console),
        Command::Survey(args) => survey::survey(&args, console),
        Command::Ceiling(args) => ceiling::ceiling(&args, console),
        Command::Compare(args) => compare(&args, console),
        Command::Report(args) => files::report(&args, console),
        #[cfg(target_os = "linux")]
        Command::Calibrate(args) => crate::calibrate::calibrate(&args, console),
    }
}

fn compare(args: &CompareArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let contents = Ledger::read(&args.ledger)?;
    if contents.holds_nothing() {
        return Err(SenderError::NothingToShow { path: args.ledger.clone() });
    }
    show_comparison(&contents, args.json, console)?;
    Ok(ExitStatus::Done)
}

fn show_comparison(
    contents: &LedgerContents,
    json: bool,
    console: &Console,
) -> Result<(), SenderError> {
    let mut out = console.results();
    if json {
        Json.export_ledger(contents, &mut out)
    } else {
        Terminal { width: console.width() }.export_ledger(contents, &mut out)
    }
    .map_err(SenderError::Output)
}
