//! The listener daemon: waits behind the gateway, admits holders of an invite, and counts what arrives.
//!
//! Its order of admission is fixed: who may knock (`door`), which session a flow belongs to (`registry`), what is
//! granted (`conversation`), and only then does data flow (`far_session`). It answers strangers with nothing. Start
//! with `serve`.

mod args;
mod conversation;
mod datagram_door;
mod door;
mod failure;
mod far_flowing;
mod far_session;
mod gate;
mod quiet;
mod registry;
mod serve;
pub mod state;

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::Parser as _;
use culvert_units::{ExitStatus, Explain as _, explain, explain_usage};
use jiff::Timestamp;

use crate::args::{Args, Command, LimitArgs, State};
use crate::failure::ListenerError;
use crate::state::{InviteLimits, StateDirectory};

/// Runs the program with the process's arguments.
pub fn run() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(error) if error.use_stderr() => {
            complain(&explain_usage(&error.to_string(), "culvertd"));
            return ExitCode::from(ExitStatus::Usage.code());
        }
        Err(error) => {
            // Help that nobody can read any more is no failure.
            let _ = error.print();
            return ExitCode::SUCCESS;
        }
    };
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_target(false)
        .with_ansi(false)
        .init();
    match act(args) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            complain(&explain(&error));
            ExitCode::from(error.exit_status().code())
        }
    }
}

fn complain(text: &str) {
    // There is nowhere left to complain to when stderr is closed.
    let _ = writeln!(std::io::stderr(), "{text}");
}

fn act(args: Args) -> Result<(), ListenerError> {
    match args.command {
        None => {
            let state = open(&args.serve.state)?;
            serve::serve(args.serve, state)
        }
        Some(Command::Invite { name, state, expires, limits }) => {
            let invite = open(&state)?.create_invite(
                &name,
                expires,
                invite_limits(&limits),
                Timestamp::now(),
            )?;
            writeln!(std::io::stdout(), "{}", invite.encode().as_str())
                .map_err(|source| ListenerError::Output { source })
        }
        Some(Command::Revoke { name, state }) => Ok(open(&state)?.revoke(&name, Timestamp::now())?),
    }
}

fn open(state: &State) -> Result<StateDirectory, ListenerError> {
    let path = state.directory.clone().or_else(default_directory).ok_or(ListenerError::NoHome)?;
    Ok(StateDirectory::open_or_create(&path)?)
}

fn default_directory() -> Option<PathBuf> {
    let set =
        |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let base =
        set("XDG_STATE_HOME").or_else(|| set("HOME").map(|home| home.join(".local/state")))?;
    Some(base.join("culvertd"))
}

fn invite_limits(limits: &LimitArgs) -> InviteLimits {
    InviteLimits {
        rate_bps: limits.rate,
        bytes: limits.bytes,
        duration_ms: limits
            .duration
            .map(|time| u64::try_from(time.as_millis()).unwrap_or(u64::MAX)),
    }
}
