//! The state directory: the listener's key and its invites.
//!
//! `listener.key` holds the private key in PKCS#8; `invites/NAME` holds what the listener must know of one invite, as
//! JSON: never the invite itself. Directories are 0700 and files 0600; wider ones are refused. Changes are made under a
//! lock on the directory and appear whole. Start with [`StateDirectory`]; a running listener asks [`InviteTable`].

use std::{
    fs::File,
    io,
    path::{Path, PathBuf},
    thread,
    time::{Duration, Instant},
};

use culvert_engine::identity::{ClientIdentity, ListenerIdentity, generate_seed, pkcs8};
use culvert_os::files::{self, FileError};
use culvert_units::format_duration;
use culvert_wire::Invite;
use jiff::Timestamp;
use zeroize::Zeroizing;

mod error;
mod invite;
mod table;

pub use error::StateError;
pub use invite::{InviteLimits, InviteName, StoredInvite};
pub use table::{InviteTable, KnownInvite, Reloaded, Standing};

const KEY_FILE: &str = "listener.key";
const INVITES: &str = "invites";
// A key takes 48 bytes and an invite under 500: more is not ours.
const LARGEST_FILE: usize = 16 * 1024;
const LOCK_PATIENCE: Duration = Duration::from_secs(3);
const LOCK_PAUSE: Duration = Duration::from_millis(20);

/// A state directory that exists and that nobody else can read.
#[derive(Debug, Clone)]
pub struct StateDirectory {
    path: PathBuf,
}

impl StateDirectory {
    /// Opens the directory, or makes it with its `invites`, 0700 both.
    pub fn open_or_create(path: &Path) -> Result<Self, StateError> {
        let state = Self { path: path.to_owned() };
        files::create_directory(&state.path)?;
        state.ensure_invites()?;
        Ok(state)
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The listener's identity; the first call ever makes its key.
    pub fn identity(&self) -> Result<ListenerIdentity, StateError> {
        let path = self.path.join(KEY_FILE);
        let _lock = self.lock()?;
        if let Some(der) = read(&path)? {
            return ListenerIdentity::from_pkcs8(&der)
                .map_err(|source| StateError::Key { path, source });
        }
        let seed = generate_seed()?;
        files::create(&path, pkcs8(&seed).as_slice())?;
        Ok(ListenerIdentity::from_seed(&seed)?)
    }

    /// Makes an invite that ends `expires_in` after `now`, and keeps what the listener must know of it.
    ///
    /// The invite is returned once and cannot be had again. A name whose invite is revoked or has ended may be used
    /// again; the holder of the old invite is then a stranger.
    pub fn create_invite(
        &self,
        name: &InviteName,
        expires_in: Duration,
        limits: InviteLimits,
        now: Timestamp,
    ) -> Result<Invite, StateError> {
        let (expires, expires_at) = end_of(expires_in, now)?;
        let listener_key = *self.identity()?.public_key();
        let invite = Invite { listener_key, client_seed: generate_seed()?, expires };
        let client_key = *ClientIdentity::from_invite(&invite)?.public_key();

        let _lock = self.lock()?;
        let before = self.read_invite(name)?;
        if before.as_ref().is_some_and(|held| held.standing(now) == Standing::Good) {
            return Err(StateError::NameTaken { name: name.clone() });
        }
        let stored = StoredInvite::new(name.clone(), client_key, now, expires_at, limits);
        self.write_invite(&stored, before.is_some())?;
        Ok(invite)
    }

    /// Marks an invite as revoked at `now`; one that is revoked already keeps its time.
    pub fn revoke(&self, name: &InviteName, now: Timestamp) -> Result<(), StateError> {
        let _lock = self.lock()?;
        let mut stored = self
            .read_invite(name)?
            .ok_or_else(|| StateError::NoSuchInvite { name: name.clone() })?;
        if stored.revoke(now) {
            self.write_invite(&stored, true)?;
        }
        Ok(())
    }

    fn invites(&self) -> PathBuf {
        self.path.join(INVITES)
    }

    fn ensure_invites(&self) -> Result<(), StateError> {
        let path = self.invites();
        let is_new = !path.exists();
        files::create_directory(&path)?;
        if is_new {
            // Made by root, it must still be of use to the user who runs the daemon.
            let directory = File::open(&path).map_err(|source| StateError::Io {
                doing: "open",
                path: path.clone(),
                source,
            })?;
            files::adopt_owner(&directory, &path)?;
        }
        Ok(())
    }

    fn read_invite(&self, name: &InviteName) -> Result<Option<StoredInvite>, StateError> {
        let path = self.invites().join(name.as_str());
        read(&path)?.map(|json| StoredInvite::from_json(&json, name, &path)).transpose()
    }

    fn write_invite(&self, stored: &StoredInvite, replaces: bool) -> Result<(), StateError> {
        let path = self.invites().join(stored.name().as_str());
        let json = stored.to_json()?;
        let written =
            if replaces { files::replace(&path, &json) } else { files::create(&path, &json) };
        Ok(written?)
    }

    /// Keeps other programs from changing the directory while the file lives.
    fn lock(&self) -> Result<File, StateError> {
        let path = &self.path;
        let directory = File::open(path).map_err(|source| StateError::Io {
            doing: "open",
            path: path.clone(),
            source,
        })?;
        let give_up = Instant::now() + LOCK_PATIENCE;
        while !files::lock_exclusive(&directory, path)? {
            if Instant::now() >= give_up {
                return Err(StateError::Busy { path: path.clone() });
            }
            thread::sleep(LOCK_PAUSE);
        }
        Ok(directory)
    }
}

/// The content of a private file; `None` where there is none.
fn read(path: &Path) -> Result<Option<Zeroizing<Vec<u8>>>, FileError> {
    match files::read(path, LARGEST_FILE) {
        Ok(content) => Ok(Some(Zeroizing::new(content))),
        Err(error) if error.kind() == Some(io::ErrorKind::NotFound) => Ok(None),
        Err(error) => Err(error),
    }
}

/// The second at which an invite ends, as the invite carries it: at least one second ahead, and before 2106-02-07.
fn end_of(expires_in: Duration, now: Timestamp) -> Result<(u32, Timestamp), StateError> {
    u64::try_from(now.as_second())
        .ok()
        .filter(|_| expires_in.as_secs() > 0)
        .and_then(|now| now.checked_add(expires_in.as_secs()))
        .and_then(|end| u32::try_from(end).ok())
        .and_then(|end| Some((end, Timestamp::from_second(end.into()).ok()?)))
        .ok_or_else(|| StateError::Expiry { asked: format_duration(expires_in) })
}

#[cfg(test)]
mod tests;
