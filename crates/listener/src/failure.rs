//! Why the daemon cannot do what it was asked.

use std::io;
use std::net::SocketAddr;

use culvert_engine::PinError;
use culvert_units::{ExitStatus, Explain};

use crate::state::StateError;

/// Why the daemon cannot do what it was asked.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ListenerError {
    /// The state directory.
    #[error(transparent)]
    State(#[from] StateError),
    /// Nobody said where the state is kept.
    #[error("there is no home directory to keep keys and invites in")]
    NoHome,
    /// An address cannot be listened on.
    #[error("cannot listen on {address}")]
    Binding {
        /// The address.
        address: SocketAddr,
        /// What the system says.
        source: io::Error,
    },
    /// A core that cannot be used.
    #[error(transparent)]
    Pins(#[from] PinError),
    /// The runtime cannot be made.
    #[error("the control runtime cannot start")]
    Runtime {
        /// What the system says.
        source: io::Error,
    },
    /// A bound socket failed.
    #[error("the listening socket failed")]
    Serving {
        /// What the system says.
        source: io::Error,
    },
    /// Standard output cannot be written.
    #[error("the result cannot be printed")]
    Output {
        /// What the system says.
        source: io::Error,
    },
}

/// An address cannot be listened on.
pub(crate) const fn binding(address: SocketAddr, source: io::Error) -> ListenerError {
    ListenerError::Binding { address, source }
}

impl Explain for ListenerError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::State(error) => error.hint(),
            Self::Pins(error) => error.hint(),
            Self::NoHome => Some("say where with --state DIR".to_owned()),
            Self::Binding { source, .. } if source.kind() == io::ErrorKind::AddrInUse => Some(
                "another culvertd may run already; end it, or choose another port with --listen"
                    .to_owned(),
            ),
            Self::Binding { .. } => Some(
                "check that the address is one of this host, or choose another with --listen"
                    .to_owned(),
            ),
            Self::Runtime { .. } | Self::Serving { .. } => {
                Some("check this host's limits on open files and memory".to_owned())
            }
            Self::Output { .. } => None,
        }
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::State(error) => error.exit_status(),
            Self::Pins(error) => error.exit_status(),
            Self::NoHome => ExitStatus::Usage,
            _ => ExitStatus::LocalFault,
        }
    }
}
