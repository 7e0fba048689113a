//! Opening datagram flows: ask to be challenged, echo the challenge, until the listener says the address is proven.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use culvert_engine::on_thread;
use culvert_engine::signals::FlowIdentity;
use culvert_engine::timeline::nanos;
use culvert_os::clock::monotonic_ns;
use culvert_os::udp::{FlowOptions, FlowSocket};
use culvert_wire::datagram::{MAX_SIGNAL, SignalBody};
use culvert_wire::message::FromFar;

use super::SessionError;
use crate::dial::NearChannel;

/// Time between two requests to be challenged, on a short path: the listener answers no faster than every 200 ms.
const ASK_EVERY: Duration = Duration::from_millis(220);
/// After so long without proof UDP counts as filtered, on a short path.
const PATIENCE: Duration = Duration::from_millis(2_500);

/// How patiently a proof is asked for, given how long the path is.
#[derive(Debug, Clone, Copy)]
pub(super) struct Asking {
    every: Duration,
    patience: Duration,
}

impl Asking {
    /// Leaves each request the time of a round trip, and the whole the time of several: a proof takes two.
    pub(super) fn new(round_trip: Duration) -> Self {
        Self { every: ASK_EVERY.max(round_trip), patience: PATIENCE + 5 * round_trip }
    }
}

/// What became of a flow.
#[derive(Debug)]
pub(super) enum Opened {
    /// Its address is proven.
    Proven(FlowSocket),
    /// No challenge was ever followed by a proof.
    Unanswered {
        /// Requests sent.
        sent: u64,
    },
}

/// Opens all flows at the same time.
pub(super) async fn open(
    channel: &mut NearChannel,
    peer: SocketAddr,
    identities: Vec<FlowIdentity>,
    options: FlowOptions,
    asking: Asking,
) -> Result<HashMap<u8, Opened>, SessionError> {
    let mut proven: HashMap<u8, Arc<AtomicBool>> = HashMap::new();
    let mut threads = Vec::new();
    for identity in identities {
        let socket = FlowSocket::dial(peer, &options)
            .map_err(|source| SessionError::Socket { peer, source })?;
        let (flag, stream) = (Arc::new(AtomicBool::new(false)), identity.stream);
        proven.insert(stream, Arc::clone(&flag));
        threads.push((
            stream,
            on_thread("open", move || ask_until_proven(&identity, socket, &flag, asking)),
        ));
    }
    let mut waiting = proven.len();
    let give_up = tokio::time::sleep(asking.patience);
    tokio::pin!(give_up);
    while waiting > 0 {
        tokio::select! {
            () = &mut give_up => break,
            message = channel.hear() => match message? {
                FromFar::FlowProven { stream } => {
                    let first = proven.get(&stream).is_some_and(|flag| !flag.swap(true, Ordering::Relaxed));
                    waiting -= usize::from(first);
                }
                FromFar::Refused(refusal) => return Err(SessionError::Refused(refusal)),
                _ => return Err(SessionError::OutOfTurn),
            },
        }
    }
    let mut opened = HashMap::new();
    for (stream, thread) in threads {
        opened.insert(stream, thread.await?);
    }
    Ok(opened)
}

fn ask_until_proven(
    identity: &FlowIdentity,
    socket: FlowSocket,
    proven: &AtomicBool,
    asking: Asking,
) -> Opened {
    let give_up = monotonic_ns() + nanos(asking.patience);
    let mut sent = 0;
    while monotonic_ns() < give_up && !proven.load(Ordering::Relaxed) {
        identity.send(&socket, sent, SignalBody::Open);
        sent += 1;
        echo_challenges(identity, &socket, monotonic_ns() + nanos(asking.every), proven);
    }
    if proven.load(Ordering::Relaxed) {
        Opened::Proven(socket)
    } else {
        Opened::Unanswered { sent }
    }
}

fn echo_challenges(
    identity: &FlowIdentity,
    socket: &FlowSocket,
    until_ns: u64,
    proven: &AtomicBool,
) {
    /// How often the flag is looked at: the proof arrives on the control channel.
    const LOOK_EVERY_NS: u64 = 2_000_000;
    let mut buffer = [0; MAX_SIGNAL];
    while monotonic_ns() < until_ns && !proven.load(Ordering::Relaxed) {
        let readable = socket.wait_readable(until_ns.min(monotonic_ns() + LOOK_EVERY_NS));
        match readable {
            Ok(true) => {}
            Ok(false) => continue,
            // A refusal by ICMP: nobody listens on UDP there, or somebody forged it. The next request will tell.
            Err(_) => {
                std::thread::sleep(Duration::from_millis(2));
                continue;
            }
        }
        let Ok(Some(length)) = socket.receive(&mut buffer) else { continue };
        let Some((_, Some(signal))) = identity.read(buffer.get(..length).unwrap_or_default())
        else {
            continue;
        };
        if let SignalBody::Challenge { nonce } = signal.body {
            identity.send(socket, signal.sequence, SignalBody::Echo { nonce });
        }
    }
}
