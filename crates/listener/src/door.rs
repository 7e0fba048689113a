//! Who may come in by TCP: strangers are closed without a word, flows go to their session, holders of an invite to TLS.

use std::net::{IpAddr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use culvert_engine::identity::{
    ListenerIdentity, PEEK_LIMIT, Peeked, check_protocol, peek_gate_name,
};
use culvert_os::clock::monotonic_ns;
use culvert_wire::message::{Limits, Refusal, RefusalReason};
use culvert_wire::{FlowPreamble, Opening, PREAMBLE_LEN};
use ipnet::IpNet;
use jiff::Timestamp;
use tokio::io::AsyncReadExt as _;
use tokio::net::TcpStream;
use tokio_rustls::TlsAcceptor;

use crate::conversation::{Ends, House, hold};
use crate::gate::{Gate, Inside};
use crate::quiet::Quiet;
use crate::state::{InviteTable, KnownInvite, Standing};

/// How long a connection may take to the gate.
const GATE_PATIENCE: Duration = Duration::from_secs(3);
/// How long a connection may take from the gate through the TLS handshake.
const HANDSHAKE_PATIENCE: Duration = Duration::from_secs(5);
/// How often an incomplete hello is looked at again.
const LOOK_AGAIN: Duration = Duration::from_millis(10);
/// How often a running conversation looks whether its invite was revoked.
const LOOK_AT_STANDING: Duration = Duration::from_secs(1);

/// Everything a connection needs on its way in.
#[derive(Debug)]
pub(crate) struct Door {
    identity: ListenerIdentity,
    invites: Mutex<InviteTable>,
    allow: Vec<IpNet>,
    gate: Gate,
    inside: Inside,
    house: House,
    quiet: Quiet,
}

impl Door {
    /// A door with its keys, its known invites and whom it lets knock; an empty list lets everyone.
    pub(crate) fn new(
        identity: ListenerIdentity,
        invites: InviteTable,
        allow: Vec<IpNet>,
        house: House,
    ) -> Self {
        Self {
            identity,
            invites: Mutex::new(invites),
            allow,
            gate: Gate::default(),
            inside: Inside::default(),
            house,
            quiet: Quiet::default(),
        }
    }

    /// Takes over changed invites.
    pub(crate) fn reload(&self) {
        match self.lock().reload() {
            Ok(reloaded) => {
                for problem in reloaded.problems {
                    tracing::warn!("an invite cannot be used: {problem}");
                }
            }
            Err(error) => {
                self.quiet.warn("reload", &format!("the invites cannot be read: {error}"));
            }
        }
    }

    /// Serves one connection to its end.
    pub(crate) async fn serve(&self, stream: TcpStream, ends: Ends) {
        if !self.allows(ends.peer.ip()) {
            self.quiet.warn("not allowed", &format!("{} is not within --allow", ends.peer.ip()));
            return;
        }
        let Some(mut turn) = self.gate.enter(ends.peer.ip()) else {
            self.quiet.warn(
                "gate full",
                &format!("too many connections from {} wait at the gate", ends.peer.ip()),
            );
            return;
        };
        let opening = tokio::select! {
            opening = tokio::time::timeout(GATE_PATIENCE, self.opening(&stream)) => opening,
            () = turn.evicted() => Ok(None),
        };
        drop(turn);
        match opening {
            Ok(Some(Knock::Flow)) => self.serve_flow(stream, ends).await,
            Ok(Some(Knock::Known(invite))) => self.serve_holder(stream, ends, &invite).await,
            Ok(None) | Err(_) => {
                self.quiet.info(
                    "stranger",
                    &format!("a stranger from {} was closed without a word", ends.peer.ip()),
                );
            }
        }
    }

    fn allows(&self, peer: IpAddr) -> bool {
        self.allow.is_empty() || self.allow.iter().any(|net| net.contains(&peer))
    }

    /// Looks at the first bytes without taking them.
    async fn opening(&self, stream: &TcpStream) -> Option<Knock> {
        let mut bytes = vec![0_u8; PEEK_LIMIT];
        loop {
            let length = stream.peek(&mut bytes).await.ok().filter(|length| *length > 0)?;
            let seen = bytes.get(..length)?;
            match Opening::of(*seen.first()?)? {
                Opening::Flow if length >= PREAMBLE_LEN => return Some(Knock::Flow),
                // A flow that does not say whose it is waits where strangers wait.
                Opening::Flow => tokio::time::sleep(LOOK_AGAIN).await,
                Opening::Tls => match peek_gate_name(seen) {
                    Peeked::Sni(name) => return self.find(&name).map(Knock::Known),
                    Peeked::Incomplete => tokio::time::sleep(LOOK_AGAIN).await,
                    Peeked::Stranger => return None,
                },
            }
        }
    }

    fn find(&self, gate_name: &str) -> Option<Arc<KnownInvite>> {
        self.reload();
        self.lock().lookup(gate_name)
    }

    async fn serve_flow(&self, mut stream: TcpStream, ends: Ends) {
        let mut bytes = [0_u8; PREAMBLE_LEN];
        let read = tokio::time::timeout(HANDSHAKE_PATIENCE, stream.read_exact(&mut bytes)).await;
        let Ok(Ok(_)) = read else { return };
        let Ok(preamble) = FlowPreamble::parse(&bytes) else { return };
        let Ok(stream) = stream.into_std() else { return };
        if stream.set_nonblocking(false).is_ok()
            && self
                .house
                .registry
                .take_flow(&preamble, ends.peer.ip(), monotonic_ns(), stream)
                .is_err()
        {
            self.quiet.info(
                "flow",
                &format!("a data flow from {} that nobody awaits was closed", ends.peer.ip()),
            );
        }
    }

    async fn serve_holder(&self, stream: TcpStream, ends: Ends, invite: &KnownInvite) {
        let name = invite.invite.name().as_str();
        let Some(_guest) = self.inside.enter(name) else {
            self.quiet.warn(
                "house full",
                &format!("too many control connections, the last one of '{name}'"),
            );
            return;
        };
        let Ok(config) = self.identity.server_config(invite.invite.client_key()) else { return };
        // Small messages must not wait to be joined.
        let _ = stream.set_nodelay(true);
        let accepting = TlsAcceptor::from(config).accept(stream);
        let tls = match tokio::time::timeout(HANDSHAKE_PATIENCE, accepting).await {
            Ok(Ok(tls)) if check_protocol(tls.get_ref().1).is_ok() => tls,
            _ => {
                self.quiet.warn(
                    "handshake",
                    &format!("{} knew the gate of '{name}' but not its key", ends.peer.ip()),
                );
                return;
            }
        };
        tracing::info!(invite = name, peer = %ends.peer, "control connection");
        let limits = narrowed(self.house.limits, invite);
        let refusal = refusal_of(invite.invite.standing(Timestamp::now()));
        let revoked = self.until_revoked(&invite.gate_name);
        match hold(tls, ends, &self.house, limits, refusal, revoked).await {
            Ok(()) => tracing::info!(invite = name, "conversation ended"),
            Err(error) => tracing::info!(invite = name, "conversation broke off: {error}"),
        }
    }

    /// Ends when the invite no longer stands, revoked or gone, with what its holder must be told.
    async fn until_revoked(&self, gate_name: &str) -> Refusal {
        loop {
            tokio::time::sleep(LOOK_AT_STANDING).await;
            self.reload();
            let standing = self.lock().standing(gate_name, Timestamp::now());
            // An invite that ends by its own time lets a session finish that began within it.
            if let Standing::Revoked { .. } | Standing::Unknown = standing
                && let Some(refusal) = refusal_of(standing)
            {
                return refusal;
            }
        }
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, InviteTable> {
        // A reload that panicked leaves invites out at worst; the next one reads them again.
        self.invites.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

enum Knock {
    Flow,
    Known(Arc<KnownInvite>),
}

/// The addresses of both ends of an accepted connection.
pub(crate) fn ends_of(stream: &TcpStream, peer: SocketAddr) -> std::io::Result<Ends> {
    Ok(Ends { local: stream.local_addr()?, peer })
}

fn narrowed(limits: Limits, invite: &KnownInvite) -> Limits {
    let own = invite.invite.limits();
    let least = |all: Option<u64>, one: Option<u64>| match (all, one) {
        (Some(all), Some(one)) => Some(all.min(one)),
        (all, one) => all.or(one),
    };
    Limits {
        duration_ms: own.duration_ms.map_or(limits.duration_ms, |own| own.min(limits.duration_ms)),
        rate_bps: least(limits.rate_bps, own.rate_bps.map(culvert_units::BitRate::bits_per_second)),
        bytes: least(limits.bytes, own.bytes.map(culvert_units::Bytes::get)),
        flows: limits.flows,
    }
}

fn refusal_of(standing: Standing) -> Option<Refusal> {
    let (reason, text) = match standing {
        Standing::Good => return None,
        Standing::Expired { at } => (RefusalReason::Expired, format!("the invite expired at {at}")),
        Standing::Revoked { at } => {
            (RefusalReason::Revoked, format!("the invite was revoked at {at}"))
        }
        Standing::Unknown => {
            (RefusalReason::Revoked, "the invite is not known any more".to_owned())
        }
    };
    Some(Refusal { reason, text })
}
