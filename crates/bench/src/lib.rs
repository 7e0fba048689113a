//! Speed as a ratio: both programs beside the plainest loops that move the same bytes, in the same run.
//!
//! A figure of this machine says little of another one, and little of tomorrow. So each round runs the program and, next
//! to it, a reference loop twice: the first gives the ratio, the second how far the reference is from itself (A/A), and a
//! bar is met when the median ratio reaches it but for half of that interval. [`ratio`] is that arithmetic, `reference`
//! the loops, `culvert` the one place that knows how the programs are driven, `sections` what is measured.
//!
//! The loops call the kernel themselves instead of asking `culvert-os`: a reference that shares the engine's calls would
//! share its faults.

mod culvert;
mod error;
mod options;
mod process;
pub mod ratio;
pub mod reference;
mod relay;
mod sections;
mod table;

use std::process::ExitCode;

use clap::Parser as _;
use culvert_units::{Explain as _, explain};

/// Runs the program `culvert-bench`.
pub fn run() -> ExitCode {
    let options = options::Options::parse();
    let mut all = Vec::new();
    let outcome = sections::run(&options, |rows| {
        if !options.json {
            table::show(&rows);
        }
        all.extend(rows);
    });
    if options.json {
        table::show_json(&all);
    }
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            table::say(&explain(&error));
            ExitCode::from(error.exit_status().code())
        }
    }
}
