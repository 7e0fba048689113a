//! What can be known of a path before anything is measured on it.

use std::io::Write as _;

use culvert_engine::Pins;
use culvert_report::preflight::{PlanFacts, Preflight, preflight_text, remarks};
use culvert_units::{Bytes, ExitStatus};

use super::survey::read_plan;
use crate::args::PreflightArgs;
use crate::console::Console;
use crate::failure::SenderError;
use crate::interrupt::Interrupt;
use crate::invite_source;
use crate::preflight::{Look, PreflightError, model_of};
use crate::progress::Progress;
use crate::runner::Runner;

/// Finds out what it can, and shows that also when something fails on the way.
pub(super) fn preflight(
    args: &PreflightArgs,
    console: &Console,
) -> Result<ExitStatus, SenderError> {
    let plan = args.plan.as_deref().map(read_plan).transpose()?;
    let invite = invite_source::read(&args.invite)?;
    let interrupt = Interrupt::watch().map_err(SenderError::Signals)?;
    let runner = Runner::new(invite, interrupt, console.is_quiet(), Pins::default());
    let runner = runner.map_err(Box::new)?;
    let mut facts = Preflight::of(args.target.to_string(), args.target.port());
    facts.plan = plan.map(|plan| PlanFacts {
        name: plan.name().to_owned(),
        bytes: plan.expected_volume().map(Bytes::get),
    });
    let look = Look {
        runner: &runner,
        target: &args.target,
        family: args.family,
        baseline: args.baseline,
        model: args
            .encapsulation
            .as_ref()
            .map(|encapsulation| (encapsulation, args.underlay_mtu, args.outer_family)),
        find_inside: args.find_inside,
    };
    facts.model = look.model.map(|named| model_of(named, args.family));
    console.talk("only load networks you own or may load (RFC 6815)");
    let progress = Progress::new(args.target.to_string(), console.is_quiet());
    let looked = runner.block_on(look.at_all(&mut facts, &progress, console));
    drop(progress);
    facts.complete = looked.is_ok() && facts.is_whole();
    facts.failure = looked.as_ref().err().map(PreflightError::facts);
    facts.remarks = remarks(&facts);
    show(&facts, args.json, console)?;
    match looked {
        Ok(()) if facts.complete => Ok(ExitStatus::Done),
        Ok(()) => Ok(ExitStatus::Void),
        Err(error) => Err(SenderError::Preflight(Box::new(error))),
    }
}

fn show(facts: &Preflight, json: bool, console: &Console) -> Result<(), SenderError> {
    let mut out = console.results();
    let shown = if json {
        serde_json::to_writer_pretty(&mut out, facts)
            .map_err(Into::into)
            .and_then(|()| writeln!(out))
    } else {
        out.write_all(preflight_text(facts).as_bytes())
    };
    shown.map_err(SenderError::Output)
}
