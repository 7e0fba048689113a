//! What the listener keeps of one invite.

use std::{fmt, path::Path, str::FromStr, time::Duration};

use culvert_units::{BitRate, Bytes};
use data_encoding::HEXLOWER;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Standing, StateError};

const FORMAT: u32 = 1;
const NAME_LEN: usize = 32;

/// The name of an invite: 1 to 32 of a-z, 0-9 and `-`, beginning with a letter or digit. Also a file name.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct InviteName(String);

impl InviteName {
    /// The name as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for InviteName {
    type Err = StateError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let allowed = |c: char| matches!(c, 'a'..='z' | '0'..='9' | '-');
        if text.is_empty()
            || text.len() > NAME_LEN
            || text.starts_with('-')
            || !text.chars().all(allowed)
        {
            return Err(StateError::Name { text: text.to_owned() });
        }
        Ok(Self(text.to_owned()))
    }
}

impl TryFrom<String> for InviteName {
    type Error = StateError;

    fn try_from(text: String) -> Result<Self, Self::Error> {
        text.parse()
    }
}

impl From<InviteName> for String {
    fn from(name: InviteName) -> Self {
        name.0
    }
}

impl fmt::Display for InviteName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

/// What the holder of an invite may do at most, where that is less than the listener allows everyone.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct InviteLimits {
    /// Payload of a paced session each way.
    pub rate_bps: Option<BitRate>,
    /// Payload of one session, both ways together.
    pub bytes: Option<Bytes>,
    /// Settle and plateau together, in milliseconds.
    pub duration_ms: Option<u64>,
}

impl InviteLimits {
    /// Settle and plateau together.
    pub fn duration(&self) -> Option<Duration> {
        self.duration_ms.map(Duration::from_millis)
    }
}

/// The listener's side of one invite: who may come, until when, and how far. It holds no secret.
// A field that is not known could be a limit, so it is refused rather than passed over.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StoredInvite {
    format: u32,
    name: InviteName,
    #[serde(with = "hex")]
    client_key: [u8; 32],
    created: Timestamp,
    expires: Timestamp,
    revoked_at: Option<Timestamp>,
    limits: InviteLimits,
}

impl StoredInvite {
    pub(super) fn new(
        name: InviteName,
        client_key: [u8; 32],
        created: Timestamp,
        expires: Timestamp,
        limits: InviteLimits,
    ) -> Self {
        Self { format: FORMAT, name, client_key, created, expires, revoked_at: None, limits }
    }

    pub(super) fn from_json(
        json: &[u8],
        name: &InviteName,
        path: &Path,
    ) -> Result<Self, StateError> {
        let damaged = |reason: String| StateError::Damaged { path: path.to_owned(), reason };
        let stored: Self =
            serde_json::from_slice(json).map_err(|error| damaged(error.to_string()))?;
        if stored.format != FORMAT {
            return Err(damaged(format!(
                "it has format {}, this release knows {FORMAT}",
                stored.format
            )));
        }
        if stored.name != *name {
            return Err(damaged(format!("it holds the invite named '{}'", stored.name)));
        }
        Ok(stored)
    }

    pub(super) fn to_json(&self) -> Result<Vec<u8>, StateError> {
        let mut json = serde_json::to_vec_pretty(self).map_err(|error| StateError::Damaged {
            path: self.name.as_str().into(),
            reason: error.to_string(),
        })?;
        json.push(b'\n');
        Ok(json)
    }

    /// Whether this changed anything.
    pub(super) fn revoke(&mut self, now: Timestamp) -> bool {
        let changes = self.revoked_at.is_none();
        self.revoked_at.get_or_insert(now);
        changes
    }

    /// Its name.
    pub const fn name(&self) -> &InviteName {
        &self.name
    }

    /// The Ed25519 public key of its holder.
    pub const fn client_key(&self) -> &[u8; 32] {
        &self.client_key
    }

    /// When it was made.
    pub const fn created(&self) -> Timestamp {
        self.created
    }

    /// What its holder may do at most.
    pub const fn limits(&self) -> &InviteLimits {
        &self.limits
    }

    /// Whether its holder may measure at `now`. Revoked is said before ended.
    pub fn standing(&self, now: Timestamp) -> Standing {
        match self.revoked_at {
            Some(at) => Standing::Revoked { at },
            None if now >= self.expires => Standing::Expired { at: self.expires },
            None => Standing::Good,
        }
    }
}

mod hex {
    use super::{Deserialize, HEXLOWER};
    use serde::{Deserializer, Serializer, de::Error};

    pub(super) fn serialize<S: Serializer>(
        bytes: &[u8; 32],
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&HEXLOWER.encode(bytes))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<[u8; 32], D::Error> {
        let text = String::deserialize(deserializer)?;
        HEXLOWER
            .decode(text.as_bytes())
            .ok()
            .and_then(|bytes| bytes.try_into().ok())
            .ok_or_else(|| D::Error::custom("a key is 64 characters of 0-9 and a-f"))
    }
}
