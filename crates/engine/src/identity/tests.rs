//! Handshakes in memory: bytes are carried from one end to the other by hand.

use std::{io, sync::Arc};

use rustls::{
    AlertDescription, CertificateError, ClientConnection, ConnectionCommon, ServerConnection,
    SignatureScheme,
    client::{AlwaysResolvesClientRawPublicKeys, ResolvesClientCert},
    server::AlwaysResolvesServerRawPublicKeys,
    version::TLS13,
};
use tokio::io::AsyncWriteExt;
use tokio_rustls::TlsConnector;

use culvert_wire::datagram::DatagramKey;

use super::{pinned::PinnedKey, *};

const LISTENER_SEED: [u8; 32] = [1; 32];
const CLIENT_SEED: [u8; 32] = [2; 32];
const OTHER_SEED: [u8; 32] = [3; 32];

fn listener(seed: [u8; 32]) -> ListenerIdentity {
    ListenerIdentity::from_seed(&Secret::new(seed)).expect("any seed is a key")
}

fn client(listener_seed: [u8; 32], client_seed: [u8; 32]) -> ClientIdentity {
    let listener_key = *listener(listener_seed).public_key();
    let client_seed = Secret::new(client_seed);
    ClientIdentity::from_invite(&Invite { listener_key, client_seed, expires: 1 })
        .expect("any seed is a key")
}

struct Ends {
    near: ClientConnection,
    far: ServerConnection,
}

impl Ends {
    fn new(near: Arc<ClientConfig>, far: Arc<ServerConfig>) -> Self {
        let name = client(LISTENER_SEED, CLIENT_SEED).server_name().expect("a server name");
        Self {
            near: ClientConnection::new(near, name).expect("client"),
            far: ServerConnection::new(far).expect("server"),
        }
    }

    fn usual() -> Self {
        let identity = client(LISTENER_SEED, CLIENT_SEED);
        let far = listener(LISTENER_SEED).server_config(identity.public_key());
        Self::new(identity.client_config().expect("client"), far.expect("server"))
    }

    /// Carries bytes until both are done or one fails, and a failing end's alert to the other.
    fn shake(&mut self) -> (Result<(), rustls::Error>, Result<(), rustls::Error>) {
        let (mut near, mut far) = (Ok(()), Ok(()));
        for _ in 0..10 {
            far = far.and_then(|()| carry(&mut self.near, &mut self.far));
            near = near.and_then(|()| carry(&mut self.far, &mut self.near));
        }
        (near, far)
    }
}

/// Carries what `from` has to say to `to`, which then works on it.
fn carry<A, B>(
    from: &mut ConnectionCommon<A>,
    to: &mut ConnectionCommon<B>,
) -> Result<(), rustls::Error>
where
    A: rustls::SideData,
    B: rustls::SideData,
{
    let mut wire = Vec::new();
    while from.wants_write() {
        from.write_tls(&mut wire).expect("memory");
    }
    feed(&wire, to)
}

fn feed<B: rustls::SideData>(
    mut wire: &[u8],
    to: &mut ConnectionCommon<B>,
) -> Result<(), rustls::Error> {
    while !wire.is_empty() {
        to.read_tls(&mut wire).expect("memory");
    }
    to.process_new_packets().map(drop)
}

/// RFC 8410 10.3 (private key) and 10.1 (its public key), decoded from the PEM printed there.
#[test]
fn keys_of_rfc_8410() {
    #[rustfmt::skip]
    let seed = [
        0xd4, 0xee, 0x72, 0xdb, 0xf9, 0x13, 0x58, 0x4a, 0xd5, 0xb6, 0xd8, 0xf1, 0xf7, 0x69, 0xf8, 0xad,
        0x3a, 0xfe, 0x7c, 0x28, 0xcb, 0xf1, 0xd4, 0xfb, 0xe0, 0x97, 0xa8, 0x8f, 0x44, 0x75, 0x58, 0x42,
    ];
    let private = data_encoding::BASE64
        .decode(b"MC4CAQAwBQYDK2VwBCIEINTuctv5E1hK1bbY8fdp+K06/nwoy/HU++CXqI9EdVhC")
        .expect("base64");
    let public = data_encoding::BASE64
        .decode(b"MCowBQYDK2VwAyEAGb9ECWmEzf6FQbrBZ9w7lshQhqowtrbLDFw4rXAxZuE=")
        .expect("base64");
    assert_eq!(pkcs8(&Secret::new(seed)).as_slice(), private);
    let identity = ListenerIdentity::from_pkcs8(&private).expect("a key");
    assert_eq!(spki(identity.public_key()), public);
}

