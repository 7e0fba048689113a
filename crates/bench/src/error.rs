//! What can keep a benchmark from being run.

use std::io;
use std::path::PathBuf;
use std::time::Duration;

use culvert_units::{ExitStatus, Explain};

/// Why there is no figure.
#[derive(Debug, thiserror::Error)]
pub(crate) enum BenchError {
    /// A program could not be started.
    #[error("{} could not be started", program.display())]
    Start {
        /// The program.
        program: PathBuf,
        /// What the system said.
        #[source]
        source: io::Error,
    },
    /// A program ended with another status than 0, or by a signal.
    #[error("{what} ended with {status}: {said}")]
    Ended {
        /// The program and its command.
        what: String,
        /// How it ended.
        status: String,
        /// The last thing it said.
        said: String,
    },
    /// A program did not do its part in time.
    #[error("{what} was not done within {waited:?}")]
    Slow {
        /// The program and its command.
        what: String,
        /// How long was waited.
        waited: Duration,
    },
    /// A program's answer lacks something.
    #[error("{what} told no {field}")]
    Answer {
        /// The program and its command.
        what: String,
        /// What is missing.
        field: String,
    },
    /// Anything else of this host.
    #[error("this host failed")]
    Host(#[from] io::Error),
}

impl Explain for BenchError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::Start { .. } => {
                Some("scripts/bench builds all of them; taskset is part of util-linux".to_owned())
            }
            _ => None,
        }
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::LocalFault
    }
}
