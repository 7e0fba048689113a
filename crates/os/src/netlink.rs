//! Sending one request to the kernel's routing (rtnetlink(7)); what its answer is, each caller knows.

use std::{io, time::Duration};

use netlink_packet_core::{NetlinkHeader, NetlinkMessage};
use netlink_packet_route::RouteNetlinkMessage;
use netlink_sys::{Socket, SocketAddr, protocols::NETLINK_ROUTE};
use socket2::SockRef;

/// Sends `request` with `flags`; the answer is waited for on the returned socket.
pub(crate) fn send(request: RouteNetlinkMessage, flags: u16) -> io::Result<Socket> {
    let mut socket = Socket::new(NETLINK_ROUTE)?;
    socket.bind_auto()?;
    socket.connect(&SocketAddr::new(0, 0))?;
    SockRef::from(&socket).set_read_timeout(Some(PATIENCE))?;
    let mut message = NetlinkMessage::new(NetlinkHeader::default(), request.into());
    message.header.flags = flags;
    message.header.sequence_number = 1;
    message.finalize();
    let mut bytes = vec![0; message.buffer_len()];
    message.serialize(&mut bytes);
    socket.send(&bytes, 0)?;
    Ok(socket)
}

// The kernel answers at once, or after making what was asked for; this only keeps a fault from hanging the program.
const PATIENCE: Duration = Duration::from_secs(5);
