//! The socket of one flow: bound to one address, connected to one peer.

use std::{
    io, mem,
    net::SocketAddr,
    os::fd::{AsFd, AsRawFd, BorrowedFd, RawFd},
    sync::{Mutex, PoisonError},
    time::Duration,
};

use libc::c_int;
use nix::{
    poll::{PollFd, PollFlags, ppoll},
    sys::{
        socket::{setsockopt, sockopt},
        time::TimeSpec,
    },
};
use socket2::{Domain, Protocol, SockAddr, Socket, Type};

use super::{
    FlowOptions, Fragmentation, ReceiveBatch, SendBatch, SendOutcome, SendStop, TooBig, errors,
};
use crate::{
    clock,
    route::{self, Route},
    socket::{self, Buffers, would_block},
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
    /// What routers said of probes that were too big; `None` for a socket that does not probe.
    too_big: Option<Mutex<Vec<TooBig>>>,
}

impl FlowSocket {
    /// Binds `local`, whose port other sockets of this user may share, and connects to `peer`.
    ///
    /// Both may carry an interface as scope for a link-local address.
    pub fn connected(
        local: SocketAddr,
        peer: SocketAddr,
        options: &FlowOptions,
    ) -> io::Result<Self> {
        let socket = configured(peer, options)?;
        socket.set_reuse_port(true)?;
        socket.bind(&local.into())?;
        Self::connect(socket, peer, options)
    }

    /// Connects to `peer` from an address and port that the kernel chooses.
    pub fn dial(peer: SocketAddr, options: &FlowOptions) -> io::Result<Self> {
        Self::connect(configured(peer, options)?, peer, options)
    }

    /// Receives one datagram into `buffer`; `None` when the receive timeout passed or a signal came.
    pub fn receive(&self, buffer: &mut [u8]) -> io::Result<Option<usize>> {
        quiet_is_none(self.reported(io::Read::read(&mut &self.socket, buffer)))
    }

    /// Receives what is queued, at most what `batch` has room for, waiting for the first datagram only.
    ///
    /// 0 when the receive timeout passed or a signal came. An error that ICMP brought is returned once.
    pub fn receive_batch(&self, batch: &mut ReceiveBatch) -> io::Result<usize> {
        let outcome = self.reported(batch.receive(self.as_fd()));
        quiet_is_none(outcome).map(Option::unwrap_or_default)
    }

    /// Sends one datagram.
    pub fn send(&self, datagram: &[u8]) -> Result<(), SendStop> {
        let outcome = socket::uninterrupted(|| self.socket.send(datagram));
        self.reported(outcome).map(drop).map_err(SendStop::from)
    }

    /// Sends the first `count` datagrams of `batch`.
    ///
    /// When a later datagram meets an error that ICMP brought for an earlier one, Linux drops that error and the
    /// datagram is tried once more; such an error is seen by the next call at the latest while the peer stays away.
    pub fn send_batch(&self, batch: &mut SendBatch, count: usize) -> SendOutcome {
        batch.send(self.as_fd(), count)
    }

    /// Sends the first `count` datagrams of `batch`, all of the batch's size, by segmentation offload: they leave at one
    /// instant.
    ///
    /// Stops with [`SendStop::NotTaken`] or [`SendStop::TooLong`] where the kernel, the interface or the MTU does not
    /// allow it.
    pub fn send_segments(&self, batch: &mut SendBatch, count: usize) -> SendOutcome {
        batch.send_segments(self.as_fd(), count)
    }

    /// Sends the first `count` datagrams of `batch` by a system call each.
    pub fn send_singly(&self, batch: &mut SendBatch, count: usize) -> SendOutcome {
        batch.send_singly(self.as_fd(), count)
    }

    /// Whether the kernel knows segmentation offload (`UDP_SEGMENT`, Linux 4.18); the interface may still refuse it.
    pub fn knows_segments(&self) -> bool {
        let mut size = [0];
        socket::get_words(self.as_fd(), libc::SOL_UDP, libc::UDP_SEGMENT, &mut size).is_ok()
    }

