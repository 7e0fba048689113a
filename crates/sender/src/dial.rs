//! From a target to a control channel: name, address, connection, handshake, welcome.

use std::io;
use std::net::{IpAddr, SocketAddr, ToSocketAddrs as _};
use std::time::{Duration, Instant};

use culvert_engine::channel::{Channel, ChannelError};
use culvert_engine::identity::{ClientIdentity, HandshakeError, IdentityError, check_protocol};
use culvert_engine::on_thread;
use culvert_pathmodel::Family;
use culvert_session::plan::Target;
use culvert_units::{ExitStatus, Explain};
use culvert_wire::Invite;
use culvert_wire::message::{
    EndReport, FromFar, FromNear, Limits, PROTOCOL_VERSION, Refusal, RefusalReason,
};
use tokio::net::{TcpSocket, TcpStream};
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;

/// How long the listener may take to accept the connection: several retransmissions of the first packet.
const CONNECT_PATIENCE: Duration = Duration::from_secs(8);
/// How long the resolver may take.
const LOOKUP_PATIENCE: Duration = Duration::from_secs(15);
/// How long it may take for the handshake, and for each answer.
const ANSWER_PATIENCE: Duration = Duration::from_secs(8);
/// Program and version as told to the peer.
pub(crate) const PROGRAM: &str = concat!("culvert ", env!("CARGO_PKG_VERSION"));

/// A control channel of the sender.
pub(crate) type NearChannel = Channel<TlsStream<TcpStream>>;

/// A listener that has proven itself and said welcome.
#[derive(Debug)]
pub(crate) struct Contact {
    /// Speaks with it.
    pub(crate) channel: NearChannel,
    /// This end's address.
    pub(crate) local: SocketAddr,
    /// The address that was dialled.
    pub(crate) peer: SocketAddr,
    /// How long the TCP handshake took: the path's round trip, or more.
    pub(crate) round_trip: Duration,
    /// What the listener says about itself.
    pub(crate) far: EndReport,
    /// What it grants at most.
    pub(crate) limits: Limits,
}

/// Looks up the target's address in the wanted family.
pub(crate) async fn resolve(
    target: &Target,
    family: Option<Family>,
) -> Result<SocketAddr, DialError> {
    choose(&resolve_all(target).await?, target, family)
}

/// Looks up all of the target's addresses, on a thread: a resolver may take long to find nobody.
pub(crate) async fn resolve_all(target: &Target) -> Result<Vec<SocketAddr>, DialError> {
    let owned = target.clone();
    let looking = on_thread("look-up", move || look_up(&owned));
    match tokio::time::timeout(LOOKUP_PATIENCE, looking).await {
        Ok(Ok(found)) => found,
        _ => Err(DialError::Unresolved {
            host: target.host().to_owned(),
            source: io::Error::new(io::ErrorKind::TimedOut, "the resolver did not answer"),
        }),
    }
}

fn look_up(target: &Target) -> Result<Vec<SocketAddr>, DialError> {
    match target.address() {
        Some(address) => Ok(vec![SocketAddr::new(address, target.port())]),
        None => Ok((target.host(), target.port())
            .to_socket_addrs()
            .map_err(|source| DialError::Unresolved { host: target.host().to_owned(), source })?
            .collect()),
    }
}

/// The first address of the wanted family, IPv4 where there is a choice.
pub(crate) fn choose(
    found: &[SocketAddr],
    target: &Target,
    family: Option<Family>,
) -> Result<SocketAddr, DialError> {
    let wanted = family.unwrap_or_else(|| {
        if found.iter().any(SocketAddr::is_ipv4) { Family::Ipv4 } else { Family::Ipv6 }
    });
    let of_family = |address: &&SocketAddr| family_of(address.ip()) == wanted;
    let none = || DialError::NoSuchFamily { host: target.host().to_owned(), family: wanted };
    found.iter().find(of_family).copied().ok_or_else(none)
}

/// The family of an address.
pub(crate) const fn family_of(address: IpAddr) -> Family {
    match address {
        IpAddr::V4(_) => Family::Ipv4,
        IpAddr::V6(_) => Family::Ipv6,
    }
}

/// Connects to a listener and exchanges hello and welcome.
pub(crate) async fn dial(peer: SocketAddr, invite: &Invite) -> Result<Contact, DialError> {
    let identity = ClientIdentity::from_invite(invite)?;
    let asked = Instant::now();
    let stream = connect(peer).await?;
    let round_trip = asked.elapsed();
    let local = stream.local_addr().map_err(|source| DialError::Connect { peer, source })?;
    // Small messages must not wait to be joined; a socket that refuses this is only slower.
    let _ = stream.set_nodelay(true);
    let connector = TlsConnector::from(identity.client_config()?);
    let handshake = connector.connect(identity.server_name()?, stream);
    let stream = tokio::time::timeout(ANSWER_PATIENCE, handshake)
        .await
        .map_err(|_| DialError::NoHandshake { peer, waited: ANSWER_PATIENCE })?
        .map_err(|error| DialError::Handshake { peer, source: error.into() })?;
    check_protocol(stream.get_ref().1).map_err(|source| DialError::Handshake { peer, source })?;
    let mut channel = Channel::new(stream);
    channel
        .say(&FromNear::Hello { version: PROTOCOL_VERSION, program: PROGRAM.to_owned() })
        .await?;
    match channel.hear_within(ANSWER_PATIENCE).await {
        Ok(FromFar::Welcome { end, limits, .. }) => {
            Ok(Contact { channel, local, peer, round_trip, far: end, limits })
        }
        Ok(FromFar::Refused(refusal)) => Err(DialError::Refused(refusal)),
        Ok(_) => Err(DialError::OutOfTurn),
        // The listener judges the sender's key after the sender's part of the handshake: its alert comes only here.
        Err(ChannelError::Lost(error)) => Err(DialError::Handshake { peer, source: error.into() }),
        Err(error) => Err(error.into()),
    }
}

