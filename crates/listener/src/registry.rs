//! The flows that running sessions await: what the doors look up when data knocks.

use std::collections::HashMap;
use std::net::{IpAddr, SocketAddr, TcpStream};
use std::sync::{Mutex, MutexGuard, PoisonError, mpsc::Sender};
use std::time::Duration;

use culvert_engine::signals::{FlowIdentity, SocketNews};
use culvert_engine::timeline::nanos;
use culvert_os::udp::{FlowOptions, FlowSocket};
use culvert_session::proof::{AddressProof, Admission, ChallengeBudget};
use culvert_wire::datagram::SignalBody;
use culvert_wire::message::Way;
use culvert_wire::{FlowPreamble, Secret};
use tokio::sync::mpsc::UnboundedSender;

/// How long tokens are good for after the grant, and after the last flow that has come.
pub(crate) const TOKENS_LAST: Duration = Duration::from_secs(5);

/// What a TCP flow is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Purpose {
    /// Data that goes so.
    Data(Way),
    /// Probes, where UDP does not pass.
    Probes,
}

/// What happens at the doors of a session, told to its conversation.
#[derive(Debug)]
pub(crate) enum Arrived {
    /// A TCP flow with the right token.
    Flow {
        /// What it is for.
        purpose: Purpose,
        /// The connection, blocking.
        stream: TcpStream,
    },
    /// A stream's address is proven and its socket stands.
    Proven {
        /// Which stream.
        stream: u8,
        /// Whether it replaces an earlier one: the peer's port changed.
        moved: bool,
    },
    /// Authentic data comes from another address than the control connection.
    OtherAddress {
        /// Where it comes from.
        from: IpAddr,
    },
}

/// All sessions that await data.
#[derive(Debug, Default)]
pub(crate) struct Registry {
    sessions: Mutex<HashMap<u32, Awaited>>,
}

/// What one session awaits.
#[derive(Debug)]
pub(crate) struct Awaited {
    /// The control connection's address: data comes from nowhere else.
    pub(crate) peer: IpAddr,
    /// TCP flows that have not come yet.
    pub(crate) flows: Vec<AwaitedFlow>,
    /// Datagram streams.
    pub(crate) streams: HashMap<u8, AwaitedStream>,
    /// Challenges the run may still send.
    pub(crate) budget: ChallengeBudget,
    /// The session's conversation.
    pub(crate) arrivals: UnboundedSender<Arrived>,
    /// When the tokens of flows that have not come yet expire.
    pub(crate) until_ns: u64,
    /// How the sockets of its streams are made.
    pub(crate) options: FlowOptions,
}

/// A TCP flow that has not come yet.
#[derive(Debug)]
pub(crate) struct AwaitedFlow {
    /// Its number.
    pub(crate) flow: u16,
    /// What it is for.
    pub(crate) purpose: Purpose,
    /// The one-time token.
    pub(crate) token: Secret<16>,
}

/// A datagram stream.
#[derive(Debug)]
pub(crate) struct AwaitedStream {
    /// Keys and numbers.
    pub(crate) identity: FlowIdentity,
    /// The proof of the peer's address.
    pub(crate) proof: AddressProof,
    /// Where connected sockets go.
    pub(crate) sockets: Sender<SocketNews>,
}

/// What the datagram door is to do.
#[derive(Debug)]
pub(crate) enum DatagramAnswer {
    /// Nothing: silence towards strangers and latecomers.
    Silence,
    /// Answer with a challenge of this flow.
    Challenge {
        /// Keys and numbers of the flow.
        identity: FlowIdentity,
        /// The number to be echoed.
        nonce: u64,
    },
    /// Connect a socket for this stream and hand it over with [`Registry::hand_over`].
    Connect {
        /// The session.
        session: u32,
        /// The stream.
        stream: u8,
        /// The proven peer.
        peer: SocketAddr,
        /// Whether it replaces an earlier address.
        moved: bool,
        /// How it is made.
        options: FlowOptions,
    },
}

