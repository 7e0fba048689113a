//! Making a flow's socket report what would else be hidden: full local queues and errors brought by ICMP.

use std::{
    io::{self, IoSliceMut},
    os::fd::{AsRawFd, BorrowedFd},
};

use nix::sys::socket::{ControlMessageOwned, MsgFlags, recvmsg};

use super::TooBig;
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

/// As [`discard_queued`], but gives what routers said of datagrams that were too big.
pub(super) fn too_big_in_queue(socket: BorrowedFd<'_>) -> Vec<TooBig> {
    let mut found = Vec::new();
    let flags = MsgFlags::MSG_ERRQUEUE | MsgFlags::MSG_DONTWAIT;
    for _ in 0..MOST_QUEUED {
        let mut quoted = [0; LONGEST_QUOTE];
        let mut slices = [IoSliceMut::new(&mut quoted)];
        let mut control = nix::cmsg_space!(
            [libc::c_int; 2],
            libc::timespec,
            libc::sock_extended_err,
            libc::sockaddr_in6
        );
        let Ok(message) = recvmsg::<()>(socket.as_raw_fd(), &mut slices, Some(&mut control), flags)
        else {
            break;
        };
        let length = message.bytes;
        let mtu = message.cmsgs().ok().and_then(|mut all| all.find_map(|one| router_takes(&one)));
        if let Some(mtu) = mtu.filter(|_| found.len() < MOST_KEPT) {
            found.push(TooBig { mtu, quoted: quoted.get(..length).unwrap_or(&quoted).to_vec() });
        }
    }
    found
}

/// Enough of a quote for a header of the caller's.
const LONGEST_QUOTE: usize = 64;
/// A flood of forged messages shall not take memory.
const MOST_KEPT: usize = 16;

fn router_takes(message: &ControlMessageOwned) -> Option<u32> {
    let (ControlMessageOwned::Ipv4RecvErr(error, _) | ControlMessageOwned::Ipv6RecvErr(error, _)) =
        message
    else {
        return None;
    };
    let from_router =
        [libc::SO_EE_ORIGIN_ICMP, libc::SO_EE_ORIGIN_ICMP6].contains(&error.ee_origin);
    let too_big = i32::try_from(error.ee_errno) == Ok(libc::EMSGSIZE);
    (from_router && too_big).then_some(error.ee_info)
}