async fn connect(peer: SocketAddr) -> Result<TcpStream, DialError> {
    let failed = |source| DialError::Connect { peer, source };
    let socket =
        if peer.is_ipv4() { TcpSocket::new_v4() } else { TcpSocket::new_v6() }.map_err(failed)?;
    match tokio::time::timeout(CONNECT_PATIENCE, socket.connect(peer)).await {
        Ok(result) => result.map_err(failed),
        Err(_) => Err(DialError::NoAnswer { peer, waited: CONNECT_PATIENCE }),
    }
}

/// Why no session can be asked for.
#[derive(Debug, thiserror::Error)]
pub(crate) enum DialError {
    /// The name has no address.
    #[error("'{host}' has no address")]
    Unresolved {
        /// The name.
        host: String,
        /// What the resolver says.
        source: io::Error,
    },
    /// The name has no address of the wanted family.
    #[error("'{host}' has no {family} address")]
    NoSuchFamily {
        /// The name.
        host: String,
        /// The wanted family.
        family: Family,
    },
    /// The connection was refused or failed.
    #[error("cannot connect to {peer} by TCP")]
    Connect {
        /// Who was dialled.
        peer: SocketAddr,
        /// What the system says.
        source: io::Error,
    },
    /// Nothing came back.
    #[error("no answer from {peer} by TCP within {waited:?}")]
    NoAnswer {
        /// Who was dialled.
        peer: SocketAddr,
        /// How long was waited.
        waited: Duration,
    },
    /// The connection stands, but nobody speaks.
    #[error("{peer} accepted the connection but did not finish the handshake within {waited:?}")]
    NoHandshake {
        /// Who was dialled.
        peer: SocketAddr,
        /// How long was waited.
        waited: Duration,
    },
    /// The handshake failed.
    #[error("no listener at {peer}")]
    Handshake {
        /// Who was dialled.
        peer: SocketAddr,
        /// Why.
        source: HandshakeError,
    },
    /// The invite's keys are unusable.
    #[error(transparent)]
    Identity(#[from] IdentityError),
    /// The control channel failed.
    #[error(transparent)]
    Channel(#[from] ChannelError),
    /// The listener refused.
    #[error("the listener refused: {}", .0.text)]
    Refused(Refusal),
    /// The listener said something unexpected.
    #[error("the listener answered out of turn")]
    OutOfTurn,
}

impl Explain for DialError {
    fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::Unresolved { .. } => "check the name, or give the address itself",
            Self::NoSuchFamily { family: Family::Ipv4, .. } => "try --family ipv6",
            Self::NoSuchFamily { .. } => "try --family ipv4",
            Self::Connect { source, .. } if source.kind() == io::ErrorKind::ConnectionRefused => {
                "start culvertd there, or check that the port forward leads to it"
            }
            Self::Connect { .. } => {
                "check the route to that address, and that the tunnel is up if it lies inside one"
            }
            Self::NoAnswer { .. } => {
                "check that the gateway forwards the port, that the tunnel is up, and that no filter drops it; from \
                 inside the same network the outside address may not be reachable"
            }
            Self::NoHandshake { .. } => {
                "if short exchanges work and this one stalls, packets above some size may vanish on the path: lower \
                 the tunnel's MTU; else check what answers on that port"
            }
            Self::Handshake { source, .. } => return source.hint(),
            Self::Identity(error) => return error.hint(),
            Self::Channel(error) => return error.hint(),
            Self::Refused(refusal) => refusal_hint(refusal.reason)?,
            Self::OutOfTurn => "run the same version of culvert and culvertd",
        };
        Some(hint.to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Unresolved { .. }
            | Self::NoSuchFamily { .. }
            | Self::Connect { .. }
            | Self::NoAnswer { .. }
            | Self::NoHandshake { .. } => ExitStatus::Unreachable,
            Self::Handshake { source, .. } => source.exit_status(),
            Self::Identity(error) => error.exit_status(),
            Self::Channel(error) => error.exit_status(),
            Self::Refused(_) | Self::OutOfTurn => ExitStatus::Refused,
        }
    }
}

/// What to try after a refusal.
pub(crate) const fn refusal_hint(reason: RefusalReason) -> Option<&'static str> {
    Some(match reason {
        RefusalReason::Expired | RefusalReason::Revoked => {
            "ask for a new invite: culvertd invite NAME"
        }
        RefusalReason::Busy => "wait until the other session has ended, then run it again",
        RefusalReason::Limit => "ask for less, or have the listener's limit raised",
        RefusalReason::Malformed | RefusalReason::Version => {
            "run the same version of culvert and culvertd"
        }
        RefusalReason::OtherAddress => {
            "pin both programs' traffic to one line of your router, or measure from a host behind one line only"
        }
        RefusalReason::Local => "look at what culvertd logs there",
        RefusalReason::Unknown => return None,
    })
}