impl Registry {
    /// Awaits the flows of a session until the guard is dropped.
    pub(crate) fn await_session(&self, session: u32, awaited: Awaited) -> AwaitGuard<'_> {
        self.lock().insert(session, awaited);
        AwaitGuard { registry: self, session }
    }

    /// Awaits one more TCP flow of a session.
    pub(crate) fn await_flow(&self, session: u32, flow: AwaitedFlow, now_ns: u64) {
        if let Some(awaited) = self.lock().get_mut(&session) {
            awaited.flows.push(flow);
            awaited.until_ns = awaited.until_ns.max(now_ns + nanos(TOKENS_LAST));
        }
    }

    /// Takes a TCP flow in; gives it back when nobody awaits it. The token is compared in constant time.
    pub(crate) fn take_flow(
        &self,
        preamble: &FlowPreamble,
        peer: IpAddr,
        now_ns: u64,
        stream: TcpStream,
    ) -> Result<(), TcpStream> {
        let mut sessions = self.lock();
        let Some(awaited) = sessions.get_mut(&preamble.session).filter(|it| now_ns <= it.until_ns)
        else {
            return Err(stream);
        };
        let matches =
            |flow: &AwaitedFlow| flow.flow == preamble.flow && flow.token == preamble.token;
        let Some(index) = awaited.flows.iter().position(matches) else { return Err(stream) };
        let flow = awaited.flows.swap_remove(index);
        // The conversation may just be ending; the flow then ends with it.
        if awaited.peer == peer {
            awaited.until_ns = awaited.until_ns.max(now_ns + nanos(TOKENS_LAST));
            let _ = awaited.arrivals.send(Arrived::Flow { purpose: flow.purpose, stream });
        } else {
            let _ = awaited.arrivals.send(Arrived::OtherAddress { from: peer });
        }
        Ok(())
    }

    /// Judges a datagram that came to the wildcard socket. `fresh` is a random number that was not used before.
    pub(crate) fn take_datagram(
        &self,
        datagram: &[u8],
        from: SocketAddr,
        now_ns: u64,
        fresh: u64,
    ) -> DatagramAnswer {
        let Some((session, stream)) = addressed_to(datagram) else {
            return DatagramAnswer::Silence;
        };
        let mut sessions = self.lock();
        let Some(awaited) = sessions.get_mut(&session) else { return DatagramAnswer::Silence };
        let Awaited { streams, budget, arrivals, options, .. } = awaited;
        let Some(awaited_stream) = streams.get_mut(&stream) else { return DatagramAnswer::Silence };
        let Some((_, signal)) = awaited_stream.identity.read(datagram) else {
            return DatagramAnswer::Silence;
        };
        let mut admission = Admission::Ignore;
        if let Some(SignalBody::Echo { nonce }) = signal.map(|signal| signal.body) {
            admission = awaited_stream.proof.on_echo(from, nonce);
        }
        // Whatever else is authentic asks to be heard, also data and late echoes from a port that has changed; a
        // challenge is no longer than the shortest of them but a bare header, which earns none.
        if admission == Admission::Ignore && datagram.len() >= SHORTEST_THAT_EARNS {
            admission = awaited_stream.proof.on_open(now_ns, from, fresh, budget);
        }
        match admission {
            Admission::Ignore => DatagramAnswer::Silence,
            Admission::Challenge { nonce } => {
                if awaited_stream.proof.is_proven_elsewhere(from) {
                    // Nothing more goes to where the peer may be no longer. Its thread may just be ending.
                    let _ = awaited_stream.sockets.send(SocketNews::Pause);
                }
                DatagramAnswer::Challenge { identity: awaited_stream.identity.clone(), nonce }
            }
            Admission::Proven { peer, moved } => {
                DatagramAnswer::Connect { session, stream, peer, moved, options: *options }
            }
            Admission::OtherAddress { from } => {
                let _ = arrivals.send(Arrived::OtherAddress { from });
                DatagramAnswer::Silence
            }
        }
    }

    /// Gives a stream its connected socket and tells the conversation.
    pub(crate) fn hand_over(&self, session: u32, stream: u8, socket: FlowSocket, moved: bool) {
        let sessions = self.lock();
        let Some(awaited) = sessions.get(&session) else { return };
        let Some(awaited_stream) = awaited.streams.get(&stream) else { return };
        if awaited_stream.sockets.send(SocketNews::Use(socket)).is_ok() {
            let _ = awaited.arrivals.send(Arrived::Proven { stream, moved });
        }
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<u32, Awaited>> {
        // Nothing that holds the lock can leave the map half changed.
        self.sessions.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A challenge has 40 bytes; a bare header has 32 and may be answered with nothing longer.
const SHORTEST_THAT_EARNS: usize = 40;

/// Session and stream as the header says, before anything is proven: only to find the key to check with.
fn addressed_to(datagram: &[u8]) -> Option<(u32, u8)> {
    match datagram {
        [_, stream, _, _, s0, s1, s2, s3, ..] => {
            Some((u32::from_be_bytes([*s0, *s1, *s2, *s3]), *stream))
        }
        _ => None,
    }
}

/// Ends a session's waiting when dropped: its streams' channels close, and their threads with them.
#[derive(Debug)]
pub(crate) struct AwaitGuard<'a> {
    registry: &'a Registry,
    session: u32,
}

impl Drop for AwaitGuard<'_> {
    fn drop(&mut self) {
        self.registry.lock().remove(&self.session);
    }
}
