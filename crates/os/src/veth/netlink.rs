//! One request to the kernel's routing and its answer (rtnetlink(7)).

use std::io;

use netlink_packet_core::{NLM_F_ACK, NLM_F_REQUEST, NetlinkMessage, NetlinkPayload};
use netlink_packet_route::RouteNetlinkMessage;

use crate::netlink;

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
    let socket = netlink::send(request, flags)?;
    let (bytes, _) = socket.recv_from_full()?;
    let answer = NetlinkMessage::deserialize(&bytes).map_err(io::Error::other)?;
    Ok(answer.payload)
}
