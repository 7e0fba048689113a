//! `culvert capacity`: the highest rate a path carries within bounds.

use std::io::Write as _;

use culvert_engine::Pins;
use culvert_record::{CapacityMethod, CapacityRecord};
use culvert_report::capacity_text;
use culvert_units::ExitStatus;
use culvert_wire::capacity::CapacityParameters;

use super::single::{CAUTION, status_of_void};
use crate::args::{CapacityArgs, MethodArg};
use crate::capacity::CapacityWanted;
use crate::console::Console;
use crate::failure::SenderError;
use crate::interrupt::Interrupt;
use crate::invite_source;
use crate::runner::Runner;

/// Searches once and shows what was found.
pub(super) fn capacity(args: CapacityArgs, console: &Console) -> Result<ExitStatus, SenderError> {
    let invite = invite_source::read(&args.invite)?;
    let mut ledger = args.through.open_ledger()?;
    let json = args.json;
    let pins = Pins::new(&args.pins.cores)?;
    let interrupt = Interrupt::watch().map_err(SenderError::Signals)?;
    let runner = Runner::new(invite, interrupt, console.is_quiet(), pins).map_err(Box::new)?;
    let wanted = wanted(args);
    console.talk(&format!("{}; {CAUTION}", wanted.volume_sentence()));
    let record = runner.search(&wanted).map_err(Box::new)?;
    if let Some(ledger) = &mut ledger {
        ledger.append(&record)?;
    }
    show(&record, json, console)?;
    status_of_void(record.void.as_ref())
}

fn wanted(args: CapacityArgs) -> CapacityWanted {
    let (method, base) = match args.method {
        MethodArg::Rfc9097 => (CapacityMethod::Rfc9097, CapacityParameters::default()),
        MethodArg::Faster => (CapacityMethod::Faster, CapacityParameters::faster()),
    };
    let micros =
        |duration: std::time::Duration| u64::try_from(duration.as_micros()).unwrap_or(u64::MAX);
    CapacityWanted {
        path: args.through.taken(&args.target),
        target: args.target,
        family: args.through.family,
        toward: args.toward.into(),
        method,
        parameters: CapacityParameters {
            rate_cap_bps: args.ceiling,
            byte_budget: args.at_most,
            search_loss_at_most: args.search_loss.get(),
            verified_loss_at_most: args.verified_loss.get(),
            low_delay_us: micros(args.low_delay),
            high_delay_us: micros(args.high_delay),
            ..base
        },
        baseline: args.baseline,
    }
}

fn show(record: &CapacityRecord, json: bool, console: &Console) -> Result<(), SenderError> {
    let mut out = console.results();
    let shown = if json {
        serde_json::to_writer(&mut out, record).map_err(Into::into).and_then(|()| writeln!(out))
    } else {
        out.write_all(capacity_text(record, console.width()).as_bytes())
    };
    shown.map_err(SenderError::Output)
}
