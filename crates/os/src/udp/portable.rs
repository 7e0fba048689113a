//! Datagram sockets of any system: one datagram a call, times from this program's own clock, no drop counters.

#![expect(
    clippy::unused_self,
    clippy::unnecessary_wraps,
    reason = "the interface is that of a system which has more to say"
)]

mod system;

use std::{
    io::{self, Read as _},
    net::SocketAddr,
    sync::{Mutex, PoisonError},
    time::Duration,
};

use socket2::{Domain, Protocol, Socket, Type};

use super::{FlowOptions, Received, SendOutcome, SendStop, TooBig, kinds::MOST_DATAGRAMS};
use crate::{
    clock,
    route::{self, Route},
    socket::{self, Buffers},
};

/// A blocking datagram socket connected to one peer, which alone can reach it.
///
/// Sends and receives take `&self`, so that one thread may send while another receives.
#[derive(Debug)]
pub struct FlowSocket {
    socket: Socket,
    granted: Buffers,
    local: SocketAddr,
    peer: SocketAddr,
    receive_timeout: Mutex<Option<Duration>>,
}

impl FlowSocket {
    /// Connects to `peer` from an address and port that the system chooses.
    ///
    /// Fails as unsupported when datagrams may not be fragmented and the system cannot be told so.
    pub fn dial(peer: SocketAddr, options: &FlowOptions) -> io::Result<Self> {
        let socket = Socket::new(Domain::for_address(peer), Type::DGRAM, Some(Protocol::UDP))?;
        system::set_fragmentation(&socket, peer.is_ipv6(), options.fragmentation)?;
        socket::bound_hops(&socket, peer.is_ipv6(), options.hop_limit)?;
        socket::ask_for_buffers(&socket, options.receive_buffer, options.send_buffer)?;
        socket.set_write_timeout(options.send_timeout)?;
        socket.connect(&peer.into())?;
        let local = socket.local_addr()?.as_socket();
        let local = local.ok_or_else(|| io::Error::other("the socket has no local address"))?;
        let granted = socket::granted_buffers(&socket)?;
        let receive_timeout = Mutex::new(options.receive_timeout);
        Ok(Self { socket, granted, local, peer, receive_timeout })
    }

    /// Receives one datagram into `buffer`; `None` when the receive timeout passed.
    pub fn receive(&self, buffer: &mut [u8]) -> io::Result<Option<usize>> {
        if self.wait_readable(self.receive_deadline_ns())? {
            (&self.socket).read(buffer).map(Some)
        } else {
            Ok(None)
        }
    }

    /// Receives what is queued, at most what `batch` has room for, waiting for the first datagram only.
    ///
    /// 0 when the receive timeout passed. An error that ICMP brought is returned once.
    pub fn receive_batch(&self, batch: &mut ReceiveBatch) -> io::Result<usize> {
        batch.lengths.clear();
        let mut deadline_ns = self.receive_deadline_ns();
        while batch.lengths.len() < batch.capacity && self.wait_readable(deadline_ns)? {
            let room = batch.payloads.chunks_exact_mut(batch.size).nth(batch.lengths.len());
            let length = (&self.socket).read(room.unwrap_or_default())?;
            batch.lengths.push(length);
            deadline_ns = 0;
        }
        Ok(batch.lengths.len())
    }

    /// Sends one datagram.
    pub fn send(&self, datagram: &[u8]) -> Result<(), SendStop> {
        socket::uninterrupted(|| self.socket.send(datagram)).map(drop).map_err(SendStop::from)
    }

    /// Sends the first `count` datagrams of `batch`.
    pub fn send_batch(&self, batch: &mut SendBatch, count: usize) -> SendOutcome {
        let payloads = batch.payloads.chunks_exact(batch.size).zip(&batch.lengths).take(count);
        let mut sent = 0;
        for (payload, length) in payloads {
            if let Err(stop) = self.send(payload.get(..*length).unwrap_or(payload)) {
                return SendOutcome { sent, stopped: Some(stop) };
            }
            sent += 1;
        }
        SendOutcome { sent, stopped: None }
    }

    /// Sends nothing: there is no segmentation offload here.
    pub fn send_segments(&self, _batch: &mut SendBatch, _count: usize) -> SendOutcome {
        let stopped = Some(SendStop::NotTaken(io::ErrorKind::Unsupported.into()));
        SendOutcome { sent: 0, stopped }
    }

    /// Sends the first `count` datagrams of `batch` by a system call each.
    pub fn send_singly(&self, batch: &mut SendBatch, count: usize) -> SendOutcome {
        self.send_batch(batch, count)
    }