/// RFC 8032 7.1, test 1.
#[test]
fn public_key_of_rfc_8032() {
    let hex = |text: &str| -> [u8; 32] {
        data_encoding::HEXLOWER.decode(text.as_bytes()).expect("hex").try_into().expect("32 bytes")
    };
    let seed = hex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60");
    let public = hex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a");
    assert_eq!(*listener(seed).public_key(), public);
}

#[test]
fn other_private_keys_are_refused() {
    for der in [&[][..], &[0x30, 0x2e], &[0; 48]] {
        assert!(matches!(ListenerIdentity::from_pkcs8(der), Err(IdentityError::PrivateKey { .. })));
    }
    assert_ne!(generate_seed().expect("random"), generate_seed().expect("random"));
}

#[test]
fn both_ends_agree_and_share_secrets() {
    let mut ends = Ends::usual();
    assert!(flow_keys(&ends.near, 0, 0).is_err(), "no secrets before the handshake");
    assert_eq!(ends.shake(), (Ok(()), Ok(())));
    assert!(!ends.near.is_handshaking() && !ends.far.is_handshaking());
    assert_eq!(ends.near.protocol_version(), Some(rustls::ProtocolVersion::TLSv1_3));
    check_protocol(&ends.near).expect("culvert/1");
    check_protocol(&ends.far).expect("culvert/1");

    let near = flow_keys(&ends.near, 7, 3).expect("done");
    assert_eq!(flow_keys(&ends.far, 7, 3), Ok(near.clone()));
    assert_ne!(near.toward_far, near.toward_near);
    assert_ne!(near.toward_far.token, near.toward_near.token);
    assert_ne!(DatagramKey::new(near.toward_far.token.clone()), near.toward_far.datagram);
    for (run, flow) in [(7, 4), (8, 3)] {
        let other = flow_keys(&ends.far, run, flow).expect("done");
        assert_ne!(other.toward_far.token, near.toward_far.token);
        assert_ne!(other.toward_near.datagram, near.toward_near.datagram);
    }
    let mut again = Ends::usual();
    assert_eq!(again.shake(), (Ok(()), Ok(())));
    assert_ne!(flow_keys(&again.near, 7, 3), Ok(near));
}

#[test]
fn nothing_is_kept_for_resumption() {
    let identity = client(LISTENER_SEED, CLIENT_SEED);
    let near = identity.client_config().expect("client");
    let far = listener(LISTENER_SEED).server_config(identity.public_key()).expect("server");
    for _ in 0..2 {
        let mut ends = Ends::new(near.clone(), far.clone());
        assert_eq!(ends.shake(), (Ok(()), Ok(())));
        assert_eq!(ends.far.handshake_kind(), Some(rustls::HandshakeKind::Full));
    }
}

#[test]
fn a_listener_with_another_key_is_refused() {
    let identity = client(LISTENER_SEED, CLIENT_SEED);
    let far = listener(OTHER_SEED).server_config(identity.public_key()).expect("server");
    let (near, far) = Ends::new(identity.client_config().expect("client"), far).shake();
    let near: HandshakeError = near.expect_err("refused").into();
    assert!(matches!(near, HandshakeError::OtherListener), "{near:?}");
    assert_eq!(near.exit_status(), ExitStatus::Refused);
    assert_eq!(far, Err(rustls::Error::AlertReceived(AlertDescription::AccessDenied)));
}

#[test]
fn a_listener_that_only_copied_the_public_key_is_refused() {
    let identity = client(LISTENER_SEED, CLIENT_SEED);
    let mut far = listener(LISTENER_SEED).server_config(identity.public_key()).expect("server");
    let copied = copied_key(LISTENER_SEED, OTHER_SEED);
    Arc::get_mut(&mut far).expect("sole owner").cert_resolver =
        Arc::new(AlwaysResolvesServerRawPublicKeys::new(copied));
    let (near, _) = Ends::new(identity.client_config().expect("client"), far).shake();
    assert_eq!(near, Err(rustls::Error::InvalidCertificate(CertificateError::BadSignature)));
    assert!(matches!(near.expect_err("refused").into(), HandshakeError::OtherListener));
}

