//! The sender: every command of the practitioner.
//!
//! A single session goes from its options (`args`) over what is wanted (`wanted`) to the listener (`dial`,
//! `session`) and into a record (`account_record`); a survey does so many times (`survey`). Start with
//! `commands`.

mod account_record;
mod args;
#[cfg(target_os = "linux")]
mod calibrate;
mod calls;
mod capacity;
mod commands;
mod console;
mod dial;
mod failure;
mod interrupt;
mod invite_source;
mod preflight;
mod progress;
mod runner;
mod session;
pub mod survey;
mod sweep;
mod wanted;

use std::process::ExitCode;

use culvert_units::{Explain as _, explain};

/// Runs the program with the process's arguments.
pub fn run() -> ExitCode {
    #[cfg(target_os = "linux")]
    if let Some(code) = calibrate::emulates() {
        return code;
    }
    let args = match args::parse() {
        Ok(args) => args,
        Err(status) => return ExitCode::from(status.code()),
    };
    let console = console::Console::new(args.quiet);
    match commands::act(args, &console) {
        Ok(status) => ExitCode::from(status.code()),
        // Whoever reads our output has seen enough.
        Err(failure::SenderError::Output(error))
            if error.kind() == std::io::ErrorKind::BrokenPipe =>
        {
            ExitCode::SUCCESS
        }
        Err(error) => {
            console.complain(&explain(&error));
            ExitCode::from(error.exit_status().code())
        }
    }
}
