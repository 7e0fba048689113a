use std::net::{Ipv4Addr, Ipv6Addr, SocketAddrV6};

use super::*;
use crate::testing::in_namespace;

const LOCALHOST: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);

#[test]
fn the_loopback_is_found_from_its_address_in_both_families() {
    for local in [LOCALHOST, IpAddr::V6(Ipv6Addr::LOCALHOST)] {
        let interface = interface_of(local).unwrap().unwrap();
        assert_eq!((interface.name.as_str(), interface.up), ("lo", true));
        let route = route_to(local, None).unwrap();
        assert_eq!((route.interface.as_str(), route.gateway), ("lo", None));
        assert_eq!(route.interface_index, interface.index);
    }
    // TEST-NET-1 (RFC 5737) with the address of the all-ones host: nobody has it.
    assert_eq!(interface_of("192.0.2.255".parse().unwrap()).unwrap(), None);
}

#[test]
fn a_source_of_another_host_is_refused() {
    let foreign: IpAddr = "203.0.113.77".parse().unwrap();
    assert!(route_to(LOCALHOST, Some(foreign)).is_err());
}

// Addresses are from RFC 5737 and RFC 3849.
const HOST: &str = "ip link set lo up
    ip link add near0 mtu 1420 type veth peer name far0
    ip link set near0 up
    ip link set far0 up
    ip addr add 192.0.2.1/24 dev near0
    ip addr add 2001:db8::1/64 dev near0 nodad
    ip addr add fe80::1/64 dev near0 nodad
    ip addr add fe80::1/64 dev far0 nodad
    ip addr add 198.51.100.1 peer 198.51.100.2/32 dev far0
    ip route add default via 192.0.2.254
    ip route add 203.0.113.0/24 via 192.0.2.253 mtu 1300
    ip -6 route add default via 2001:db8::fe";

#[test]
fn a_namespace_shows_its_own_interfaces() {
    in_namespace(HOST, || {
        let all = interfaces().unwrap();
        let mut names: Vec<&str> = all.iter().map(|one| one.name.as_str()).collect();
        names.retain(|name| ["lo", "near0", "far0", "eth0"].contains(name));
        names.sort_unstable();
        assert_eq!(names, ["far0", "lo", "near0"]);

        let near = interface_of("192.0.2.1".parse().unwrap()).unwrap().unwrap();
        assert_eq!((near.name.as_str(), near.mtu, near.up), ("near0", Some(1420), true));
        assert_eq!(near.kind.as_deref(), Some("veth"));
        assert!(near.addresses.contains(&"2001:db8::1".parse().unwrap()));
        // A point-to-point address: the own one counts, the peer's does not.
        let far = interface_of("198.51.100.1".parse().unwrap()).unwrap().unwrap();
        assert_eq!(far.name, "far0");
        assert_eq!(interface_of("198.51.100.2".parse().unwrap()).unwrap(), None);
        // On two interfaces, so on neither.
        assert_eq!(interface_of("fe80::1".parse().unwrap()).unwrap(), None);
    });
}

#[test]
fn a_route_tells_interface_source_gateway_and_mtu() {
    in_namespace(HOST, || {
        let ip = |text: &str| text.parse::<IpAddr>().unwrap();
        let far = route_to(ip("100.64.0.1"), None).unwrap();
        assert_eq!(far.interface, "near0");
        assert_eq!((far.source, far.gateway), (Some(ip("192.0.2.1")), Some(ip("192.0.2.254"))));
        assert_eq!(far.mtu, Some(1420));

        let own_mtu = route_to(ip("203.0.113.9"), Some(ip("192.0.2.1"))).unwrap();
        assert_eq!((own_mtu.gateway, own_mtu.mtu), (Some(ip("192.0.2.253")), Some(1300)));

        let on_link = route_to(ip("192.0.2.7"), None).unwrap();
        assert_eq!((on_link.interface.as_str(), on_link.gateway), ("near0", None));

        let six = route_to(ip("2001:db8:1::1"), None).unwrap();
        assert_eq!((six.source, six.gateway), (Some(ip("2001:db8::1")), Some(ip("2001:db8::fe"))));
    });
}

#[test]
fn the_scope_of_a_link_local_peer_chooses_the_interface() {
    in_namespace(HOST, || {
        for one in interfaces().unwrap().into_iter().filter(|one| one.name.ends_with("r0")) {
            let peer = SocketAddrV6::new("fe80::9".parse().unwrap(), 9, 0, one.index);
            let route = route_to_peer(peer.into(), None).unwrap();
            assert_eq!(route.interface, one.name);
        }
    });
}

#[test]
fn no_route_is_the_error_that_sending_would_meet() {
    in_namespace("ip link set lo up", || {
        let error = route_to("192.0.2.1".parse().unwrap(), None).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::NetworkUnreachable);
    });
}
