//! TLS set up for both ends: 1.3 only, X25519, two cipher suites, no resumption.

use std::sync::Arc;

use rustls::{
    ClientConfig, CommonState, ServerConfig,
    client::{AlwaysResolvesClientRawPublicKeys, Resumption},
    crypto::{
        CryptoProvider,
        ring::{
            cipher_suite::{TLS13_AES_128_GCM_SHA256, TLS13_CHACHA20_POLY1305_SHA256},
            default_provider, kx_group,
        },
    },
    server::{AlwaysResolvesServerRawPublicKeys, NoServerSessionStorage},
    version::TLS13,
};

use super::{HandshakeError, IdentityError, RawKey, pinned::PinnedKey};

/// The application protocol both ends ask for (ALPN, RFC 7301).
pub const PROTOCOL: &[u8] = b"culvert/1";

/// Whether a finished handshake agreed on [`PROTOCOL`]; a peer that offered none at all has not.
pub fn check_protocol(connection: &CommonState) -> Result<(), HandshakeError> {
    match connection.alpn_protocol() {
        Some(PROTOCOL) => Ok(()),
        _ => Err(HandshakeError::OtherProtocol),
    }
}

pub(super) fn server(
    own: &RawKey,
    client_key: &[u8; 32],
) -> Result<Arc<ServerConfig>, IdentityError> {
    let provider = provider();
    let pinned = PinnedKey::new(client_key, provider.signature_verification_algorithms);
    let mut config = ServerConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&TLS13])
        .map_err(|source| IdentityError::Tls { source })?
        .with_client_cert_verifier(Arc::new(pinned))
        .with_cert_resolver(Arc::new(AlwaysResolvesServerRawPublicKeys::new(
            own.certified.clone(),
        )));
    // A resumed session would not show the client's key again.
    config.session_storage = Arc::new(NoServerSessionStorage {});
    config.send_tls13_tickets = 0;
    config.alpn_protocols = vec![PROTOCOL.to_vec()];
    Ok(Arc::new(config))
}

pub(super) fn client(
    own: &RawKey,
    listener_key: &[u8; 32],
) -> Result<Arc<ClientConfig>, IdentityError> {
    let provider = provider();
    let pinned = PinnedKey::new(listener_key, provider.signature_verification_algorithms);
    let mut config = ClientConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&TLS13])
        .map_err(|source| IdentityError::Tls { source })?
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(pinned))
        .with_client_cert_resolver(Arc::new(AlwaysResolvesClientRawPublicKeys::new(
            own.certified.clone(),
        )));
    config.resumption = Resumption::disabled();
    config.alpn_protocols = vec![PROTOCOL.to_vec()];
    Ok(Arc::new(config))
}

pub(super) fn provider() -> Arc<CryptoProvider> {
    Arc::new(CryptoProvider {
        cipher_suites: vec![TLS13_AES_128_GCM_SHA256, TLS13_CHACHA20_POLY1305_SHA256],
        kx_groups: vec![kx_group::X25519],
        ..default_provider()
    })
}
