//! Who the two ends are: Ed25519 keys, and mutual TLS 1.3 with these keys raw and pinned (RFC 7250).
//!
//! No certificate, no name and no clock takes part: each end accepts exactly one key. Nothing here reads a socket or
//! keeps a key on disk. Start with [`ListenerIdentity`] and [`ClientIdentity`]; [`peek_gate_name`] finds out, before TLS,
//! which client a listener is asked for; [`flow_keys()`] gives the secrets of the data flows.

use std::{fmt, sync::Arc};

use culvert_units::{ExitStatus, Explain};
use culvert_wire::{Invite, Secret};
use ring::rand::{SecureRandom, SystemRandom};
use rustls::{
    ClientConfig, ServerConfig,
    crypto::ring::sign::any_eddsa_type,
    pki_types::{CertificateDer, PrivatePkcs8KeyDer, ServerName},
    sign::CertifiedKey,
};
use zeroize::Zeroizing;

mod config;
mod flow_keys;
mod gate;
mod handshake;
mod pinned;

pub use config::{PROTOCOL, check_protocol};
pub use flow_keys::{DirectionKeys, FlowKeys, flow_keys};
pub use gate::{PEEK_LIMIT, Peeked, gate_name, peek_gate_name};
pub use handshake::HandshakeError;

/// The listener: its key, and what it needs to accept one client.
#[derive(Clone)]
pub struct ListenerIdentity {
    key: RawKey,
}

impl ListenerIdentity {
    /// The identity of a private key in PKCS#8 (RFC 8410 7), as [`pkcs8`] writes it.
    pub fn from_pkcs8(der: &[u8]) -> Result<Self, IdentityError> {
        RawKey::from_pkcs8(der).map(|key| Self { key })
    }

    /// The identity of a private key (seed, RFC 8032 5.1.5).
    pub fn from_seed(seed: &Secret<32>) -> Result<Self, IdentityError> {
        Self::from_pkcs8(pkcs8(seed).as_slice())
    }

    /// The Ed25519 public key.
    pub fn public_key(&self) -> &[u8; 32] {
        &self.key.public
    }

    /// The name under which the client with `client_key` asks for this listener.
    pub fn gate_name(&self, client_key: &[u8; 32]) -> String {
        gate_name(self.public_key(), client_key)
    }

    /// TLS for one connection: only the client that holds the private key of `client_key` is accepted.
    pub fn server_config(&self, client_key: &[u8; 32]) -> Result<Arc<ServerConfig>, IdentityError> {
        config::server(&self.key, client_key)
    }
}

impl fmt::Debug for ListenerIdentity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ListenerIdentity")
            .field("public_key", self.public_key())
            .finish_non_exhaustive()
    }
}

/// The sender: its own key and the listener's, both from its invite.
#[derive(Clone)]
pub struct ClientIdentity {
    key: RawKey,
    listener_key: [u8; 32],
}

impl ClientIdentity {
    /// The identity that `invite` gives its holder.
    pub fn from_invite(invite: &Invite) -> Result<Self, IdentityError> {
        let key = RawKey::from_pkcs8(pkcs8(&invite.client_seed).as_slice())?;
        Ok(Self { key, listener_key: invite.listener_key })
    }

    /// The Ed25519 public key.
    pub fn public_key(&self) -> &[u8; 32] {
        &self.key.public
    }

    /// The name under which this client asks for its listener.
    pub fn gate_name(&self) -> String {
        gate_name(&self.listener_key, self.public_key())
    }

    /// The gate name as the server name (SNI, RFC 6066 3) to connect with.
    pub fn server_name(&self) -> Result<ServerName<'static>, IdentityError> {
        ServerName::try_from(self.gate_name()).map_err(|_| IdentityError::GateName)
    }

    /// TLS towards the listener the invite names, and no other.
    pub fn client_config(&self) -> Result<Arc<ClientConfig>, IdentityError> {
        config::client(&self.key, &self.listener_key)
    }
}