/// The public key of one seed, with the signatures of another.
fn copied_key(shown: [u8; 32], signing: [u8; 32]) -> Arc<CertifiedKey> {
    let own = listener(signing).key.certified;
    let shown = CertificateDer::from(spki(listener(shown).public_key()));
    Arc::new(CertifiedKey::new(vec![shown], own.key.clone()))
}

#[test]
fn a_client_with_another_key_is_refused() {
    let far =
        listener(LISTENER_SEED).server_config(client(LISTENER_SEED, CLIENT_SEED).public_key());
    let near = client(LISTENER_SEED, OTHER_SEED).client_config().expect("client");
    let (near, far) = Ends::new(near, far.expect("server")).shake();
    let refused = CertificateError::ApplicationVerificationFailure;
    assert_eq!(far, Err(rustls::Error::InvalidCertificate(refused)));
    let near: HandshakeError = near.expect_err("alerted").into();
    assert!(
        matches!(near, HandshakeError::Refused { alert: AlertDescription::AccessDenied }),
        "{near:?}"
    );
}

/// How a client is refused by a listener that expects the usual client.
fn refusal(near: ClientConfig) -> rustls::Error {
    let far =
        listener(LISTENER_SEED).server_config(client(LISTENER_SEED, CLIENT_SEED).public_key());
    let mut ends = Ends::new(Arc::new(near), far.expect("server"));
    let (_, far) = ends.shake();
    assert!(ends.far.is_handshaking());
    far.expect_err("refused")
}

fn client_that_shows(resolver: Option<Arc<dyn ResolvesClientCert>>) -> ClientConfig {
    let provider = config::provider();
    let algorithms = provider.signature_verification_algorithms;
    let pinned = PinnedKey::new(listener(LISTENER_SEED).public_key(), algorithms);
    let builder = ClientConfig::builder_with_provider(provider)
        .with_protocol_versions(&[&TLS13])
        .expect("TLS 1.3")
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(pinned));
    let mut config = match resolver {
        Some(resolver) => builder.with_client_cert_resolver(resolver),
        None => builder.with_no_client_auth(),
    };
    config.alpn_protocols = vec![PROTOCOL.to_vec()];
    config
}

#[test]
fn a_client_that_only_copied_the_public_key_is_refused() {
    let copied = AlwaysResolvesClientRawPublicKeys::new(copied_key(CLIENT_SEED, OTHER_SEED));
    let refused = refusal(client_that_shows(Some(Arc::new(copied))));
    assert_eq!(refused, rustls::Error::InvalidCertificate(CertificateError::BadSignature));
}

#[derive(Debug)]
struct ShowsCertificate(Arc<CertifiedKey>);

impl ResolvesClientCert for ShowsCertificate {
    fn resolve(&self, _: &[&[u8]], _: &[SignatureScheme]) -> Option<Arc<CertifiedKey>> {
        Some(self.0.clone())
    }

    fn has_certs(&self) -> bool {
        true
    }
}

#[test]
fn a_client_with_an_x509_certificate_or_no_key_is_refused() {
    let own = copied_key(CLIENT_SEED, CLIENT_SEED);
    let incompatible = rustls::PeerIncompatible::IncorrectCertificateTypeExtension;
    let x509 = refusal(client_that_shows(Some(Arc::new(ShowsCertificate(own)))));
    assert_eq!(x509, rustls::Error::PeerIncompatible(incompatible.clone()));
    assert_eq!(refusal(client_that_shows(None)), rustls::Error::PeerIncompatible(incompatible));
}

#[derive(Debug)]
struct ShowsNothing;

impl ResolvesClientCert for ShowsNothing {
    fn resolve(&self, _: &[&[u8]], _: &[SignatureScheme]) -> Option<Arc<CertifiedKey>> {
        None
    }

    fn only_raw_public_keys(&self) -> bool {
        true
    }

    fn has_certs(&self) -> bool {
        true
    }
}

#[test]
fn a_client_that_promises_a_key_and_shows_none_is_refused() {
    let refused = refusal(client_that_shows(Some(Arc::new(ShowsNothing))));
    assert_eq!(refused, rustls::Error::NoCertificatesPresented);
}

