//! The other end of the probe flow: it answers at once.

use std::net::TcpStream;
use std::sync::Arc;
use std::sync::mpsc::Receiver;

use culvert_os::clock::{ClockPair, monotonic_ns};
use culvert_os::udp::{FlowSocket, ReceiveBatch};
use culvert_wire::datagram::{MAX_SIGNAL, Signal, SignalBody};

use super::carrier::{Arrival, ProbeConnection};
use crate::signals::{FlowIdentity, SocketNews, first_socket};
use crate::timeline::{LOOK_UP_EVERY, Switch, nanos};

/// Answers probes until the run is stopped.
pub fn reflect(flow: &FlowIdentity, sockets: &Receiver<SocketNews>, switch: &Arc<Switch>) {
    let mut batch = ReceiveBatch::new(8, MAX_SIGNAL);
    let Some(mut socket) = first_socket(sockets) else { return };
    let _ = socket.set_receive_timeout(Some(LOOK_UP_EVERY));
    while !switch.is_stopped() {
        if !socket.receive_batch(&mut batch).is_ok_and(|count| count > 0) {
            if let Ok(SocketNews::Use(moved)) = sockets.try_recv() {
                let _ = moved.set_receive_timeout(Some(LOOK_UP_EVERY));
                socket = moved;
            }
            continue;
        }
        let (clock, now) = (ClockPair::sample(), monotonic_ns());
        for datagram in batch.datagrams() {
            let Some((_, Some(signal))) = flow.read(datagram.payload) else { continue };
            switch.saw_peer(now);
            if signal.body == SignalBody::Probe {
                answer_probe(flow, &socket, &signal, Arrival::of(&datagram, &clock, now));
            }
        }
    }
}

/// Answers a probe that arrived so.
pub(crate) fn answer_probe(
    flow: &FlowIdentity,
    socket: &FlowSocket,
    probe: &Signal,
    arrival: Arrival,
) {
    flow.send(socket, probe.sequence, reply_to(probe, arrival.after_ns(0)));
}

/// Answers the probes of a connection until the run is stopped, the connection ends, or something comes that is no
/// authentic probe.
pub fn reflect_by_tcp(flow: &FlowIdentity, stream: TcpStream, switch: &Switch) {
    let mut connection = ProbeConnection::new(stream);
    while !switch.is_stopped() && !connection.is_over() {
        if !connection.read_until(monotonic_ns() + nanos(LOOK_UP_EVERY)) {
            continue;
        }
        let mut heard = Vec::new();
        connection.frames(|frame, read_ns| {
            heard.push((flow.read(frame).and_then(|(_, signal)| signal), read_ns));
        });
        for (signal, read_ns) in heard {
            let Some(probe) = signal.filter(|signal| signal.body == SignalBody::Probe) else {
                return;
            };
            switch.saw_peer(read_ns);
            connection.send(flow, probe.sequence, reply_to(&probe, read_ns));
        }
    }
}

const fn reply_to(probe: &Signal, received_ns: u64) -> SignalBody {
    SignalBody::ProbeReply { sequence: probe.sequence, sent_ns: probe.sent_ns, received_ns }
}