    /// Whether the system knows segmentation offload: `false`.
    pub fn knows_segments(&self) -> bool {
        false
    }

    /// Fails as unsupported, unless nothing is to be joined.
    pub fn set_coalescing(&self, on: bool) -> io::Result<()> {
        if on { Err(io::ErrorKind::Unsupported.into()) } else { Ok(()) }
    }

    /// Waits until there is something to receive or `deadline_ns` of the monotonic clock passed: then `false`.
    pub fn wait_readable(&self, deadline_ns: u64) -> io::Result<bool> {
        loop {
            let left = deadline_ns.saturating_sub(clock::monotonic_ns());
            if system::is_readable(&self.socket, Duration::from_nanos(left))? {
                return Ok(true);
            }
            if left == 0 {
                return Ok(false);
            }
        }
    }

    /// Sets how long a receive waits; `None` waits for ever.
    pub fn set_receive_timeout(&self, timeout: Option<Duration>) -> io::Result<()> {
        *self.receive_timeout.lock().unwrap_or_else(PoisonError::into_inner) = timeout;
        Ok(())
    }

    /// Sets how long a send waits for room in the buffer; `None` waits for ever.
    pub fn set_send_timeout(&self, timeout: Option<Duration>) -> io::Result<()> {
        self.socket.set_write_timeout(timeout)
    }

    /// The buffers the system granted.
    pub fn granted(&self) -> Buffers {
        self.granted
    }

    /// This end's address and port.
    pub fn local_address(&self) -> SocketAddr {
        self.local
    }

    /// The peer's address and port.
    pub fn peer_address(&self) -> SocketAddr {
        self.peer
    }

    /// The way that datagrams of this flow leave the host now.
    pub fn route(&self) -> io::Result<Route> {
        route::route_to_peer(self.peer, Some(self.local.ip()))
    }

    /// Fails as unsupported: the system is not asked for the path's MTU.
    pub fn path_mtu(&self) -> io::Result<u32> {
        Err(io::ErrorKind::Unsupported.into())
    }

    /// `None`: the system does not tell what this socket dropped.
    pub fn dropped(&self) -> io::Result<Option<u32>> {
        Ok(None)
    }

    /// Nothing: the system does not hand on what routers say.
    pub fn take_too_big(&self) -> Vec<TooBig> {
        Vec::new()
    }

    fn receive_deadline_ns(&self) -> u64 {
        let timeout = *self.receive_timeout.lock().unwrap_or_else(PoisonError::into_inner);
        let timeout = timeout.map(|timeout| u64::try_from(timeout.as_nanos()).unwrap_or(u64::MAX));
        timeout.map_or(u64::MAX, |timeout| clock::monotonic_ns().saturating_add(timeout))
    }
}

/// Room for a number of datagrams, reused from call to call.
#[derive(Debug)]
pub struct ReceiveBatch {
    payloads: Box<[u8]>,
    size: usize,
    capacity: usize,
    lengths: Vec<usize>,
}

impl ReceiveBatch {
    /// Room for `datagrams` (1 to 1024) of at most `size` bytes (1 to 65,535) each.
    pub fn new(datagrams: usize, size: usize) -> Self {
        let capacity = datagrams.clamp(1, MOST_DATAGRAMS);
        let size = size.clamp(1, usize::from(u16::MAX));
        let payloads = vec![0; capacity * size].into_boxed_slice();
        Self { payloads, size, capacity, lengths: Vec::with_capacity(capacity) }
    }

    /// The datagrams of the last receive; the system did not say when they came.
    pub fn datagrams(&self) -> impl Iterator<Item = Received<'_>> {
        let payloads = self.payloads.chunks_exact(self.size).zip(&self.lengths);
        payloads.map(|(payload, length)| Received {
            payload: payload.get(..*length).unwrap_or(payload),
            received_at_realtime_ns: None,
            truncated: false,
            follows: false,
            drops_before: 0,
        })
    }

    /// `None`: the system does not tell what the socket dropped.
    pub fn dropped(&self) -> Option<u32> {
        None
    }
}

/// Datagrams to be sent, in buffers that keep their content from call to call.
#[derive(Debug)]
pub struct SendBatch {
    payloads: Box<[u8]>,
    size: usize,
    lengths: Box<[usize]>,
}

impl SendBatch {
    /// Room for `datagrams` (1 to 1024) of at most `size` bytes (1 to 65,535) each, all zero.
    pub fn new(datagrams: usize, size: usize) -> Self {
        let datagrams = datagrams.clamp(1, MOST_DATAGRAMS);
        let size = size.clamp(1, usize::from(u16::MAX));
        let payloads = vec![0; datagrams * size].into_boxed_slice();
        Self { payloads, size, lengths: vec![0; datagrams].into_boxed_slice() }
    }

