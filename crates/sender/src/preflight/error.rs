//! Why a preflight ended early.

use std::net::SocketAddr;

use culvert_report::preflight::FailureFacts;
use culvert_units::{ExitStatus, Explain, explain};

use crate::dial::{DialError, family_of, refusal_hint};
use crate::session::{Broken, SessionError};

/// Why a preflight ended early.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PreflightError {
    /// The listener is not reached.
    #[error(transparent)]
    Dial(#[from] DialError),
    /// The probe flow did not come about.
    #[error(transparent)]
    Session(#[from] SessionError),
    /// The other family works.
    #[error(
        "{peer} does not answer by TCP, but the listener answers at {other}: it is not reached over {}",
        family_of(peer.ip())
    )]
    WrongFamily {
        /// Who was dialled.
        peer: SocketAddr,
        /// Where the listener is.
        other: SocketAddr,
    },
    /// It broke off while sizes were tried.
    #[error("{}; what was found until then is a part", cause(.0))]
    Broken(Broken),
}

fn cause(broken: &Broken) -> String {
    match broken {
        Broken::Channel(error) => error.to_string(),
        Broken::Refused(refusal) => format!("the listener ended the session: {}", refusal.text),
        Broken::Interrupted => "stopped before the search was over".to_owned(),
    }
}

impl PreflightError {
    /// As the document tells it.
    pub(crate) fn facts(&self) -> FailureFacts {
        let text = explain(self);
        let error = text.lines().next().unwrap_or_default();
        FailureFacts {
            error: error.strip_prefix("error: ").unwrap_or(error).to_owned(),
            hint: self.hint(),
            exit_status: self.exit_status().code(),
        }
    }
}

impl Explain for PreflightError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::Dial(error) => error.hint(),
            Self::Session(error) => error.hint(),
            Self::WrongFamily { other, .. } => {
                let family = if other.is_ipv4() { "ipv4" } else { "ipv6" };
                Some(format!(
                    "use --family {family}, or let culvertd listen on the other family, too"
                ))
            }
            Self::Broken(Broken::Channel(error)) => error.hint(),
            Self::Broken(Broken::Refused(refusal)) => {
                refusal_hint(refusal.reason).map(str::to_owned)
            }
            Self::Broken(Broken::Interrupted) => None,
        }
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Dial(error) => error.exit_status(),
            Self::Session(error) => error.exit_status(),
            Self::WrongFamily { .. } => ExitStatus::Unreachable,
            Self::Broken(Broken::Channel(error)) => error.exit_status(),
            Self::Broken(Broken::Refused(_)) => ExitStatus::Refused,
            Self::Broken(Broken::Interrupted) => ExitStatus::Void,
        }
    }
}
