//! The invites a running listener knows, kept in step with the directory.

use std::{collections::HashMap, fs, io, os::unix::fs::MetadataExt, path::Path, sync::Arc};

use culvert_engine::identity::ListenerIdentity;
use jiff::Timestamp;

use super::{InviteName, StateDirectory, StateError, StoredInvite};

/// Whether the holder of an invite may measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// Yes.
    Good,
    /// Its time is over.
    Expired {
        /// When it ended.
        at: Timestamp,
    },
    /// It was taken back.
    Revoked {
        /// When.
        at: Timestamp,
    },
    /// There is no such invite, or none any more.
    Unknown,
}

/// An invite and the name its holder asks for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KnownInvite {
    /// The gate name: the server name in the holder's TLS hello.
    pub gate_name: String,
    /// What the listener keeps of it.
    pub invite: StoredInvite,
}

/// The known invites by gate name, as of the last [`reload`](Self::reload).
#[derive(Debug)]
pub struct InviteTable {
    state: StateDirectory,
    identity: ListenerIdentity,
    files: HashMap<InviteName, Held>,
    by_gate_name: HashMap<String, Arc<KnownInvite>>,
}

#[derive(Debug)]
struct Held {
    // None asks for another try.
    version: Option<FileVersion>,
    // None while the file cannot be used.
    known: Option<Arc<KnownInvite>>,
}

/// What tells that a file was written anew: a rename brings another inode, a change in place another change time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct FileVersion {
    inode: u64,
    changed: (i64, i64),
    length: u64,
}

/// What a reload found.
#[derive(Debug, Default)]
pub struct Reloaded {
    /// Whether any invite came, went or changed.
    pub changed: bool,
    /// Files that cannot be used; their invites are unknown. What is wrong with a file is told once until it changes.
    pub problems: Vec<StateError>,
}

impl InviteTable {
    /// Reads all invites; the first file that cannot be used is the error.
    pub fn load(state: StateDirectory, identity: ListenerIdentity) -> Result<Self, StateError> {
        let mut table =
            Self { state, identity, files: HashMap::new(), by_gate_name: HashMap::new() };
        match table.reload()?.problems.into_iter().next() {
            Some(problem) => Err(problem),
            None => Ok(table),
        }
    }

    /// Takes over what changed in the directory since the last time: one `stat` a file when nothing did.
    ///
    /// A directory that is gone takes all invites with it; one that cannot be read now leaves them as they were.
    pub fn reload(&mut self) -> Result<Reloaded, StateError> {
        let found = self.scan().inspect_err(|error| {
            if matches!(error, StateError::Io { source, .. } if source.kind() == io::ErrorKind::NotFound) {
                self.files.clear();
                self.by_gate_name.clear();
            }
        })?;
        let mut reloaded = Reloaded::default();
        let before = self.files.len();
        self.files.retain(|name, _| found.contains_key(name));
        reloaded.changed = self.files.len() != before;
        for (name, version) in found {
            if self.files.get(&name).is_none_or(|held| held.version != Some(version)) {
                reloaded.changed = true;
                let held = self.read(&name, version, &mut reloaded.problems);
                self.files.insert(name, held);
            }
        }
        if reloaded.changed {
            let known = self.files.values().filter_map(|held| held.known.clone());
            self.by_gate_name = known.map(|known| (known.gate_name.clone(), known)).collect();
        }
        Ok(reloaded)
    }

    /// The invite whose holder asks for `gate_name`, whatever its standing: only a proven holder hears that.
    pub fn lookup(&self, gate_name: &str) -> Option<Arc<KnownInvite>> {
        self.by_gate_name.get(gate_name).cloned()
    }

    /// Whether the holder may measure at `now`: asked before a session and, so that a revocation ends it, during one.
    pub fn standing(&self, gate_name: &str, now: Timestamp) -> Standing {
        self.by_gate_name
            .get(gate_name)
            .map_or(Standing::Unknown, |known| known.invite.standing(now))
    }

    /// The listener's identity.
    pub const fn identity(&self) -> &ListenerIdentity {
        &self.identity
    }

    /// The files that bear the name of an invite; others (a half-written file, an editor's copy) are passed over.
    fn scan(&self) -> Result<HashMap<InviteName, FileVersion>, StateError> {
        let path = self.state.invites();
        let fault = |source| StateError::Io { doing: "read", path: path.clone(), source };
        let mut found = HashMap::new();
        for entry in fs::read_dir(&path).map_err(fault)? {
            let entry = entry.map_err(fault)?;
            let Some(name) = entry.file_name().to_str().and_then(|name| name.parse().ok()) else {
                continue;
            };
            if let Some(version) = version_of(&entry.path())? {
                found.insert(name, version);
            }
        }
        Ok(found)
    }

    fn read(
        &self,
        name: &InviteName,
        version: FileVersion,
        problems: &mut Vec<StateError>,
    ) -> Held {
        match self.state.read_invite(name) {
            Ok(invite) => {
                Held { version: Some(version), known: invite.map(|invite| self.know(invite)) }
            }
            Err(problem) => {
                // What the system refuses now it may grant later; what is wrong with the file stays wrong.
                let is_passing =
                    matches!(&problem, StateError::File(error) if error.kind().is_some());
                problems.push(problem);
                Held { version: (!is_passing).then_some(version), known: None }
            }
        }
    }

    fn know(&self, invite: StoredInvite) -> Arc<KnownInvite> {
        let gate_name = self.identity.gate_name(invite.client_key());
        Arc::new(KnownInvite { gate_name, invite })
    }
}

/// `None` when the file has just gone.
fn version_of(path: &Path) -> Result<Option<FileVersion>, StateError> {
    match fs::symlink_metadata(path) {
        Ok(found) => Ok(Some(FileVersion {
            inode: found.ino(),
            changed: (found.ctime(), found.ctime_nsec()),
            length: found.len(),
        })),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(source) => Err(StateError::Io { doing: "read", path: path.to_owned(), source }),
    }
}