    /// The number of datagrams there is room for.
    pub fn capacity(&self) -> usize {
        self.lengths.len()
    }

    /// Lets `write` fill datagram `index` and say its length; returns that length, cut to the buffer.
    ///
    /// `None`, and nothing is written, when there is no such datagram. Lengths are kept like contents.
    pub fn fill(&mut self, index: usize, write: impl FnOnce(&mut [u8]) -> usize) -> Option<usize> {
        let length = self.lengths.get_mut(index)?;
        let payload = self.payloads.chunks_exact_mut(self.size).nth(index)?;
        *length = write(payload).min(payload.len());
        Some(*length)
    }

    /// The datagrams, each as long as it was filled, for writing over what changes.
    pub fn contents(&mut self) -> impl Iterator<Item = &mut [u8]> {
        let payloads = self.payloads.chunks_exact_mut(self.size).zip(&self.lengths);
        payloads.map(|(payload, &length)| payload.get_mut(..length).unwrap_or_default())
    }

    /// One: there is no segmentation offload here.
    pub fn most_segments(&self) -> usize {
        1
    }
}

#[cfg(test)]
mod tests {
    use std::net::{Ipv4Addr, UdpSocket};

    use super::*;

    fn pair() -> (FlowSocket, UdpSocket) {
        let peer = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0)).unwrap();
        let wait = Some(Duration::from_secs(5));
        let options = FlowOptions { receive_timeout: wait, ..FlowOptions::default() };
        let flow = FlowSocket::dial(peer.local_addr().unwrap(), &options).unwrap();
        peer.connect(flow.local_address()).unwrap();
        (flow, peer)
    }

    #[test]
    fn datagrams_leave_and_arrive_whole_and_in_order() {
        let (flow, peer) = pair();
        let mut batch = SendBatch::new(4, 100);
        for index in 0..4_u8 {
            let length = usize::from(index) * 10 + 1;
            assert_eq!(
                batch.fill(usize::from(index), |room| {
                    room.fill(index);
                    length
                }),
                Some(length)
            );
        }
        let outcome = flow.send_batch(&mut batch, 4);
        assert_eq!((outcome.sent, outcome.stopped.is_none()), (4, true));
        let mut buffer = [0; 200];
        for index in 0..4_u8 {
            let length = peer.recv(&mut buffer).unwrap();
            assert_eq!(&buffer[..length], vec![index; usize::from(index) * 10 + 1]);
            peer.send(&buffer[..length]).unwrap();
        }
        let mut arrived = ReceiveBatch::new(8, 100);
        let mut found = Vec::new();
        while found.len() < 4 {
            assert!(flow.receive_batch(&mut arrived).unwrap() > 0);
            found.extend(arrived.datagrams().map(|one| one.payload.to_vec()));
        }
        let expected: Vec<Vec<u8>> =
            (0..4).map(|index| vec![index; usize::from(index) * 10 + 1]).collect();
        assert_eq!(found, expected);
        assert!(arrived.datagrams().all(|one| one.received_at_realtime_ns.is_none()));
    }

    #[test]
    fn silence_is_waited_for_no_longer_than_asked() {
        let (flow, _peer) = pair();
        flow.set_receive_timeout(Some(Duration::from_millis(20))).unwrap();
        assert_eq!(flow.receive(&mut [0; 9]).unwrap(), None);
        assert_eq!(flow.receive_batch(&mut ReceiveBatch::new(2, 9)).unwrap(), 0);
        let deadline = clock::monotonic_ns() + 5_000_000;
        assert!(!flow.wait_readable(deadline).unwrap());
        assert!(clock::monotonic_ns() >= deadline);
    }

    #[test]
    fn a_closed_port_is_an_error() {
        let (flow, peer) = pair();
        drop(peer);
        let refused = (0..100).any(|_| {
            std::thread::sleep(Duration::from_millis(1));
            matches!(flow.send(b"there?"), Err(SendStop::Failed(_)))
        });
        assert!(refused);
    }

    #[test]
    fn what_the_system_is_not_asked_is_not_made_up() {
        let (flow, _peer) = pair();
        assert_eq!((flow.dropped().unwrap(), flow.knows_segments()), (None, false));
        assert!(flow.path_mtu().is_err() && flow.set_coalescing(true).is_err());
        let mut batch = SendBatch::new(2, 9);
        assert!(matches!(
            flow.send_segments(&mut batch, 2),
            SendOutcome { sent: 0, stopped: Some(SendStop::NotTaken(_)) }
        ));
    }
}
