//! Making a flow's socket report what would else be hidden: full local queues and errors brought by ICMP.

use std::{
    io::{self, IoSliceMut},
    os::fd::{AsRawFd, BorrowedFd},
};

use nix::sys::socket::{MsgFlags, recvmsg};

use crate::socket;

/// Has every error of the flow reported, and ENOBUFS where a queue of this host dropped a datagram (`IP_RECVERR`, ip(7)).
///
/// Without it Linux tells the sender of a datagram dropped in a local queue that it was sent.
pub(super) fn report_all(socket: BorrowedFd<'_>, ipv6: bool) -> io::Result<()> {
    if ipv6 {
        socket::set_int(socket, libc::IPPROTO_IPV6, libc::IPV6_RECVERR, 1)
    } else {
        socket::set_int(socket, libc::IPPROTO_IP, libc::IP_RECVERR, 1)
    }
}

/// Empties the queue of details that comes with [`report_all`]: it takes room from the receive buffer, and a poll would
/// return at once for as long as it holds anything.
pub(super) fn discard_queued(socket: BorrowedFd<'_>) {
    let mut nothing = [IoSliceMut::new(&mut [])];
    let flags = MsgFlags::MSG_ERRQUEUE | MsgFlags::MSG_DONTWAIT;
    for _ in 0..MOST_QUEUED {
        if recvmsg::<()>(socket.as_raw_fd(), &mut nothing, None, flags).is_err() {
            return;
        }
    }
}

// A bound, so that a flood of errors cannot keep the thread here.
const MOST_QUEUED: usize = 1024;
