//! The invite: one line that lets one sender know the listener and prove itself to it.
//!
//! `cvt1` and 116 characters of lowercase base32 (RFC 4648 6, without padding) over listener key (32 bytes), client
//! seed (32), expiry (u32, big-endian) and the CRC-32 (ISO-HDLC, as in RFC 1952 8) of these 68 bytes (u32,
//! big-endian). The prefix is the version. The CRC finds typing errors; it proves nothing.

use culvert_units::{ExitStatus, Explain};
use data_encoding::{BASE32_NOPAD, BASE32_NOPAD_NOCASE};
use zeroize::Zeroizing;

use crate::Secret;

/// Length of an encoded invite in characters.
pub const INVITE_LEN: usize = 120;

const PREFIX: &str = "cvt1";
const FAMILY: &str = "cvt";
const BYTES_LEN: usize = 72;
const CHECKED_LEN: usize = 68;
const BASE32_LEN: usize = INVITE_LEN - PREFIX.len();

/// What an invite says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Invite {
    /// The listener's Ed25519 public key.
    pub listener_key: [u8; 32],
    /// The Ed25519 private key (seed, RFC 8032 5.1.5) of the sender this invite is for.
    pub client_seed: Secret<32>,
    /// When the invite ends, in seconds since 1970-01-01 00:00 UTC; never 0. The listener's clock decides.
    pub expires: u32,
}

impl Invite {
    /// Reads an invite; whitespace around it is ignored. No error repeats any of the text.
    pub fn parse(text: &str) -> Result<Self, InviteError> {
        let text = text.trim();
        let Some(symbols) = text.strip_prefix(PREFIX) else {
            return Err(if text.starts_with(FAMILY) {
                InviteError::Version
            } else {
                InviteError::Prefix
            });
        };
        let got = text.chars().count();
        if got != INVITE_LEN {
            return Err(InviteError::Length { got });
        }
        if let Some(before) = symbols.chars().position(|c| !matches!(c, 'a'..='z' | '2'..='7')) {
            return Err(InviteError::Alphabet { position: PREFIX.len() + before + 1 });
        }
        let mut bytes = Zeroizing::new([0; BYTES_LEN]);
        // The length and alphabet are right: what is left to fail are stray bits in the last character.
        BASE32_NOPAD_NOCASE
            .decode_mut(symbols.as_bytes(), bytes.as_mut_slice())
            .map_err(|_| InviteError::Checksum)?;
        Self::from_bytes(&bytes)
    }

    /// The invite as its one line of 120 characters, without a line end.
    pub fn encode(&self) -> Zeroizing<String> {
        let mut bytes = Zeroizing::new([0; BYTES_LEN]);
        let expires = self.expires.to_be_bytes();
        let fields = self.listener_key.iter().chain(self.client_seed.expose()).chain(&expires);
        for (byte, value) in bytes.iter_mut().zip(fields) {
            *byte = *value;
        }
        if let Some((checked, crc)) = bytes.split_last_chunk_mut::<4>() {
            *crc = crc32fast::hash(checked).to_be_bytes();
        }
        let mut symbols = Zeroizing::new([0; BASE32_LEN]);
        BASE32_NOPAD.encode_mut(bytes.as_slice(), symbols.as_mut_slice());
        // Reserved at once: a growing string would leave copies of the secret behind.
        let mut line = Zeroizing::new(String::with_capacity(INVITE_LEN));
        line.push_str(PREFIX);
        line.extend(symbols.iter().map(|symbol| char::from(symbol.to_ascii_lowercase())));
        line
    }

    /// Whether the invite has ended at `now`, in seconds since 1970-01-01 00:00 UTC.
    pub fn has_expired(&self, now: u64) -> bool {
        now >= u64::from(self.expires)
    }

    fn from_bytes(bytes: &[u8; BYTES_LEN]) -> Result<Self, InviteError> {
        let (listener_key, seed, expires, crc) = split(bytes).ok_or(InviteError::Checksum)?;
        if crc32fast::hash(&bytes[..CHECKED_LEN]) != u32::from_be_bytes(*crc) {
            return Err(InviteError::Checksum);
        }
        let expires = u32::from_be_bytes(*expires);
        if expires == 0 {
            return Err(InviteError::Endless);
        }
        Ok(Self { listener_key: *listener_key, client_seed: Secret::new(*seed), expires })
    }
}

type Fields<'a> = (&'a [u8; 32], &'a [u8; 32], &'a [u8; 4], &'a [u8; 4]);

fn split(bytes: &[u8; BYTES_LEN]) -> Option<Fields<'_>> {
    let (listener_key, rest) = bytes.split_first_chunk()?;
    let (seed, rest) = rest.split_first_chunk()?;
    let (expires, rest) = rest.split_first_chunk()?;
    Some((listener_key, seed, expires, rest.first_chunk()?))
}

/// Why a text is not an invite. The text is a secret, so no variant carries any of it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum InviteError {
    /// It does not begin with `cvt`.
    #[error("this is not an invite: an invite begins with '{PREFIX}'")]
    Prefix,
    /// It begins with `cvt` and another version.
    #[error("the invite has a version this program does not know: it knows '{PREFIX}'")]
    Version,
    /// It is too short or too long.
    #[error("the invite has {got} characters instead of {INVITE_LEN}")]
    Length {
        /// Characters that were read.
        got: usize,
    },
    /// A character is not lowercase base32.
    #[error("character {position} of the invite is none of a-z and 2-7")]
    Alphabet {
        /// Which character, counted from 1.
        position: usize,
    },
    /// The CRC differs.
    #[error("the invite has a typing error: its checksum does not match")]
    Checksum,
    /// The expiry is zero.
    #[error("the invite names no end")]
    Endless,
}

impl Explain for InviteError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::Version => "use the release of culvert that matches the listener's".to_owned(),
            Self::Endless => "make a new one with 'culvertd invite NAME'".to_owned(),
            Self::Prefix | Self::Length { .. } | Self::Alphabet { .. } | Self::Checksum => format!(
                "copy the whole line that 'culvertd invite' printed: {INVITE_LEN} characters beginning with '{PREFIX}'"
            ),
        })
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Usage
    }
}

#[cfg(test)]
mod tests;
