//! One request to the kernel's routing and its answer (rtnetlink(7)).

use std::{io, time::Duration};

use netlink_packet_core::{
    NLM_F_ACK, NLM_F_REQUEST, NetlinkHeader, NetlinkMessage, NetlinkPayload,
};
use netlink_packet_route::RouteNetlinkMessage;
use netlink_sys::{Socket, SocketAddr, protocols::NETLINK_ROUTE};
use socket2::SockRef;

/// Has something changed, and waits until it is.
pub(super) fn change(request: RouteNetlinkMessage, flags: u16) -> io::Result<()> {
    match exchange(request, NLM_F_REQUEST | NLM_F_ACK | flags)? {
        NetlinkPayload::Error(error) if error.code.is_some() => Err(error.to_io()),
        _ => Ok(()),
    }
}

/// Asks for one thing.
pub(super) fn ask(question: RouteNetlinkMessage) -> io::Result<RouteNetlinkMessage> {
    match exchange(question, NLM_F_REQUEST)? {
        NetlinkPayload::InnerMessage(answer) => Ok(answer),
        NetlinkPayload::Error(error) if error.code.is_some() => Err(error.to_io()),
        _ => Err(io::Error::other("the kernel answered nothing")),
    }
}

fn exchange(
    request: RouteNetlinkMessage,
    flags: u16,
) -> io::Result<NetlinkPayload<RouteNetlinkMessage>> {
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
    let (bytes, _) = socket.recv_from_full()?;
    let answer = NetlinkMessage::deserialize(&bytes).map_err(io::Error::other)?;
    Ok(answer.payload)
}

// The kernel answers at once; this only keeps a fault from hanging the program.
const PATIENCE: Duration = Duration::from_secs(5);
