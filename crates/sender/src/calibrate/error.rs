//! Why there is no certificate.

use std::io;
use std::path::PathBuf;
use std::time::Duration;

use culvert_os::files::FileError;
use culvert_units::{ExitStatus, Explain, format_duration};

/// Why there is no certificate.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CalibrateError {
    /// The listener's program is not where this one is.
    #[error("culvertd is needed and not beside this program: there is no {}", path.display())]
    NoListener {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// Nobody says where state is kept.
    #[error("no place for the certificate: neither XDG_STATE_HOME nor HOME is set")]
    NoHome,
    /// The certificate's file, or one of those that are needed meanwhile.
    #[error(transparent)]
    File(#[from] FileError),
    /// The system refused something.
    #[error("{doing} failed")]
    System {
        /// What was being done.
        doing: String,
        /// What the system says.
        source: io::Error,
    },
    /// A program that was started failed.
    #[error("{what} failed: {said}")]
    Failed {
        /// What was being done.
        what: String,
        /// What the program said last.
        said: String,
    },
    /// A program that was started took too long, and was ended.
    #[error("{what} was not done after {}", format_duration(*waited))]
    Slow {
        /// What was being done.
        what: String,
        /// How long was waited.
        waited: Duration,
    },
    /// The emulation lost packets that its path did not.
    #[error("this machine was too busy and lost packets beside the path")]
    Disturbed,
    /// Somebody wanted an end.
    #[error("calibration was stopped; no certificate was made")]
    Interrupted,
}

impl CalibrateError {
    /// For `map_err`.
    pub(super) fn system(doing: impl Into<String>) -> impl FnOnce(io::Error) -> Self {
        let doing = doing.into();
        move |source| Self::System { doing, source }
    }
}

impl Explain for CalibrateError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::NoListener { .. } => {
                "put culvert and culvertd of the same version into one folder, and start culvert from there".to_owned()
            }
            Self::NoHome => "choose a file with --certificate FILE".to_owned(),
            Self::File(error) => {
                return error.hint().or_else(|| Some("choose another file with --certificate FILE".to_owned()));
            }
            Self::System { .. } => "check this host's limits and the space of its temporary folder".to_owned(),
            Self::Failed { .. } => {
                "check that culvertd is of the same version, and that nothing filters this host's loopback".to_owned()
            }
            Self::Slow { .. } | Self::Disturbed => {
                "run it again while this machine does nothing else".to_owned()
            }
            Self::Interrupted => return None,
        })
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Interrupted => ExitStatus::Void,
            _ => ExitStatus::LocalFault,
        }
    }
}
