//! Why a command cannot do what it was asked.

use std::io;
use std::path::PathBuf;

use culvert_engine::PinError;
use culvert_pathmodel::ModelError;
use culvert_record::LedgerError;
use culvert_session::plan::PlanError;
use culvert_units::{ExitStatus, Explain};

use crate::invite_source::InviteSourceError;
use crate::preflight::PreflightError;
use crate::runner::RunError;
use crate::survey::SurveyError;

/// Why a command cannot do what it was asked.
#[derive(Debug, thiserror::Error)]
pub(crate) enum SenderError {
    /// The invite.
    #[error(transparent)]
    Invite(#[from] InviteSourceError),
    /// A core that cannot be used.
    #[error(transparent)]
    Pins(#[from] PinError),
    /// A session came to nothing.
    #[error(transparent)]
    Run(#[from] Box<RunError>),
    /// The preflight.
    #[error(transparent)]
    Preflight(#[from] Box<PreflightError>),
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The plan cannot be read.
    #[error("cannot read the plan {}", path.display())]
    PlanFile {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The plan means nothing that can be done.
    #[error("{}: {source}", path.display())]
    Plan {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: Box<PlanError>,
    },
    /// The survey.
    #[error(transparent)]
    Survey(#[from] Box<SurveyError>),
    /// The calibration.
    #[cfg(target_os = "linux")]
    #[error(transparent)]
    Calibrate(#[from] Box<crate::calibrate::CalibrateError>),
    /// The model.
    #[error(transparent)]
    Model(#[from] Box<ModelError>),
    /// The ledger holds no run.
    #[error("the ledger {} holds no run to show", path.display())]
    NothingToShow {
        /// The ledger.
        path: PathBuf,
    },
    /// A file cannot be written.
    #[error("cannot write {}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// Standard output cannot be written.
    #[error("the result cannot be printed")]
    Output(#[source] io::Error),
    /// Signals cannot be watched.
    #[error("signals cannot be watched")]
    Signals(#[source] io::Error),
    /// The listener ended the session while data flowed; what is known is in the record.
    #[error("the listener ended the session: {cause}; what was measured until then is void")]
    Ended {
        /// What it said.
        cause: String,
    },
    /// The listener was lost while data flowed; what is known is in the record.
    #[error("{cause}; what was measured until then is void")]
    Lost {
        /// What happened.
        cause: String,
    },
}

impl Explain for SenderError {
    fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::Invite(error) => return error.hint(),
            Self::Pins(error) => return error.hint(),
            Self::Run(error) => return error.hint(),
            Self::Preflight(error) => return error.hint(),
            Self::Ledger(error) => return error.hint(),
            Self::Plan { source, .. } => return source.hint(),
            Self::Survey(error) => return error.hint(),
            #[cfg(target_os = "linux")]
            Self::Calibrate(error) => return error.hint(),
            Self::Model(error) => return error.hint(),
            Self::PlanFile { .. } => "check the file's name and permissions",
            Self::NothingToShow { .. } => {
                "measure first: culvert survey PLAN.toml, or culvert bulk TARGET --ledger FILE"
            }
            Self::File { .. } => "check the folder's permissions and the space on the disk",
            Self::Output(_) | Self::Signals(_) => return None,
            Self::Ended { .. } => {
                "ask at the listener, whose log says more; after a revocation a new invite is needed"
            }
            Self::Lost { .. } => {
                "check that culvertd still runs and that the path or tunnel is up, then run it again"
            }
        };
        Some(hint.to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Invite(error) => error.exit_status(),
            Self::Pins(error) => error.exit_status(),
            Self::Run(error) => error.exit_status(),
            Self::Preflight(error) => error.exit_status(),
            Self::Ledger(error) => error.exit_status(),
            Self::Survey(error) => error.exit_status(),
            #[cfg(target_os = "linux")]
            Self::Calibrate(error) => error.exit_status(),
            Self::Plan { .. } | Self::Model(_) | Self::NothingToShow { .. } => ExitStatus::Usage,
            Self::PlanFile { source, .. } if source.kind() == io::ErrorKind::NotFound => {
                ExitStatus::Usage
            }
            Self::PlanFile { .. } | Self::File { .. } | Self::Output(_) | Self::Signals(_) => {
                ExitStatus::LocalFault
            }
            Self::Ended { .. } => ExitStatus::Refused,
            Self::Lost { .. } => ExitStatus::Unreachable,
        }
    }
}
