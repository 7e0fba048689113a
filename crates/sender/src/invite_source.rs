//! Where the invite comes from: a file, or the environment.

use std::io;
use std::path::{Path, PathBuf};

use culvert_units::{ExitStatus, Explain};
use culvert_wire::{INVITE_LEN, Invite, InviteError};
use zeroize::Zeroizing;

use crate::args::InviteArgs;

/// The environment variable that may hold the invite.
pub(crate) const VARIABLE: &str = "CULVERT_INVITE";
/// No invite is longer; more than this is some other file.
const MOST_BYTES: u64 = 4096;

/// Reads the invite.
pub(crate) fn read(args: &InviteArgs) -> Result<Invite, InviteSourceError> {
    let text = match &args.file {
        Some(path) => read_file(path)?,
        None => Zeroizing::new(std::env::var(VARIABLE).map_err(|_| InviteSourceError::Missing)?),
    };
    Ok(Invite::parse(&text)?)
}

/// Whether a word of the command line holds what is an invite or nearly one.
pub(crate) fn holds_an_invite(argument: &str) -> bool {
    argument.match_indices("cvt1").any(|(at, _)| {
        let rest = argument.get(at..).unwrap_or_default();
        rest.bytes().take_while(u8::is_ascii_alphanumeric).count() >= INVITE_LEN / 2
    })
}

fn read_file(path: &Path) -> Result<Zeroizing<String>, InviteSourceError> {
    let failed = |source| InviteSourceError::File { path: path.to_owned(), source };
    if std::fs::metadata(path).map_err(failed)?.len() > MOST_BYTES {
        return Err(InviteSourceError::NotAnInvite { path: path.to_owned() });
    }
    std::fs::read_to_string(path).map(Zeroizing::new).map_err(failed)
}

/// Why there is no invite. No text echoes what might be one.
#[derive(Debug, thiserror::Error)]
pub(crate) enum InviteSourceError {
    /// Neither file nor variable.
    #[error("no invite: neither --invite FILE nor {VARIABLE} is given")]
    Missing,
    /// The invite itself stands on the command line.
    #[error("an invite was typed on the command line, where every user of this host can read it")]
    OnCommandLine,
    /// The file cannot be read.
    #[error("cannot read the invite from {}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The file is too long.
    #[error("{} holds no invite: it is longer than {MOST_BYTES} bytes", path.display())]
    NotAnInvite {
        /// The file.
        path: PathBuf,
    },
    /// The text is no invite.
    #[error(transparent)]
    Invite(#[from] InviteError),
}

impl Explain for InviteSourceError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::Missing | Self::NotAnInvite { .. } => Some(
                "make one at the listener with 'culvertd invite NAME' and save the line it prints"
                    .to_owned(),
            ),
            Self::OnCommandLine => Some(
                "revoke it, make a new one, save it to a file and give the file with --invite FILE"
                    .to_owned(),
            ),
            Self::File { .. } => Some("check the file's name and permissions".to_owned()),
            Self::Invite(error) => error.hint(),
        }
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::File { source, .. } if source.kind() != io::ErrorKind::NotFound => {
                ExitStatus::LocalFault
            }
            Self::Invite(error) => error.exit_status(),
            _ => ExitStatus::Usage,
        }
    }
}
