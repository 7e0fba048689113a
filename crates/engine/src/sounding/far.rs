//! far's part of a sounding: small answers to all, sized datagrams to a fresh proof and within the budget.

use std::collections::VecDeque;
use std::sync::mpsc::Receiver;

use culvert_os::clock::{ClockPair, monotonic_ns};
use culvert_os::udp::{FlowSocket, ReceiveBatch, SendStop};
use culvert_wire::datagram::{DatagramKind, HEADER_LEN, MAX_PAYLOAD, SignalBody};

use super::{AT_ONCE, incompressible, quotes, send_sized};
use crate::probe::{Arrival, answer_probe};
use crate::signals::{FlowIdentity, Proofing, SocketNews, first_socket};
use crate::timeline::{LOOK_UP_EVERY, Switch};

/// far's part: answers until the switch says stop, or the session ends without a socket. `budget` bounds the bytes of
/// IP packets that sized datagrams take.
pub fn answer(flow: &FlowIdentity, sockets: &Receiver<SocketNews>, budget: u64, switch: &Switch) {
    let Some(socket) = first_socket(sockets) else { return };
    let _ = socket.set_receive_timeout(Some(LOOK_UP_EVERY));
    let mut far = Far {
        flow,
        socket,
        proofing: Proofing::challenge_from_now(),
        paused: false,
        left: budget,
        padding: incompressible(),
        sent: VecDeque::new(),
    };
    let mut batch = ReceiveBatch::new(AT_ONCE, MAX_PAYLOAD);
    while !switch.is_stopped() {
        while let Ok(news) = sockets.try_recv() {
            far.on_news(news);
        }
        let fresh = far.proofing.is_kept(flow, &far.socket) && !far.paused;
        let received = far.socket.receive_batch(&mut batch).is_ok_and(|count| count > 0);
        far.pass_routers_on();
        if !received {
            continue;
        }
        let (clock, now) = (ClockPair::sample(), monotonic_ns());
        for datagram in batch.datagrams() {
            let Some((header, signal)) = flow.read(datagram.payload) else { continue };
            switch.saw_peer(now);
            match signal.map(|signal| (signal, signal.body)) {
                None if header.kind == DatagramKind::Sized => {
                    flow.send(&far.socket, header.sequence, SignalBody::SizedSeen);
                }
                Some((_, SignalBody::WantSized { bytes })) if fresh => {
                    far.send_sized(header.sequence, bytes);
                }
                Some((signal, SignalBody::Probe)) => {
                    let arrival = Arrival::of(&datagram, &clock, now);
                    answer_probe(flow, &far.socket, &signal, arrival);
                }
                Some((signal, _)) => far.proofing.on_signal(flow, &far.socket, &signal),
                None => {}
            }
        }
    }
}

/// Sized datagrams whose quotes are still believed.
const REMEMBERED: usize = 16;

struct Far<'a> {
    flow: &'a FlowIdentity,
    socket: FlowSocket,
    proofing: Proofing,
    paused: bool,
    left: u64,
    padding: Vec<u8>,
    /// Headers of the last sized datagrams, with their sequence.
    sent: VecDeque<(u64, [u8; HEADER_LEN])>,
}

impl Far<'_> {
    fn on_news(&mut self, news: SocketNews) {
        match news {
            SocketNews::Use(moved) => {
                let _ = moved.set_receive_timeout(Some(LOOK_UP_EVERY));
                self.socket = moved;
                self.proofing = Proofing::challenge_from_now();
                self.paused = false;
            }
            SocketNews::Pause => self.paused = true,
        }
    }

    fn send_sized(&mut self, sequence: u64, bytes: u64) {
        /// IP and UDP headers at most (RFC 8200, RFC 768).
        const HEADERS: u64 = 48;
        let length = u16::try_from(bytes).ok();
        let Some(left) = self.left.checked_sub(bytes.saturating_add(HEADERS)) else { return };
        let sent = length.and_then(|length| {
            send_sized(self.flow, &self.socket, sequence, length, &mut self.padding)
        });
        let Some((header, outcome)) = sent else { return };
        self.left = left;
        self.sent.push_back((sequence, header));
        if self.sent.len() > REMEMBERED {
            self.sent.pop_front();
        }
        if matches!(outcome, Err(SendStop::TooLong)) {
            let refused = SignalBody::SizedTooBig { router_takes: 0 };
            self.flow.send(&self.socket, sequence, refused);
        }
    }

    fn pass_routers_on(&self) {
        for said in self.socket.take_too_big() {
            let quoted = self.sent.iter().rev().find(|(_, header)| quotes(&said.quoted, header));
            if let Some((sequence, _)) = quoted.filter(|_| said.mtu > 0) {
                let router_takes = said.mtu.into();
                self.flow.send(&self.socket, *sequence, SignalBody::SizedTooBig { router_takes });
            }
        }
    }
}
