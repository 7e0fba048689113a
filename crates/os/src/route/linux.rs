//! The routing of Linux, by rtnetlink(7).

#[path = "linux/netlink.rs"]
mod netlink;
#[cfg(test)]
#[path = "linux/tests.rs"]
mod tests;

use std::{
    io,
    net::{IpAddr, SocketAddr},
};

use netlink_packet_core::{NLM_F_DUMP, NLM_F_REQUEST};
use netlink_packet_route::{
    AddressFamily, RouteNetlinkMessage,
    address::{AddressAttribute, AddressMessage},
    link::{LinkAttribute, LinkFlags, LinkInfo, LinkMessage},
    route::{RouteAddress, RouteAttribute, RouteMessage, RouteMetric, RouteVia},
};

use super::{Interface, Route};

/// The way to `destination`, for packets whose source is `from` when it is given.
///
/// Fails as sending would: ENETUNREACH without a route, EINVAL when `from` is not an address of this host.
pub fn route_to(destination: IpAddr, from: Option<IpAddr>) -> io::Result<Route> {
    find_route(destination, from, None)
}

/// As [`route_to`], heeding the interface that is the scope of a link-local address.
pub fn route_to_peer(peer: SocketAddr, from: Option<IpAddr>) -> io::Result<Route> {
    let scope = match peer {
        SocketAddr::V6(peer) => Some(peer.scope_id()).filter(|&scope| scope != 0),
        SocketAddr::V4(_) => None,
    };
    find_route(peer.ip(), from, scope)
}

/// All interfaces with their addresses, by index.
pub fn interfaces() -> io::Result<Vec<Interface>> {
    let dump = NLM_F_DUMP | NLM_F_REQUEST;
    let links = netlink::request(RouteNetlinkMessage::GetLink(LinkMessage::default()), dump)?;
    let addresses =
        netlink::request(RouteNetlinkMessage::GetAddress(AddressMessage::default()), dump)?;
    let mut interfaces: Vec<Interface> = links.into_iter().filter_map(interface_in).collect();
    for (index, address) in addresses.into_iter().filter_map(address_in) {
        if let Some(interface) = interfaces.iter_mut().find(|one| one.index == index) {
            interface.addresses.push(address);
        }
    }
    interfaces.sort_by_key(|interface| interface.index);
    Ok(interfaces)
}

/// The interface that has the address `local`; `None` when none or more than one has it.
pub fn interface_of(local: IpAddr) -> io::Result<Option<Interface>> {
    let mut having = interfaces()?.into_iter().filter(|one| one.addresses.contains(&local));
    Ok(having.next().filter(|_| having.next().is_none()))
}

fn find_route(
    destination: IpAddr,
    from: Option<IpAddr>,
    interface_index: Option<u32>,
) -> io::Result<Route> {
    let query = RouteNetlinkMessage::GetRoute(route_query(destination, from, interface_index));
    let answer = netlink::request(query, NLM_F_REQUEST)?;
    let route = answer.into_iter().find_map(|message| match message {
        RouteNetlinkMessage::NewRoute(route) => Some(route),
        _ => None,
    });
    let unclear = || io::Error::other(format!("the kernel's route to {destination} is incomplete"));
    let attributes = route.ok_or_else(unclear)?.attributes;
    let index = find(&attributes, |attribute| match attribute {
        RouteAttribute::Oif(index) => Some(*index),
        _ => None,
    });
    let index = index.ok_or_else(unclear)?;
    let interface = interfaces()?.into_iter().find(|one| one.index == index);
    let interface = interface.ok_or_else(unclear)?;
    Ok(Route {
        interface_index: index,
        interface: interface.name,
        source: find(&attributes, source_in),
        gateway: find(&attributes, gateway_in),
        mtu: find(&attributes, mtu_in).or(interface.mtu),
    })
}

fn route_query(
    destination: IpAddr,
    from: Option<IpAddr>,
    interface_index: Option<u32>,
) -> RouteMessage {
    let mut query = RouteMessage::default();
    let (family, bits) =
        if destination.is_ipv6() { (AddressFamily::Inet6, 128) } else { (AddressFamily::Inet, 32) };
    query.header.address_family = family;
    query.header.destination_prefix_length = bits;
    query.attributes.push(RouteAttribute::Destination(destination.into()));
    if let Some(from) = from {
        query.header.source_prefix_length = bits;
        query.attributes.push(RouteAttribute::Source(from.into()));
    }
    query.attributes.extend(interface_index.map(RouteAttribute::Oif));
    query
}

fn find<T>(
    attributes: &[RouteAttribute],
    pick: impl FnMut(&RouteAttribute) -> Option<T>,
) -> Option<T> {
    attributes.iter().find_map(pick)
}

fn source_in(attribute: &RouteAttribute) -> Option<IpAddr> {
    match attribute {
        RouteAttribute::PrefSource(address) => ip_of(address),
        _ => None,
    }
}

fn gateway_in(attribute: &RouteAttribute) -> Option<IpAddr> {
    match attribute {
        RouteAttribute::Gateway(address) => ip_of(address),
        RouteAttribute::Via(RouteVia::Inet(address)) => Some((*address).into()),
        RouteAttribute::Via(RouteVia::Inet6(address)) => Some((*address).into()),
        _ => None,
    }
}

fn mtu_in(attribute: &RouteAttribute) -> Option<u32> {
    let RouteAttribute::Metrics(metrics) = attribute else { return None };
    metrics.iter().find_map(|metric| match metric {
        RouteMetric::Mtu(mtu) => Some(*mtu).filter(|&mtu| mtu != 0),
        _ => None,
    })
}

fn ip_of(address: &RouteAddress) -> Option<IpAddr> {
    match address {
        RouteAddress::Inet(address) => Some((*address).into()),
        RouteAddress::Inet6(address) => Some((*address).into()),
        _ => None,
    }
}

fn interface_in(message: RouteNetlinkMessage) -> Option<Interface> {
    let RouteNetlinkMessage::NewLink(link) = message else { return None };
    let mut interface = Interface {
        index: link.header.index,
        name: String::new(),
        mtu: None,
        kind: None,
        addresses: Vec::new(),
        up: link.header.flags.contains(LinkFlags::Up),
    };
    for attribute in link.attributes {
        match attribute {
            LinkAttribute::IfName(name) => interface.name = name,
            LinkAttribute::Mtu(mtu) => interface.mtu = Some(mtu),
            LinkAttribute::LinkInfo(infos) => {
                interface.kind = infos.into_iter().find_map(|info| match info {
                    LinkInfo::Kind(kind) => Some(kind.to_string()),
                    _ => None,
                });
            }
            _ => {}
        }
    }
    Some(interface)
}

// "Local" is this host's address; "address" is the peer's on a point-to-point link, and the only one IPv6 gives as a rule.
fn address_in(message: RouteNetlinkMessage) -> Option<(u32, IpAddr)> {
    let RouteNetlinkMessage::NewAddress(message) = message else { return None };
    let local = message.attributes.iter().find_map(|attribute| match attribute {
        AddressAttribute::Local(address) => Some(*address),
        _ => None,
    });
    let address = message.attributes.iter().find_map(|attribute| match attribute {
        AddressAttribute::Address(address) => Some(*address),
        _ => None,
    });
    Some((message.header.index, local.or(address)?))
}