impl fmt::Debug for ClientIdentity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("ClientIdentity")
            .field("public_key", self.public_key())
            .finish_non_exhaustive()
    }
}

/// A new private key from the system's random numbers.
pub fn generate_seed() -> Result<Secret<32>, IdentityError> {
    let mut seed = Zeroizing::new([0; 32]);
    SystemRandom::new().fill(seed.as_mut_slice()).map_err(|_| IdentityError::NoRandomness)?;
    Ok(Secret::new(*seed))
}

/// The private key in PKCS#8, DER (RFC 8410 7): the form in which other tools read it.
pub fn pkcs8(seed: &Secret<32>) -> Zeroizing<[u8; 48]> {
    let mut der = Zeroizing::new([0; 48]);
    for (byte, value) in der.iter_mut().zip(PKCS8_PREFIX.iter().chain(seed.expose())) {
        *byte = *value;
    }
    der
}

/// RFC 8410 7: version 0, algorithm 1.3.101.112, an octet string within an octet string of 32 bytes.
const PKCS8_PREFIX: [u8; 16] =
    [0x30, 0x2e, 2, 1, 0, 0x30, 5, 6, 3, 0x2b, 0x65, 0x70, 4, 0x22, 4, 0x20];

/// RFC 8410 4: algorithm 1.3.101.112 and a bit string of 256 bits.
const SPKI_PREFIX: [u8; 12] = [0x30, 0x2a, 0x30, 5, 6, 3, 0x2b, 0x65, 0x70, 3, 0x21, 0];

/// A public key as TLS carries it (RFC 7250 3: a `SubjectPublicKeyInfo`).
fn spki(public_key: &[u8; 32]) -> Vec<u8> {
    [SPKI_PREFIX.as_slice(), public_key].concat()
}

/// An own key, ready to sign handshakes.
#[derive(Clone)]
struct RawKey {
    certified: Arc<CertifiedKey>,
    public: [u8; 32],
}

impl RawKey {
    fn from_pkcs8(der: &[u8]) -> Result<Self, IdentityError> {
        let signing = any_eddsa_type(&PrivatePkcs8KeyDer::from(der))
            .map_err(|source| IdentityError::PrivateKey { source })?;
        let spki = signing.public_key().ok_or(IdentityError::NotEd25519)?.to_vec();
        let public = spki
            .strip_prefix(SPKI_PREFIX.as_slice())
            .and_then(|key| <[u8; 32]>::try_from(key).ok())
            .ok_or(IdentityError::NotEd25519)?;
        let certified = CertifiedKey::new(vec![CertificateDer::from(spki)], signing);
        Ok(Self { certified: Arc::new(certified), public })
    }
}

/// Why an identity cannot be made or used; always a fault of this host.
#[derive(Debug, thiserror::Error)]
pub enum IdentityError {
    /// The private key cannot be read.
    #[error("the private key is not an Ed25519 key in PKCS#8")]
    PrivateKey {
        /// What the TLS library says.
        source: rustls::Error,
    },
    /// The private key is of another algorithm.
    #[error("the private key is not an Ed25519 key")]
    NotEd25519,
    /// The system gave no random numbers.
    #[error("the system gives no random numbers")]
    NoRandomness,
    /// TLS cannot be set up.
    #[error("TLS cannot be set up")]
    Tls {
        /// What the TLS library says.
        source: rustls::Error,
    },
    /// The gate name is no server name.
    #[error("the invite gives no server name that TLS can carry")]
    GateName,
}

impl Explain for IdentityError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::PrivateKey { .. } | Self::NotEd25519 => Some(
                "restore the key from a copy, or remove it and make new invites for every sender"
                    .to_owned(),
            ),
            Self::GateName => Some("ask for a new invite".to_owned()),
            Self::NoRandomness | Self::Tls { .. } => None,
        }
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::LocalFault
    }
}

#[cfg(test)]
mod tests;
