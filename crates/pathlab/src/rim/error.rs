//! What can go wrong around the paths.

use std::{io, path::PathBuf};

use culvert_units::{ExitStatus, Explain};

use crate::ConfigError;

/// Why a lab could not be run.
#[derive(Debug, thiserror::Error)]
pub(super) enum LabError {
    /// The configuration is not one.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// A file that cannot be read or written.
    #[error("the file {file} cannot be used")]
    File {
        /// Which.
        file: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// This kernel lets nobody but root make namespaces, or not even root.
    #[error("this user may not make network namespaces here")]
    Namespaces(#[source] io::Error),
    /// The hosts could not be built.
    #[error("{what} failed")]
    Build {
        /// What was being done.
        what: &'static str,
        /// Why.
        source: io::Error,
    },
    /// A command that could not be started.
    #[error("the command '{command}' cannot be started")]
    Command {
        /// Which.
        command: String,
        /// Why.
        source: io::Error,
    },
    /// The far command does not listen.
    #[error("nothing listens on TCP port {port} of the far host after {waited_s} s")]
    NothingListens {
        /// Where.
        port: u16,
        /// For how long that was tried.
        waited_s: u64,
    },
}

impl LabError {
    /// For `map_err`.
    pub(super) fn build(what: &'static str) -> impl FnOnce(io::Error) -> Self {
        move |source| Self::Build { what, source }
    }
}

impl Explain for LabError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::Config(error) => return error.hint(),
            Self::File { .. } => "check that it exists and that you may use it".to_owned(),
            Self::Namespaces(_) => {
                "run it as root, or let ordinary users make namespaces: user.max_user_namespaces above 0, \
                 and where they exist kernel.unprivileged_userns_clone=1 and \
                 kernel.apparmor_restrict_unprivileged_userns=0"
                    .to_owned()
            }
            Self::Build { .. } => {
                "the kernel needs network namespaces, veth and packet sockets; containers often hide them".to_owned()
            }
            Self::Command { .. } => "it is run by /bin/sh -c, which must exist".to_owned(),
            Self::NothingListens { .. } => {
                "check that the --far command starts a listener on that port".to_owned()
            }
        })
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Config(error) => error.exit_status(),
            _ => ExitStatus::LocalFault,
        }
    }
}