#[test]
fn other_protocols_are_refused() {
    let own =
        || Arc::new(AlwaysResolvesClientRawPublicKeys::new(copied_key(CLIENT_SEED, CLIENT_SEED)));
    let mut other = client_that_shows(Some(own()));
    other.alpn_protocols = vec![b"culvert/2".to_vec(), b"h2".to_vec()];
    assert_eq!(refusal(other), rustls::Error::NoApplicationProtocol);

    let mut none = client_that_shows(Some(own()));
    none.alpn_protocols.clear();
    let far =
        listener(LISTENER_SEED).server_config(client(LISTENER_SEED, CLIENT_SEED).public_key());
    let mut ends = Ends::new(Arc::new(none), far.expect("server"));
    assert_eq!(ends.shake(), (Ok(()), Ok(())), "TLS leaves it to the application");
    assert!(matches!(check_protocol(&ends.far), Err(HandshakeError::OtherProtocol)));
}

/// `supported_versions` with TLS 1.3 alone, as RFC 8446 4.2.1 lays it out.
const ONLY_TLS13: [u8; 7] = [0, 0x2b, 0, 3, 2, 3, 4];

#[test]
fn tls12_is_refused_by_the_listener() {
    let mut ends = Ends::usual();
    let mut hello = Vec::new();
    ends.near.write_tls(&mut hello).expect("memory");
    let at =
        hello.windows(7).position(|window| window == ONLY_TLS13).expect("only TLS 1.3 is offered");
    hello[at + 6] = 3;
    let refused = feed(&hello, &mut ends.far).expect_err("TLS 1.2");
    assert!(matches!(refused, rustls::Error::PeerIncompatible(_)), "{refused:?}");
}

/// A record with a `ServerHello` of TLS 1.2 (RFC 5246 7.4.1.3): random, no session, `ECDHE_ECDSA` with AES-128-GCM.
#[test]
fn tls12_is_refused_by_the_sender() {
    let mut hello = vec![0x16, 3, 3, 0, 42, 2, 0, 0, 38, 3, 3];
    hello.extend([0x77; 32]);
    hello.extend([0, 0xc0, 0x2b, 0]);
    let mut ends = Ends::usual();
    ends.near.write_tls(&mut Vec::new()).expect("memory");
    let refused = feed(&hello, &mut ends.near).expect_err("TLS 1.2");
    assert!(matches!(refused, rustls::Error::PeerIncompatible(_)), "{refused:?}");
    assert_eq!(HandshakeError::from(refused).exit_status(), ExitStatus::Refused);
}

/// What the sender says when the peer sends `answer` and closes.
async fn after(answer: &[u8]) -> HandshakeError {
    let identity = client(LISTENER_SEED, CLIENT_SEED);
    let connector = TlsConnector::from(identity.client_config().expect("client"));
    let (near, mut far) = tokio::io::duplex(4096);
    far.write_all(answer).await.expect("memory");
    far.shutdown().await.expect("memory");
    let name = identity.server_name().expect("a server name");
    connector.connect(name, near).await.expect_err("no listener").into()
}

#[tokio::test]
async fn silence_and_other_services_are_told_apart() {
    let silent = after(b"").await;
    assert!(matches!(silent, HandshakeError::ClosedSilently), "{silent:?}");
    let ssh = after(b"SSH-2.0-something\r\n").await;
    assert!(matches!(ssh, HandshakeError::NotTls), "{ssh:?}");
    // RFC 8446 6: a fatal alert, handshake_failure.
    let alert = after(&[0x15, 3, 3, 0, 2, 2, 40]).await;
    assert!(
        matches!(alert, HandshakeError::BrokenOff { alert: AlertDescription::HandshakeFailure }),
        "{alert:?}"
    );
    let reset = HandshakeError::from(io::Error::from(io::ErrorKind::ConnectionReset));
    assert!(matches!(reset, HandshakeError::ClosedSilently));
    let timeout = HandshakeError::from(io::Error::from(io::ErrorKind::TimedOut));
    assert_eq!(timeout.exit_status(), ExitStatus::Unreachable);
}

#[test]
fn debug_shows_no_private_key() {
    let shown = format!("{:?} {:?}", listener([0x42; 32]), client([0x42; 32], [0x42; 32]));
    assert!(!shown.contains("66, 66"), "{shown}");
}
