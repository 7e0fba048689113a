//! Why the state directory cannot be used or changed.

use std::{io, path::PathBuf};

use culvert_engine::identity::IdentityError;
use culvert_os::files::FileError;
use culvert_units::{ExitStatus, Explain};

use super::InviteName;

/// Why the state directory cannot be used, or not as was asked.
#[derive(Debug, thiserror::Error)]
pub enum StateError {
    /// The text is no name for an invite.
    #[error("'{text}' is no name for an invite")]
    Name {
        /// What was typed.
        text: String,
    },
    /// An invite of this name can still be used.
    #[error("there is already an invite named '{name}'")]
    NameTaken {
        /// The name.
        name: InviteName,
    },
    /// No invite has this name.
    #[error("there is no invite named '{name}'")]
    NoSuchInvite {
        /// The name.
        name: InviteName,
    },
    /// The end of the invite lies now, or where it cannot be written.
    #[error("an invite cannot end {asked} from now")]
    Expiry {
        /// The duration that was asked.
        asked: String,
    },
    /// A file that does not say what it must.
    #[error("'{}' cannot be understood: {reason}", path.display())]
    Damaged {
        /// Which.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
    /// The listener's key cannot be read.
    #[error("'{}' holds no key", path.display())]
    Key {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: IdentityError,
    },
    /// A key cannot be made.
    #[error("a key cannot be made")]
    Identity(#[from] IdentityError),
    /// Another program is changing the directory and does not finish.
    #[error("another program holds the lock of '{}'", path.display())]
    Busy {
        /// The state directory.
        path: PathBuf,
    },
    /// A file cannot be used.
    #[error(transparent)]
    File(#[from] FileError),
    /// The system refused.
    #[error("cannot {doing} '{}'", path.display())]
    Io {
        /// A verb.
        doing: &'static str,
        /// Which file or directory.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
}

impl Explain for StateError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::Name { .. } => {
                "use 1 to 32 of a-z, 0-9 and '-', beginning with a letter or digit".to_owned()
            }
            Self::NameTaken { name } => {
                format!("take another name, or end it with 'culvertd revoke {name}' first")
            }
            Self::NoSuchInvite { .. } => {
                "check the name and --state: the names are the files in its folder 'invites'"
                    .to_owned()
            }
            Self::Expiry { .. } => "give a time such as '--expires 7d'".to_owned(),
            Self::Damaged { path, .. } => {
                format!("remove '{}'; if it was an invite, make a new one", path.display())
            }
            Self::Key { source, .. } | Self::Identity(source) => return source.hint(),
            Self::Busy { .. } => {
                "see which other culvertd is at work there, and try again".to_owned()
            }
            Self::File(error) => return error.hint(),
            Self::Io { .. } => {
                "check that the directory belongs to the user that runs culvertd".to_owned()
            }
        })
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Name { .. }
            | Self::NameTaken { .. }
            | Self::NoSuchInvite { .. }
            | Self::Expiry { .. } => ExitStatus::Usage,
            Self::Damaged { .. }
            | Self::Key { .. }
            | Self::Identity(_)
            | Self::Busy { .. }
            | Self::File(_)
            | Self::Io { .. } => ExitStatus::LocalFault,
        }
    }
}