    /// Lets the kernel join datagrams of one length that arrive together, or not (`UDP_GRO`, Linux 5.0).
    ///
    /// Joined datagrams share one receive time, and need a batch with room for [`LARGEST_COALESCED`] bytes each.
    /// Fails where the kernel does not know it.
    ///
    /// [`LARGEST_COALESCED`]: super::LARGEST_COALESCED
    pub fn set_coalescing(&self, on: bool) -> io::Result<()> {
        socket::set_int(self.as_fd(), libc::SOL_UDP, libc::UDP_GRO, c_int::from(on))
    }

    /// Waits until there is something to receive or `deadline_ns` of the monotonic clock passed: then `false`.
    ///
    /// Fails with an error that ICMP brought.
    pub fn wait_readable(&self, deadline_ns: u64) -> io::Result<bool> {
        loop {
            let left = deadline_ns.saturating_sub(clock::monotonic_ns());
            let mut watched = [PollFd::new(self.as_fd(), PollFlags::POLLIN)];
            let timeout = TimeSpec::from(Duration::from_nanos(left));
            match ppoll(&mut watched, Some(timeout), None) {
                Ok(0) if left == 0 => return Ok(false),
                Ok(0) | Err(nix::Error::EINTR) => continue,
                Ok(_) => {}
                Err(error) => return Err(error.into()),
            }
            let events = watched.first().and_then(PollFd::revents).unwrap_or(PollFlags::empty());
            if events.contains(PollFlags::POLLIN) {
                return Ok(true);
            }
            if let Some(error) = self.socket.take_error()? {
                return self.reported(Err(error));
            }
            self.empty_errors();
            if left == 0 {
                return Ok(false);
            }
        }
    }

    /// Sets how long a receive waits; `None` waits for ever.
    pub fn set_receive_timeout(&self, timeout: Option<Duration>) -> io::Result<()> {
        self.socket.set_read_timeout(timeout)
    }

    /// Sets how long a send waits for room in the buffer; `None` waits for ever.
    pub fn set_send_timeout(&self, timeout: Option<Duration>) -> io::Result<()> {
        self.socket.set_write_timeout(timeout)
    }

    /// The buffers the kernel granted.
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

    /// The path's MTU in bytes as far as this host knows it (`IP_MTU`, ip(7)).
    pub fn path_mtu(&self) -> io::Result<u32> {
        let (level, name) = if self.peer.is_ipv6() {
            (libc::IPPROTO_IPV6, libc::IPV6_MTU)
        } else {
            (libc::IPPROTO_IP, libc::IP_MTU)
        };
        let mut mtu = [0];
        socket::get_words(self.as_fd(), level, name, &mut mtu)?;
        Ok(mtu.into_iter().sum())
    }

