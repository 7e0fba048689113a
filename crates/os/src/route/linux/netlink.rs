//! One question to the kernel's routing and its whole answer (rtnetlink(7)).

use std::io;

use netlink_packet_core::{NLM_F_MULTIPART, NetlinkBuffer, NetlinkMessage, NetlinkPayload};
use netlink_packet_route::RouteNetlinkMessage;

use crate::netlink;

/// Asks `question` and returns the messages of the answer; messages that cannot be read are left out.
pub(super) fn request(
    question: RouteNetlinkMessage,
    flags: u16,
) -> io::Result<Vec<RouteNetlinkMessage>> {
    let socket = netlink::send(question, flags)?;
    let mut answer = Vec::new();
    loop {
        let (bytes, _) = socket.recv_from_full()?;
        if collect(&bytes, &mut answer)? {
            return Ok(answer);
        }
    }
}

/// Adds the messages in `bytes` to `answer`; true when the answer is complete.
fn collect(bytes: &[u8], answer: &mut Vec<RouteNetlinkMessage>) -> io::Result<bool> {
    let mut rest = bytes;
    while !rest.is_empty() {
        let header = NetlinkBuffer::new_checked(rest).map_err(io::Error::other)?;
        let length = header.length() as usize;
        let several = header.flags() & NLM_F_MULTIPART != 0;
        let whole = rest.get(..length).ok_or_else(|| io::Error::other("cut netlink message"))?;
        if let Ok(message) = NetlinkMessage::<RouteNetlinkMessage>::deserialize(whole) {
            match message.payload {
                NetlinkPayload::Done(_) => return Ok(true),
                NetlinkPayload::Error(error) if error.code.is_some() => return Err(error.to_io()),
                NetlinkPayload::InnerMessage(inner) => answer.push(inner),
                _ => {}
            }
        }
        if !several {
            return Ok(true);
        }
        rest = rest.get(length.next_multiple_of(ALIGNMENT)..).unwrap_or_default();
    }
    Ok(false)
}

/// `NLMSG_ALIGNTO` of netlink(7).
const ALIGNMENT: usize = 4;
