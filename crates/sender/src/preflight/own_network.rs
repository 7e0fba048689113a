//! What this host's routes say of an address.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use culvert_engine::on_thread;
use culvert_os::route::{self, Interface, Route};
use culvert_os::udp::{FlowOptions, FlowSocket};

/// Interfaces that carry packets to elsewhere though everything seems to be on their link (`ip link help type`).
const TUNNELS: [&str; 15] = [
    "wireguard",
    "tun",
    "ipip",
    "gre",
    "gretap",
    "ip6tnl",
    "ip6gre",
    "ip6gretap",
    "sit",
    "vti",
    "vti6",
    "xfrm",
    "vxlan",
    "geneve",
    "ppp",
];

/// How long the gateway may take to answer.
const GATEWAY_PATIENCE: Duration = Duration::from_millis(1_500);

/// How packets to an address leave this host.
pub(super) fn way_to(address: IpAddr) -> Option<(Route, Option<Interface>)> {
    let route = route::route_to(address, None).ok()?;
    let known = route::interfaces().unwrap_or_default();
    let interface = known.into_iter().find(|one| one.index == route.interface_index);
    Some((route, interface))
}

/// The link of this host, no tunnel, on which an address lies, or whose own address it is; `None` when it lies elsewhere.
pub(super) fn link_of(address: IpAddr) -> Option<String> {
    let having = route::interface_of(address).ok().flatten();
    let on_link = || {
        let (route, interface) = way_to(address)?;
        route.gateway.is_none().then_some(interface).flatten()
    };
    let interface = having.or_else(on_link)?;
    let tunnel = interface.kind.is_some_and(|kind| TUNNELS.contains(&kind.as_str()));
    (!tunnel).then_some(interface.name)
}

/// Whether an address belongs to the first router on the way to it, so to this network's own gateway; `None` when
/// nothing says so.
///
/// A datagram that may cross one link only reaches the router alone: if the address is its own, it answers that nobody
/// listens, else that the datagram's time is over (RFC 792).
pub(super) async fn is_own_gateway(address: IpAddr) -> Option<bool> {
    let (route, _) = way_to(address)?;
    if route.gateway.is_none() {
        return Some(false);
    }
    on_thread("gateway", move || asks_gateway(address)).await.ok().flatten()
}

fn asks_gateway(address: IpAddr) -> Option<bool> {
    /// The discard service (RFC 863): nobody minds a datagram to it.
    const DISCARD: u16 = 9;
    let options = FlowOptions {
        receive_timeout: Some(GATEWAY_PATIENCE),
        hop_limit: Some(1),
        ..FlowOptions::default()
    };
    let socket = FlowSocket::dial(SocketAddr::new(address, DISCARD), &options).ok()?;
    socket.send(b"one link").ok()?;
    match socket.receive(&mut [0; 64]) {
        Err(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => Some(true),
        Err(error) if error.kind() == std::io::ErrorKind::HostUnreachable => Some(false),
        _ => None,
    }
}