    /// How many datagrams this socket dropped since it was opened: a full receive buffer, or a bad checksum. What was
    /// coalesced counts once, however many datagrams it was.
    ///
    /// Exact at any time (`SO_MEMINFO`, Linux 4.12), wraps at 2^32; `None` where the kernel does not tell.
    pub fn dropped(&self) -> io::Result<Option<u32>> {
        const DROPS: usize = libc::SK_MEMINFO_DROPS as usize;
        let mut counters = [0; DROPS + 1];
        let read =
            socket::get_words(self.as_fd(), libc::SOL_SOCKET, libc::SO_MEMINFO, &mut counters);
        match read {
            Ok(filled) => {
                Ok(counters.get(..filled / 4).and_then(|known| known.get(DROPS)).copied())
            }
            Err(error) if error.raw_os_error() == Some(libc::ENOPROTOOPT) => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// What routers said since the last call of datagrams that were too big; nothing for a socket that does not probe
    /// ([`Fragmentation::Probing`]).
    pub fn take_too_big(&self) -> Vec<TooBig> {
        self.empty_errors();
        let said = self.too_big.as_ref();
        said.map(|said| mem::take(&mut *said.lock().unwrap_or_else(PoisonError::into_inner)))
            .unwrap_or_default()
    }

    fn connect(socket: Socket, peer: SocketAddr, options: &FlowOptions) -> io::Result<Self> {
        socket.connect(&SockAddr::from(peer))?;
        let local = socket.local_addr()?.as_socket();
        let local = local.ok_or_else(|| io::Error::other("the socket has no local address"))?;
        let granted = socket::granted_buffers(&socket)?;
        let probes = options.fragmentation == Fragmentation::Probing;
        Ok(Self { socket, granted, local, peer, too_big: probes.then(Mutex::default) })
    }

    fn reported<T>(&self, outcome: io::Result<T>) -> io::Result<T> {
        if outcome.as_ref().is_err_and(|error| !would_block(error)) {
            self.empty_errors();
        }
        outcome
    }

    fn empty_errors(&self) {
        match &self.too_big {
            Some(said) => {
                let mut said = said.lock().unwrap_or_else(PoisonError::into_inner);
                // Nobody who probes leaves so many untaken but a flood.
                said.truncate(MOST_UNTAKEN);
                said.extend(errors::too_big_in_queue(self.as_fd()));
            }
            None => errors::discard_queued(self.as_fd()),
        }
    }
}

impl AsFd for FlowSocket {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.socket.as_fd()
    }
}

impl AsRawFd for FlowSocket {
    fn as_raw_fd(&self) -> RawFd {
        self.socket.as_raw_fd()
    }
}

/// Words of routers that wait to be taken.
const MOST_UNTAKEN: usize = 64;

fn configured(peer: SocketAddr, options: &FlowOptions) -> io::Result<Socket> {
    let socket = Socket::new(Domain::for_address(peer), Type::DGRAM, Some(Protocol::UDP))?;
    if peer.is_ipv6() {
        socket.set_only_v6(true)?;
    }
    // Without them receive times and drop counts are missing, and are told as missing.
    let _ = setsockopt(&socket, sockopt::RxqOvfl, &1);
    let _ = setsockopt(&socket, sockopt::ReceiveTimestampns, &true);
    set_fragmentation(socket.as_fd(), peer.is_ipv6(), options.fragmentation)?;
    errors::report_all(socket.as_fd(), peer.is_ipv6())?;
    socket::bound_hops(&socket, peer.is_ipv6(), options.hop_limit)?;
    socket::ask_for_buffers(&socket, options.receive_buffer, options.send_buffer)?;
    socket.set_read_timeout(options.receive_timeout)?;
    socket.set_write_timeout(options.send_timeout)?;
    Ok(socket)
}

fn set_fragmentation(socket: BorrowedFd<'_>, ipv6: bool, wanted: Fragmentation) -> io::Result<()> {
    let (level, name, value): (c_int, c_int, c_int) = match (ipv6, wanted) {
        (false, Fragmentation::Allowed) => (IP.0, IP.1, libc::IP_PMTUDISC_DONT),
        (false, Fragmentation::Refused) => (IP.0, IP.1, libc::IP_PMTUDISC_DO),
        (false, Fragmentation::Probing) => (IP.0, IP.1, libc::IP_PMTUDISC_PROBE),
        (true, Fragmentation::Allowed) => (IPV6.0, IPV6.1, libc::IPV6_PMTUDISC_WANT),
        (true, Fragmentation::Refused) => (IPV6.0, IPV6.1, libc::IPV6_PMTUDISC_DO),
        (true, Fragmentation::Probing) => (IPV6.0, IPV6.1, libc::IPV6_PMTUDISC_PROBE),
    };
    socket::set_int(socket, level, name, value)
}

const IP: (c_int, c_int) = (libc::IPPROTO_IP, libc::IP_MTU_DISCOVER);
const IPV6: (c_int, c_int) = (libc::IPPROTO_IPV6, libc::IPV6_MTU_DISCOVER);

fn quiet_is_none<T>(outcome: io::Result<T>) -> io::Result<Option<T>> {
    match outcome {
        Ok(value) => Ok(Some(value)),
        Err(error) if would_block(&error) || error.kind() == io::ErrorKind::Interrupted => Ok(None),
        Err(error) => Err(error),
    }
}
