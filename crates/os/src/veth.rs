//! Virtual Ethernet cables between namespaces, and what an interface needs to be of use (veth(4), rtnetlink(7)).
//!
//! Everything acts on the calling thread's namespace; see [`Namespace::run`] for another one.

mod netlink;
mod offload;
#[cfg(test)]
mod tests;

use std::{
    io,
    net::IpAddr,
    os::fd::{AsFd as _, AsRawFd as _},
};

use netlink_packet_core::{NLM_F_CREATE, NLM_F_EXCL};
use netlink_packet_route::{
    AddressFamily, RouteNetlinkMessage,
    address::{AddressAttribute, AddressFlags, AddressMessage},
    link::{InfoData, InfoKind, InfoVeth, LinkAttribute, LinkFlags, LinkInfo, LinkMessage},
    route::{
        RouteAttribute, RouteHeader, RouteMessage, RouteMetric, RouteProtocol, RouteScope,
        RouteType,
    },
};

use crate::namespace::Namespace;

pub use offload::turn_offloads_off;

/// One end of a cable.
#[derive(Debug, Clone, Copy)]
pub struct End<'a> {
    /// The name of the interface, at most 15 bytes.
    pub name: &'a str,
    /// Where it is; `None` for the calling thread's namespace.
    pub namespace: Option<&'a Namespace>,
    /// Its hardware address; `None` leaves it to the kernel.
    pub hardware_address: Option<[u8; 6]>,
    /// Its MTU in bytes.
    pub mtu: u32,
    /// Whether it asks for its neighbours' hardware addresses (ARP, neighbour discovery). If not, it sends everything to
    /// an address of its own.
    pub asks_neighbours: bool,
}

/// What an interface counted since it was made.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct DeviceCounters {
    /// Frames received.
    pub received: u64,
    /// Frames sent.
    pub sent: u64,
    /// Frames that were dropped on arrival.
    pub receive_dropped: u64,
    /// Frames that were dropped instead of being sent.
    pub send_dropped: u64,
}

/// Makes a cable; both ends are switched off.
pub fn create(one: &End<'_>, other: &End<'_>) -> io::Result<()> {
    let mut link = end(one);
    link.attributes.push(LinkAttribute::LinkInfo(vec![
        LinkInfo::Kind(InfoKind::Veth),
        LinkInfo::Data(InfoData::Veth(InfoVeth::Peer(end(other)))),
    ]));
    netlink::change(RouteNetlinkMessage::NewLink(link), NLM_F_CREATE | NLM_F_EXCL)
}

/// Switches an interface on.
pub fn switch_on(interface_index: u32) -> io::Result<()> {
    let mut link = LinkMessage::default();
    link.header.index = interface_index;
    link.header.flags = LinkFlags::Up;
    link.header.change_mask = LinkFlags::Up;
    netlink::change(RouteNetlinkMessage::SetLink(link), 0)
}

/// Gives an interface an address that is alone on its link: other hosts need a route.
pub fn add_address(interface_index: u32, address: IpAddr) -> io::Result<()> {
    let mut message = AddressMessage::default();
    message.header.family = family(address);
    message.header.prefix_len = bits(address);
    message.header.index = interface_index;
    message.attributes.push(AddressAttribute::Address(address));
    message.attributes.push(AddressAttribute::Local(address));
    // Nobody else is there who might have it; without this an IPv6 address is of no use for a second.
    message.attributes.push(AddressAttribute::Flags(AddressFlags::Nodad));
    netlink::change(RouteNetlinkMessage::NewAddress(message), NLM_F_CREATE | NLM_F_EXCL)
}

/// Adds the way to one host that is on the link, from `source`; `mtu` bounds packets to it more than the interface does.
pub fn add_route(
    interface_index: u32,
    destination: IpAddr,
    source: IpAddr,
    mtu: Option<u16>,
) -> io::Result<()> {
    let mut route = RouteMessage::default();
    route.header.address_family = family(destination);
    route.header.destination_prefix_length = bits(destination);
    route.header.table = RouteHeader::RT_TABLE_MAIN;
    route.header.protocol = RouteProtocol::Static;
    route.header.scope = RouteScope::Link;
    route.header.kind = RouteType::Unicast;
    route.attributes.push(RouteAttribute::Destination(destination.into()));
    route.attributes.push(RouteAttribute::PrefSource(source.into()));
    route.attributes.push(RouteAttribute::Oif(interface_index));
    if let Some(mtu) = mtu {
        route.attributes.push(RouteAttribute::Metrics(vec![RouteMetric::Mtu(mtu.into())]));
    }
    netlink::change(RouteNetlinkMessage::NewRoute(route), NLM_F_CREATE | NLM_F_EXCL)
}

/// The kernel's number for the interface of this name.
pub fn index_of(name: &str) -> io::Result<u32> {
    let found = crate::route::interfaces()?.into_iter().find(|one| one.name == name);
    found.map(|one| one.index).ok_or_else(|| io::Error::from_raw_os_error(libc::ENODEV))
}

/// What an interface counted.
pub fn counters(interface_index: u32) -> io::Result<DeviceCounters> {
    let mut question = LinkMessage::default();
    question.header.index = interface_index;
    let answer = netlink::ask(RouteNetlinkMessage::GetLink(question))?;
    let RouteNetlinkMessage::NewLink(link) = answer else {
        return Err(io::Error::other("the kernel told of something else than the interface"));
    };
    let counters = link.attributes.iter().find_map(|attribute| match attribute {
        LinkAttribute::Stats64(counts) => Some(DeviceCounters {
            received: counts.rx_packets,
            sent: counts.tx_packets,
            receive_dropped: counts.rx_dropped,
            send_dropped: counts.tx_dropped,
        }),
        _ => None,
    });
    counters.ok_or_else(|| io::Error::other("the kernel told of no counters"))
}

fn end(end: &End<'_>) -> LinkMessage {
    let mut link = LinkMessage::default();
    if !end.asks_neighbours {
        link.header.flags = LinkFlags::Noarp;
        link.header.change_mask = LinkFlags::Noarp;
    }
    link.attributes.push(LinkAttribute::IfName(end.name.to_owned()));
    link.attributes.push(LinkAttribute::Mtu(end.mtu));
    if let Some(address) = end.hardware_address {
        link.attributes.push(LinkAttribute::Address(address.to_vec()));
    }
    if let Some(namespace) = end.namespace {
        link.attributes.push(LinkAttribute::NetNsFd(namespace.as_fd().as_raw_fd()));
    }
    link
}

const fn family(address: IpAddr) -> AddressFamily {
    if address.is_ipv4() { AddressFamily::Inet } else { AddressFamily::Inet6 }
}

const fn bits(address: IpAddr) -> u8 {
    if address.is_ipv4() { 32 } else { 128 }
}
