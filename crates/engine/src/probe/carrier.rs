//! What takes probes to the other end and brings their replies back.

use std::io::{ErrorKind, Read as _, Write as _};
use std::net::TcpStream;
use std::thread;
use std::time::Duration;

use culvert_os::clock::{ClockPair, monotonic_ns};
use culvert_os::udp::{FlowSocket, ReceiveBatch, Received};
use culvert_wire::datagram::{DatagramKind, MAX_SIGNAL, Signal, SignalBody};

use crate::signals::{FlowIdentity, Proofing};
use crate::timeline::LOOK_UP_EVERY;

/// A way for probes and their replies.
pub(super) trait Carrier {
    /// Sends probe `number`; what cannot be sent is lost.
    fn send(&mut self, flow: &FlowIdentity, number: u64);
    /// Waits until something may have come; `false` when the deadline passed.
    fn wait(&mut self, deadline_ns: u64) -> bool;
    /// Hands on the bytes of each datagram that has come.
    fn take_in(&mut self, take: &mut dyn FnMut(&[u8], Arrival));
    /// Answers what is no reply.
    fn answer(&mut self, flow: &FlowIdentity, signal: &Signal);
}

/// When something arrived, nanoseconds of the monotonic clock.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arrival {
    stamp_ns: Option<u64>,
    /// When it was read.
    pub(crate) now_ns: u64,
}

impl Arrival {
    /// Of a datagram: the kernel's stamp leaves out how long this thread took to wake.
    pub(crate) fn of(datagram: &Received<'_>, clock: &ClockPair, now_ns: u64) -> Self {
        let stamp_ns = datagram.received_at_realtime_ns.and_then(|at| clock.to_monotonic_ns(at));
        Self { stamp_ns, now_ns }
    }

    /// The instant, not before `earliest_ns`: a stamp out of order means a set clock.
    pub(crate) fn after_ns(self, earliest_ns: u64) -> u64 {
        let in_order = |at: &u64| (earliest_ns..=self.now_ns).contains(at);
        self.stamp_ns.filter(in_order).unwrap_or(self.now_ns)
    }
}

/// Probes as datagrams.
pub(super) struct ByUdp {
    socket: FlowSocket,
    batch: ReceiveBatch,
}

impl ByUdp {
    pub(super) fn new(socket: FlowSocket) -> Self {
        Self { socket, batch: ReceiveBatch::new(8, MAX_SIGNAL) }
    }
}

impl Carrier for ByUdp {
    fn send(&mut self, flow: &FlowIdentity, number: u64) {
        flow.send(&self.socket, number, SignalBody::Probe);
    }

    fn wait(&mut self, deadline_ns: u64) -> bool {
        self.socket.wait_readable(deadline_ns).unwrap_or_else(|_| {
            // An ICMP error comes at once: without a rest the thread would spin on a path that refuses.
            thread::sleep(Duration::from_millis(1));
            false
        })
    }

    fn take_in(&mut self, take: &mut dyn FnMut(&[u8], Arrival)) {
        if !self.socket.receive_batch(&mut self.batch).is_ok_and(|count| count > 0) {
            return;
        }
        let (clock, now) = (ClockPair::sample(), monotonic_ns());
        for datagram in self.batch.datagrams() {
            take(datagram.payload, Arrival::of(&datagram, &clock, now));
        }
    }

    fn answer(&mut self, flow: &FlowIdentity, signal: &Signal) {
        Proofing::Answer.on_signal(flow, &self.socket, signal);
    }
}

/// Probes behind one another in a connection of their own. Their arrival is when they were read.
pub(super) struct ByTcp {
    connection: ProbeConnection,
}

impl ByTcp {
    pub(super) fn new(stream: TcpStream) -> Self {
        Self { connection: ProbeConnection::new(stream) }
    }
}

impl Carrier for ByTcp {
    fn send(&mut self, flow: &FlowIdentity, number: u64) {
        self.connection.send(flow, number, SignalBody::Probe);
    }

    fn wait(&mut self, deadline_ns: u64) -> bool {
        self.connection.read_until(deadline_ns)
    }

    fn take_in(&mut self, take: &mut dyn FnMut(&[u8], Arrival)) {
        self.connection.frames(|frame, now_ns| take(frame, Arrival { stamp_ns: None, now_ns }));
    }

    fn answer(&mut self, _flow: &FlowIdentity, _signal: &Signal) {}
}

/// A probe and its reply are equally long, so that nothing else need part them.
const FRAME: usize = match DatagramKind::Probe.fixed_len() {
    Some(length) => length,
    None => 0,
};
/// The connection is short of room only when its path is dead.
const LONGEST_WRITE: Duration = Duration::from_millis(50);

/// A connection that carries probes and replies.
pub(super) struct ProbeConnection {
    stream: TcpStream,
    received: Vec<u8>,
    read_ns: u64,
    is_over: bool,
}

impl ProbeConnection {
    pub(super) fn new(stream: TcpStream) -> Self {
        // What waits for company would be late; without a limit a dead path would hold the thread.
        let is_ready = stream.set_nodelay(true).is_ok()
            && stream.set_write_timeout(Some(LONGEST_WRITE)).is_ok();
        Self { stream, received: Vec::new(), read_ns: 0, is_over: !is_ready }
    }

    /// Whether nothing more can come or go.
    pub(super) const fn is_over(&self) -> bool {
        self.is_over
    }

    pub(super) fn send(&mut self, flow: &FlowIdentity, sequence: u64, body: SignalBody) {
        let mut room = [0; MAX_SIGNAL];
        let Some(frame) = flow.write(sequence, body, &mut room).filter(|_| !self.is_over) else {
            return;
        };
        // After a part of one nobody could tell where the next begins.
        self.is_over = self.stream.write_all(frame).is_err();
    }

    /// Reads what comes first; `false` when nothing came until the deadline.
    pub(super) fn read_until(&mut self, deadline_ns: u64) -> bool {
        let left = Duration::from_nanos(deadline_ns.saturating_sub(monotonic_ns()));
        if self.is_over {
            thread::sleep(left.min(LOOK_UP_EVERY));
            return false;
        }
        // Zero would wait for ever.
        let patience = left.max(Duration::from_micros(1));
        let mut room = [0; 8 * FRAME];
        let read =
            self.stream.set_read_timeout(Some(patience)).and_then(|()| self.stream.read(&mut room));
        self.read_ns = monotonic_ns();
        match read {
            Ok(length) if length > 0 => {
                self.received.extend_from_slice(room.get(..length).unwrap_or_default());
                true
            }
            Err(error) if is_quiet(error.kind()) => false,
            _ => {
                self.is_over = true;
                false
            }
        }
    }

    /// Hands on each whole frame, with when it was read.
    pub(super) fn frames(&mut self, mut take: impl FnMut(&[u8], u64)) {
        let whole = self.received.len() / FRAME * FRAME;
        for frame in self.received.get(..whole).unwrap_or_default().chunks_exact(FRAME) {
            take(frame, self.read_ns);
        }
        self.received.drain(..whole);
    }
}

const fn is_quiet(kind: ErrorKind) -> bool {
    matches!(kind, ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted)
}
