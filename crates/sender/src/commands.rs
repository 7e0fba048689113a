//! What each command does.

mod files;
mod single;
mod survey;

use culvert_pathmodel::{CeilingQuestion, Link, all};
use culvert_record::{Ledger, LedgerContents};
use culvert_report::{CeilingTable, Exporter, Json, Terminal};
use culvert_units::ExitStatus;

use crate::args::{Args, CeilingArgs, Command, CompareArgs, OnOff};
use crate::console::Console;
use crate::failure::SenderError;

/// Does what was asked.
pub(crate) fn act(args: Args, console: &Console) -> Result<ExitStatus, SenderError> {
    match args.command {
        Command::Bulk(bulk) => single::bulk(bulk, console),
        Command::Paced(paced) => single::paced(paced, console),
        Command::Survey(args) => survey::survey(&args, console),
        Command::Ceiling(args) => ceiling(&args, console),
        Command::Compare(args) => compare(&args, console),
        Command::Report(args) => files::report(&args, console),
    }
}

fn ceiling(args: &CeilingArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let wanted: Vec<_> = if args.encapsulation.is_empty() {
        all().iter().collect()
    } else {
        args.encapsulation.iter().collect()
    };
    let Some(first) = wanted.first() else { return Ok(ExitStatus::Done) };
    let link = Link { rate: args.link_rate, framing: args.framing, counted: args.counted };
    let question = CeilingQuestion {
        underlay_mtu: args.mtu.unwrap_or_else(|| args.framing.customary_mtu()),
        outer_family: args.outer,
        inner_family: args.inner,
        inner_mtu: args.tunnel_mtu,
        timestamps: args.timestamps == OnOff::On,
        ..CeilingQuestion::new(link, first)
    };
    if let [only] = wanted.as_slice() {
        // A single question that the model refuses is an error; among many it is a note.
        culvert_pathmodel::ceiling(&CeilingQuestion { encapsulation: only, ..question.clone() })
            .map_err(Box::new)?;
    }
    let table = CeilingTable::new(&question, wanted);
    let mut out = console.results();
    if args.json {
        table.json(&mut out)
    } else if args.csv {
        table.csv(&mut out)
    } else {
        std::io::Write::write_all(&mut out, table.terminal(console.width()).as_bytes())
    }
    .map_err(SenderError::Output)?;
    Ok(ExitStatus::Done)
}

fn compare(args: &CompareArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let contents = Ledger::read(&args.ledger)?;
    if contents.runs.is_empty() {
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
