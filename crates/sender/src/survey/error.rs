//! Why a survey stops with an error.

use std::{error::Error, fmt, path::PathBuf, time::Duration};

use culvert_record::LedgerError;
use culvert_session::plan::Purpose;
use culvert_units::{ExitStatus, Explain, format_duration};

use super::{CommandEnd, Failure};

/// Why a survey stopped. What was finished before is in the ledger.
#[derive(Debug, thiserror::Error)]
pub enum SurveyError {
    /// The ledger was begun by another plan.
    #[error("the ledger {} belongs to another survey, '{name}'", ledger.display())]
    OtherSurvey {
        /// The ledger.
        ledger: PathBuf,
        /// The name of the survey that began it.
        name: String,
    },
    /// A command of the plan failed.
    #[error("{} of the path '{path}' failed: '{line}' {end}", purpose.key())]
    Command {
        /// The name of its path.
        path: String,
        /// What it was for.
        purpose: Purpose,
        /// The command line.
        line: String,
        /// How it ended.
        end: CommandEnd,
    },
    /// The path did not come to stand, or stands still.
    #[error(
        "the path '{path}' is not {wanted} after {}: '{line}' {end}",
        format_duration(*waited)
    )]
    NotSwitched {
        /// The name of the path.
        path: String,
        /// What it should be.
        wanted: Wanted,
        /// How long it was waited for.
        waited: Duration,
        /// The command line that tells.
        line: String,
        /// How it ended the last time.
        end: CommandEnd,
    },
    /// The practitioner is needed and is not there.
    #[error("the path '{path}' must be switched by hand, and standard input is no terminal")]
    NobodyThere {
        /// The name of the path.
        path: String,
    },
    /// The ledger cannot be used.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// A session could not be run.
    #[error(transparent)]
    Session(#[from] SessionFailure),
}

/// What a path should be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wanted {
    /// It carries packets.
    Up,
    /// It does not.
    Down,
}

impl fmt::Display for Wanted {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Up => "up",
            Self::Down => "down",
        })
    }
}

/// What the runner said.
#[derive(Debug)]
pub struct SessionFailure(pub Failure);

impl fmt::Display for SessionFailure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl Error for SessionFailure {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        self.0.source()
    }
}

impl Explain for SurveyError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::OtherSurvey { .. } => {
                "name another file with --ledger, or go on with the plan that began this one: sites, paths, sessions \
                 and rounds must be as they were, budgets and commands may change"
                    .to_owned()
            }
            Self::Command { .. } => {
                "try the command by hand, mend it in the plan and repeat: runs that are done stay done".to_owned()
            }
            Self::NotSwitched { .. } => {
                "try the commands by hand; is_up must succeed while the path carries packets, and fail when it does not"
                    .to_owned()
            }
            Self::NobodyThere { .. } => {
                "give the path bring_up and take_down commands, or is_up = \"true\" when it always stands".to_owned()
            }
            Self::Ledger(error) => return error.hint(),
            Self::Session(failure) => return failure.0.hint(),
        })
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::OtherSurvey { .. } | Self::NobodyThere { .. } => ExitStatus::Usage,
            Self::Command { .. } | Self::NotSwitched { .. } => ExitStatus::LocalFault,
            Self::Ledger(error) => error.exit_status(),
            Self::Session(failure) => failure.0.exit_status(),
        }
    }
}
