//! What can be wrong with a file.

use std::{
    io,
    path::{Path, PathBuf},
};

use culvert_units::{ExitStatus, Explain};

/// Why a file or directory cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// Others than its owner could read or change it.
    #[error("{} has mode {mode:04o}, wider than {allowed:04o}", path.display())]
    TooOpen {
        /// The file or directory.
        path: PathBuf,
        /// Its permission bits.
        mode: u32,
        /// The widest bits it may have.
        allowed: u32,
    },
    /// It is something else than was expected.
    #[error("{} is not a {expected}", path.display())]
    WrongKind {
        /// What was found.
        path: PathBuf,
        /// `regular file` or `directory`.
        expected: &'static str,
    },
    /// It is larger than it can rightly be.
    #[error("{} is larger than {most} bytes", path.display())]
    TooLong {
        /// The file.
        path: PathBuf,
        /// The most bytes it may have.
        most: usize,
    },
    /// A line to append would be several.
    #[error("a line for {} contains a line break", path.display())]
    BrokenLine {
        /// The file.
        path: PathBuf,
    },
    /// The system refused.
    #[error("cannot {action} {}", path.display())]
    System {
        /// What was tried, as a verb.
        action: &'static str,
        /// The file or directory.
        path: PathBuf,
        /// The system's answer.
        source: io::Error,
    },
}

impl FileError {
    /// The kind of the system's answer, if it was the system that refused.
    pub fn kind(&self) -> Option<io::ErrorKind> {
        match self {
            Self::System { source, .. } => Some(source.kind()),
            _ => None,
        }
    }

    pub(super) fn of(action: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::System { action, path, source }
    }
}

impl Explain for FileError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::TooOpen { path, allowed, .. } => Some(format!(
                "run 'chmod {allowed:o} {}', and make new keys if others may have read it",
                path.display()
            )),
            Self::System { source, .. } => match source.kind() {
                io::ErrorKind::PermissionDenied => {
                    Some("run as the user who owns it, or choose another place".to_owned())
                }
                io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                    Some("make room on that disk".to_owned())
                }
                io::ErrorKind::NotFound => Some("check that its directory exists".to_owned()),
                _ => None,
            },
            Self::WrongKind { .. } | Self::TooLong { .. } | Self::BrokenLine { .. } => None,
        }
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::LocalFault
    }
}
