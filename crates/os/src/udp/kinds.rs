//! What datagram sockets of every system are asked, and how they answer.

use std::{io, time::Duration};

use crate::socket::would_block;

/// The most datagrams of a batch (`UIO_MAXIOV` of recvmmsg(2) and sendmmsg(2)).
pub(super) const MOST_DATAGRAMS: usize = 1024;

/// What is asked of a [`FlowSocket`](super::FlowSocket).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FlowOptions {
    /// Receive buffer in bytes; `None` leaves the host's default.
    pub receive_buffer: Option<usize>,
    /// Send buffer in bytes; `None` leaves the host's default.
    pub send_buffer: Option<usize>,
    /// Whether datagrams may be fragmented.
    pub fragmentation: Fragmentation,
    /// How long a receive waits; `None` waits for ever.
    pub receive_timeout: Option<Duration>,
    /// How long a send waits for room in the buffer; `None` waits for ever.
    pub send_timeout: Option<Duration>,
    /// How many links a datagram may cross (RFC 791's time to live, RFC 8200's hop limit); `None` leaves the host's
    /// default.
    pub hop_limit: Option<u8>,
}

/// What happens to a datagram that exceeds the path's MTU (`IP_MTU_DISCOVER`, ip(7)).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Fragmentation {
    /// This host cuts it into fragments for the MTU it knows, and over IPv4 every router may cut it further: it leaves
    /// without don't-fragment (RFC 791), so that nothing is lost before this host has learnt the path's MTU. IPv6 has
    /// no fragmentation on the way (RFC 8200 section 5).
    #[default]
    Allowed,
    /// It is refused with EMSGSIZE once it exceeds the MTU this host knows, and leaves with don't-fragment set.
    Refused,
    /// As `Refused`, but against the interface's MTU alone: what this host learnt of the path is not heeded.
    Probing,
}

/// One datagram of a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Received<'a> {
    /// What was received, cut to the batch's size.
    pub payload: &'a [u8],
    /// When the kernel took it from the network: nanoseconds since the epoch of the realtime clock.
    ///
    /// Linux begins to stamp some milliseconds after the first socket of the host asked for it; until then this is the
    /// time of the receive call.
    pub received_at_realtime_ns: Option<i64>,
    /// The datagram was longer than the batch's size.
    pub truncated: bool,
    /// It came coalesced behind another one, whose receive time stands for it too.
    pub follows: bool,
    /// How many times the socket had dropped something since it was opened when this was queued; wraps at 2^32. What was
    /// coalesced counts once, however many datagrams it was.
    pub drops_before: u32,
}

/// Bytes that coalesced datagrams take at most: the kernel joins them as one IP packet.
pub const LARGEST_COALESCED: usize = 65_535;

/// A router's word that a datagram of this flow was too big for it (RFC 1191, RFC 8201), as the kernel took it in: it has
/// matched addresses and ports with this socket's, and nothing else.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TooBig {
    /// The size of IP packet that the router says it takes, bytes; 0 from routers older than RFC 1191.
    pub mtu: u32,
    /// The beginning of the datagram's payload, as far as the router quotes it; it need quote none (RFC 792).
    pub quoted: Vec<u8>,
}

/// How far a batch came.
#[derive(Debug)]
#[must_use]
pub struct SendOutcome {
    /// The datagrams that the kernel took, counted from the first.
    pub sent: usize,
    /// Why the next one was not taken; `None` when all were.
    pub stopped: Option<SendStop>,
}

/// Why the kernel did not take a datagram.
#[derive(Debug, thiserror::Error)]
pub enum SendStop {
    /// A queue of this host was full and the datagram was dropped in it (ENOBUFS); it never reached the path.
    #[error("a queue of this host is full")]
    QueueFull,
    /// The socket's buffer stayed full until the send timeout passed.
    #[error("the send buffer stayed full")]
    WouldBlock,
    /// The datagram is larger than this host may send to the peer in one piece (EMSGSIZE).
    #[error("the datagram is too long to be sent in one piece")]
    TooLong,
    /// The system does not take datagrams in this way (EIO, EINVAL).
    #[error("the system does not take datagrams in this way")]
    NotTaken(#[source] io::Error),
    /// Anything else: ECONNREFUSED and other errors that ICMP brought for earlier datagrams.
    #[error("the datagram could not be sent")]
    Failed(#[source] io::Error),
}

impl From<io::Error> for SendStop {
    fn from(error: io::Error) -> Self {
        match error.raw_os_error() {
            Some(code) if code == NO_BUFFERS => Self::QueueFull,
            Some(code) if code == TOO_LONG => Self::TooLong,
            Some(code) if NOT_TAKEN.contains(&code) => Self::NotTaken(error),
            _ if would_block(&error) || error.kind() == io::ErrorKind::TimedOut => Self::WouldBlock,
            _ => Self::Failed(error),
        }
    }
}

#[cfg(not(windows))]
const NO_BUFFERS: i32 = libc::ENOBUFS;
#[cfg(not(windows))]
const TOO_LONG: i32 = libc::EMSGSIZE;
// EIO: no checksum offload. EINVAL: the segments exceed the MTU, or such messages are not known at all.
#[cfg(not(windows))]
const NOT_TAKEN: [i32; 2] = [libc::EIO, libc::EINVAL];

#[cfg(windows)]
const NO_BUFFERS: i32 = windows_sys::Win32::Networking::WinSock::WSAENOBUFS;
#[cfg(windows)]
const TOO_LONG: i32 = windows_sys::Win32::Networking::WinSock::WSAEMSGSIZE;
#[cfg(windows)]
const NOT_TAKEN: [i32; 1] = [windows_sys::Win32::Networking::WinSock::WSAEOPNOTSUPP];
