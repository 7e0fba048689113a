//! What a sender can learn from a handshake that failed.

use std::io;

use culvert_units::{ExitStatus, Explain};
use rustls::{AlertDescription, Error};

/// Why no control connection came about although the peer's port was reached.
#[derive(Debug, thiserror::Error)]
pub enum HandshakeError {
    /// The peer proved another key than the invite names, or none.
    #[error("the peer is not the listener that the invite names")]
    OtherListener,
    /// The peer closed before it said anything.
    #[error(
        "the peer closed the connection without a word: it does not know this invite, or it is not culvertd"
    )]
    ClosedSilently,
    /// The peer does not accept the key of the invite.
    #[error("the listener refused this invite's key (TLS alert {})", name_of(*alert))]
    Refused {
        /// The alert it sent.
        alert: AlertDescription,
    },
    /// The peer broke off for another reason of its own.
    #[error("the peer broke off the TLS handshake (TLS alert {})", name_of(*alert))]
    BrokenOff {
        /// The alert it sent.
        alert: AlertDescription,
    },
    /// The peer speaks TLS, but not this program's protocol.
    #[error("the peer does not speak culvert's protocol, version 1")]
    OtherProtocol,
    /// The peer answered with something that is not TLS.
    #[error("the peer answered with something that is not TLS")]
    NotTls,
    /// The handshake failed otherwise.
    #[error("the TLS handshake failed")]
    Tls {
        /// What the TLS library says.
        source: Error,
    },
    /// The connection failed below TLS.
    #[error("the connection failed during the TLS handshake")]
    Io {
        /// What the system says.
        source: io::Error,
    },
}

fn name_of(alert: AlertDescription) -> String {
    alert.as_str().map_or_else(|| u8::from(alert).to_string(), str::to_owned)
}

impl From<Error> for HandshakeError {
    fn from(error: Error) -> Self {
        match error {
            Error::InvalidCertificate(_) | Error::NoCertificatesPresented => Self::OtherListener,
            Error::AlertReceived(AlertDescription::NoApplicationProtocol)
            | Error::NoApplicationProtocol => Self::OtherProtocol,
            Error::AlertReceived(
                alert @ (AlertDescription::AccessDenied
                | AlertDescription::BadCertificate
                | AlertDescription::CertificateRequired
                | AlertDescription::CertificateUnknown
                | AlertDescription::DecryptError
                | AlertDescription::UnsupportedCertificate),
            ) => Self::Refused { alert },
            Error::AlertReceived(alert) => Self::BrokenOff { alert },
            Error::InvalidMessage(_) => Self::NotTls,
            source => Self::Tls { source },
        }
    }
}

/// For errors of the handshake and of the first read after it: a refusal of the client's key arrives only then.
impl From<io::Error> for HandshakeError {
    fn from(error: io::Error) -> Self {
        // A listener that closes without having read the hello makes its system answer with a reset.
        if matches!(
            error.kind(),
            io::ErrorKind::UnexpectedEof
                | io::ErrorKind::ConnectionReset
                | io::ErrorKind::ConnectionAborted
                | io::ErrorKind::BrokenPipe
        ) {
            return Self::ClosedSilently;
        }
        match error.get_ref().and_then(|inner| inner.downcast_ref::<Error>()) {
            Some(inner) => inner.clone().into(),
            None => Self::Io { source: error },
        }
    }
}

impl Explain for HandshakeError {
    fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::OtherListener => {
                "check the address and the port forward; if the listener was set up anew, ask for a new invite"
            }
            Self::ClosedSilently => {
                "check that the port leads to culvertd and that the invite was made for its state directory"
            }
            Self::Refused { .. } => "ask for a new invite",
            Self::OtherProtocol => "use the same release at both ends",
            Self::NotTls => "check the port: another service answers there",
            Self::BrokenOff { .. } | Self::Tls { .. } => {
                "use the same release at both ends, and check the port forward"
            }
            Self::Io { .. } => "check the path to the listener, then try again",
        };
        Some(hint.to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Io { .. } => ExitStatus::Unreachable,
            _ => ExitStatus::Refused,
        }
    }
}
