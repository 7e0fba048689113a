//! Stream sockets: dialling, listening, congestion control, and what the kernel knows of a connection.
//!
//! [`TcpInfo`] is the kernel's own account of a connection; [`Discarder`] receives without copying.

mod congestion;
mod discard;
mod info;
mod marks;
mod queue;
#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests;

use std::{
    io,
    net::{SocketAddr, TcpListener, TcpStream},
    ops::RangeInclusive,
    time::Duration,
};

use culvert_units::Dscp;
use socket2::{Domain, Protocol, SockRef, Socket, Type};

pub use congestion::{
    CongestionControlError, available_congestion_controls, congestion_control,
    set_congestion_control,
};
pub use discard::{Discarder, discard, discard_by_copy};
pub use info::TcpInfo;
pub use marks::{dscp, set_dscp};
pub use queue::{reset_on_close, unsent_and_unacknowledged};

use crate::socket::{self, AsSystem};

/// What is asked of a stream socket.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct TcpOptions<'a> {
    /// The congestion control algorithm by the kernel's name; `None` leaves the host's default.
    pub congestion_control: Option<&'a str>,
    /// The largest segment in bytes, options included (the MSS of RFC 9293 3.7.1); `None` lets the MTU decide.
    ///
    /// Asked for before the handshake it bounds both ways, because the peer is told; afterwards Linux ignores it.
    pub segment_bytes: Option<u16>,
    /// The treatment that the packets ask the network for; `None` leaves the host's default.
    pub dscp: Option<Dscp>,
    /// Send buffer in bytes, fixed from then on; `None` lets the kernel adapt it.
    pub send_buffer: Option<usize>,
    /// Receive buffer in bytes, fixed from then on; `None` lets the kernel adapt it.
    pub receive_buffer: Option<usize>,
    /// Whether small writes leave at once instead of waiting to be joined (RFC 9293 3.7.4).
    pub nodelay: bool,
}

/// Dials `peer` and waits for its answer at most `timeout`, which must not be zero; the stream is blocking.
pub fn connect(
    peer: SocketAddr,
    options: &TcpOptions<'_>,
    timeout: Duration,
) -> io::Result<TcpStream> {
    let socket = Socket::new(Domain::for_address(peer), Type::STREAM, Some(Protocol::TCP))?;
    if peer.is_ipv6() {
        socket.set_only_v6(true)?;
    }
    // Before the handshake: the window scale that it settles depends on the receive buffer (RFC 7323 2.3).
    prepare(&socket, options)?;
    socket.connect_timeout(&peer.into(), timeout)?;
    Ok(socket.into())
}

/// The segment sizes that Linux lets be asked for, bytes: `TCP_MIN_MSS` and `MAX_TCP_WINDOW` of its `net/tcp.h`.
pub const SEGMENT_BYTES: RangeInclusive<u16> = 88..=32_767;

/// Applies `options` to a socket, connected or not.
pub fn prepare(socket: &impl AsSystem, options: &TcpOptions<'_>) -> io::Result<()> {
    if let Some(algorithm) = options.congestion_control {
        set_congestion_control(socket, algorithm)?;
    }
    if let Some(bytes) = options.segment_bytes {
        marks::set_segment_bytes(socket, bytes)?;
    }
    if let Some(dscp) = options.dscp {
        set_dscp(socket, dscp)?;
    }
    socket::ask_for_buffers(socket, options.receive_buffer, options.send_buffer)?;
    SockRef::from(socket).set_tcp_nodelay(options.nodelay)
}

/// Listens at `address` with a non-blocking socket; an IPv6 one never accepts IPv4.
pub fn listen(address: SocketAddr, backlog: u16) -> io::Result<TcpListener> {
    let socket = Socket::new(Domain::for_address(address), Type::STREAM, Some(Protocol::TCP))?;
    socket.set_reuse_address(true)?;
    if address.is_ipv6() {
        socket.set_only_v6(true)?;
    }
    socket.bind(&address.into())?;
    socket.listen(i32::from(backlog))?;
    socket.set_nonblocking(true)?;
    Ok(socket.into())
}
