use std::{
    io,
    net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, UdpSocket},
    os::fd::AsFd,
    thread,
    time::{Duration, Instant},
};

use nix::poll::{PollFd, PollFlags, poll};

use super::*;
use crate::{
    clock,
    testing::{in_namespace, wait_until},
};

const PATIENCE: Duration = Duration::from_secs(5);
const BRIEF: Duration = Duration::from_millis(30);
const V4: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
const V6: IpAddr = IpAddr::V6(Ipv6Addr::LOCALHOST);

fn patient() -> FlowOptions {
    FlowOptions { receive_timeout: Some(PATIENCE), ..FlowOptions::default() }
}

fn brief() -> FlowOptions {
    FlowOptions { receive_timeout: Some(BRIEF), ..FlowOptions::default() }
}

fn stranger(ip: IpAddr) -> UdpSocket {
    let socket = UdpSocket::bind((ip, 0)).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    socket
}

fn await_datagram(socket: &WildcardSocket, buffer: &mut [u8]) -> Reached {
    assert!(readable(socket, 5_000), "no datagram came");
    socket.receive(buffer).unwrap().unwrap()
}

fn readable(socket: &impl AsFd, within_ms: u16) -> bool {
    let mut watched = [PollFd::new(socket.as_fd(), PollFlags::POLLIN)];
    poll(&mut watched, within_ms).unwrap() == 1
}

/// Two flows connected to each other, the second with `options`.
fn flows(ip: IpAddr, options: &FlowOptions) -> (FlowSocket, FlowSocket) {
    let gate = WildcardSocket::bind((ip, 0).into()).unwrap();
    let near = FlowSocket::dial(gate.local_address(), &patient()).unwrap();
    let far = FlowSocket::connected(gate.local_address(), near.local_address(), options).unwrap();
    (near, far)
}

/// Sends until datagrams are stamped on arrival: Linux starts that in the background once a socket wants it.
fn await_stamping(near: &FlowSocket, far: &FlowSocket) {
    let begun = Instant::now();
    let mut batch = ReceiveBatch::new(1, 1);
    loop {
        near.send(b"?").unwrap();
        thread::sleep(Duration::from_millis(1));
        let sent = clock::realtime_ns();
        assert_eq!(far.receive_batch(&mut batch).unwrap(), 1);
        let stamp = batch.datagrams().next().unwrap().received_at_realtime_ns.unwrap();
        if stamp < sent {
            return;
        }
        assert!(begun.elapsed() < PATIENCE, "datagrams are stamped by the receive call");
    }
}

fn numbered(batch: &mut SendBatch, count: usize, length: usize) {
    for index in 0..count {
        let written = batch.fill(index, |buffer| {
            buffer[..4].copy_from_slice(&u32::try_from(index).unwrap().to_be_bytes());
            length
        });
        assert_eq!(written, Some(length));
    }
}

#[test]
fn an_answer_leaves_from_the_address_that_was_reached() {
    answer_from([IpAddr::V4(Ipv4Addr::new(127, 0, 0, 9)), V6]);
}

#[test]
fn of_several_ipv6_addresses_the_reached_one_answers() {
    // The kernel makes a new IPv6 address its own a moment after the command: until then it takes in nothing for it.
    in_namespace(
        "ip link set lo up
         ip addr add 2001:db8::9/128 dev lo
         ip addr add 2001:db8::8/128 dev lo
         for last in 8 9; do until ip -6 route show table local | grep -q ::$last; do sleep 0.01; done; done",
        || answer_from(["2001:db8::9".parse().unwrap(), "2001:db8::8".parse().unwrap()]),
    );
}

fn answer_from(addresses: [IpAddr; 2]) {
    for reached in addresses {
        let wildcard: IpAddr = match reached {
            IpAddr::V4(_) => Ipv4Addr::UNSPECIFIED.into(),
            IpAddr::V6(_) => Ipv6Addr::UNSPECIFIED.into(),
        };
        let gate = WildcardSocket::bind((wildcard, 0).into()).unwrap();
        let mut buffer = [0; 64];
        assert_eq!(gate.receive(&mut buffer).unwrap(), None);
        let port = gate.local_address().port();
        let dialler = stranger(if reached.is_ipv4() { V4 } else { V6 });
        // Connected, so that only an answer from the very address dialled is let through.
        dialler.connect((reached, port)).unwrap();
        dialler.send(b"open").unwrap();
        let heard = await_datagram(&gate, &mut buffer);
        assert_eq!((&buffer[..heard.length], heard.truncated), (b"open".as_slice(), false));
        assert_eq!(heard.to, reached);
        assert_eq!(heard.from, dialler.local_addr().unwrap());
        let loopback = crate::route::interface_of(V4).unwrap().unwrap();
        assert_eq!(heard.interface_index, loopback.index);
        assert_eq!(gate.send_from(b"challenge", heard.from, heard.to).unwrap(), 9);
        let length = dialler.recv(&mut buffer).unwrap();
        assert_eq!(&buffer[..length], b"challenge");
    }
}

#[test]
fn a_datagram_longer_than_the_buffer_is_marked() {
    let gate = WildcardSocket::bind((V4, 0).into()).unwrap();
    stranger(V4).send_to(&[7; 65], gate.local_address()).unwrap();
    let heard = await_datagram(&gate, &mut [0; 64]);
    assert_eq!((heard.length, heard.truncated), (64, true));
}

#[test]
fn the_families_share_a_port_without_mixing() {
    let six = WildcardSocket::bind((Ipv6Addr::UNSPECIFIED, 0).into()).unwrap();
    let port = six.local_address().port();
    stranger(V4).send_to(b"lost", (V4, port)).unwrap();
    assert!(!readable(&six, 20), "an IPv6 socket heard IPv4");
    let four = WildcardSocket::bind((Ipv4Addr::UNSPECIFIED, port).into()).unwrap();
    stranger(V4).send_to(b"four", (V4, port)).unwrap();
    let heard = await_datagram(&four, &mut [0; 8]);
    assert_eq!(six.receive(&mut [0; 8]).unwrap(), None);
    let error = six.send_from(b"x", heard.from, V6).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
    let mapped = SocketAddr::from((Ipv4Addr::LOCALHOST.to_ipv6_mapped(), port));
    assert!(FlowSocket::dial(mapped, &brief()).is_err());
}

#[test]
fn a_connected_flow_gets_its_peer_and_strangers_stay_with_the_wildcard() {
    for (wildcard, ip) in
        [(Ipv4Addr::UNSPECIFIED.into(), V4), (IpAddr::V6(Ipv6Addr::UNSPECIFIED), V6)]
    {
        let gate = WildcardSocket::bind((wildcard, 0).into()).unwrap();
        let target = SocketAddr::from((ip, gate.local_address().port()));
        let mut buffer = [0; 16];
        let diallers = [FlowSocket::dial(target, &patient()), FlowSocket::dial(target, &patient())];
        let pairs = diallers.map(|dialler| {
            let dialler = dialler.unwrap();
            dialler.send(b"open").unwrap();
            let heard = await_datagram(&gate, &mut buffer);
            let local = heard.local_address(target.port());
            let flow = FlowSocket::connected(local, heard.from, &patient()).unwrap();
            assert_eq!((flow.local_address(), flow.peer_address()), (target, heard.from));
            (dialler, flow)
        });
        let outsider = stranger(ip);
        for round in 0..20_u8 {
            outsider.send_to(&[0xFF, round], target).unwrap();
            for (index, (dialler, flow)) in pairs.iter().enumerate() {
                dialler.send(&[u8::try_from(index).unwrap(), round]).unwrap();
                assert_eq!(flow.receive(&mut buffer).unwrap(), Some(2));
                assert_eq!(buffer[..2], [u8::try_from(index).unwrap(), round]);
                flow.send(&[round]).unwrap();
                assert_eq!(dialler.receive(&mut buffer).unwrap(), Some(1));
            }
            let heard = await_datagram(&gate, &mut buffer);
            assert_eq!((heard.from, buffer[1]), (outsider.local_addr().unwrap(), round));
        }
        assert_eq!(gate.receive(&mut buffer).unwrap(), None);
    }
}

#[test]
fn a_batch_arrives_whole_in_order_and_stamped_by_the_kernel() {
    for ip in [V4, V6] {
        let (near, far) = flows(ip, &patient());
        let mut outgoing = SendBatch::new(32, 1_200);
        let mut incoming = ReceiveBatch::new(20, 1_500);
        assert_eq!(incoming.dropped(), None);
        await_stamping(&near, &far);
        numbered(&mut outgoing, 32, 1_200);
        assert_eq!(outgoing.fill(32, |_| panic!("there is no such datagram")), None);
        for _ in 0..3 {
            let before = clock::realtime_ns();
            let outcome = near.send_batch(&mut outgoing, 32);
            assert!(outcome.sent == 32 && outcome.stopped.is_none(), "{outcome:?}");
            let after = clock::realtime_ns();
            let mut numbers = Vec::new();
            while numbers.len() < 32 {
                assert!(far.receive_batch(&mut incoming).unwrap() <= 20);
                for datagram in incoming.datagrams() {
                    assert_eq!((datagram.payload.len(), datagram.truncated), (1_200, false));
                    let stamp = datagram.received_at_realtime_ns.unwrap();
                    assert!((before..=after).contains(&stamp), "{before} {stamp} {after}");
                    numbers.push(u32::from_be_bytes(datagram.payload[..4].try_into().unwrap()));
                }
            }
            assert_eq!(numbers, (0..32).collect::<Vec<_>>());
            assert_eq!(incoming.dropped(), Some(0));
        }
    }
}

#[test]
fn segments_arrive_as_datagrams_joined_or_not() {
    for ip in [V4, V6] {
        let (near, far) = flows(ip, &patient());
        assert!(near.knows_segments(), "Linux 4.18 and later do");
        for joined in [false, true] {
            far.set_coalescing(joined).unwrap();
            let mut outgoing = SendBatch::new(100, 1_200);
            // 65,507 bytes hold 54 of them.
            assert_eq!(outgoing.most_segments(), 54);
            numbered(&mut outgoing, 100, 1_200);
            let outcome = near.send_segments(&mut outgoing, 100);
            assert_eq!((outcome.sent, outcome.stopped.is_none()), (100, true));
            let mut incoming = ReceiveBatch::new(4, LARGEST_COALESCED);
            let (mut seen, mut behind) = (Vec::new(), 0);
            while seen.len() < 100 {
                assert!(far.receive_batch(&mut incoming).unwrap() > 0, "all arrive");
                for datagram in incoming.datagrams() {
                    assert_eq!((datagram.payload.len(), datagram.truncated), (1_200, false));
                    assert!(datagram.received_at_realtime_ns.is_some());
                    seen.push(u32::from_be_bytes(*datagram.payload.first_chunk().unwrap()));
                    behind += usize::from(datagram.follows);
                }
            }
            assert_eq!(seen, (0..100).collect::<Vec<_>>());
            // Loopback keeps what was sent as one together, for those who take it so.
            assert_eq!(behind, if joined { 98 } else { 0 });
        }
    }
}

#[test]
fn segments_beyond_the_mtu_are_not_taken() {
    in_namespace("ip link set lo up mtu 1280", || {
        let (near, _far) = flows(V4, &patient());
        let mut batch = SendBatch::new(2, 1_400);
        numbered(&mut batch, 2, 1_400);
        let refused = near.send_segments(&mut batch, 2);
        assert_eq!(refused.sent, 0);
        // EINVAL, in later kernels EMSGSIZE.
        assert!(matches!(refused.stopped, Some(SendStop::NotTaken(_) | SendStop::TooLong)));
        assert_eq!(near.send_batch(&mut batch, 2).sent, 2, "one by one they are fragmented");
    });
}

#[test]
fn one_call_each_moves_the_same() {
    let (near, far) = flows(V4, &patient());
    let mut outgoing = SendBatch::new(8, 64);
    numbered(&mut outgoing, 8, 64);
    // What segments left in the headers is gone afterwards.
    assert_eq!(near.send_segments(&mut outgoing, 8).sent, 8);
    assert_eq!(near.send_singly(&mut outgoing, 8).sent, 8);
    let mut incoming = ReceiveBatch::new(1, 64);
    for expected in (0..8).chain(0..8) {
        assert_eq!(far.receive_batch(&mut incoming).unwrap(), 1);
        let datagram = incoming.datagrams().next().unwrap();
        assert_eq!((datagram.payload[3], datagram.payload.len()), (expected, 64));
    }
}

#[test]
fn lengths_differ_within_a_batch_and_too_long_ones_are_marked() {
    let (near, far) = flows(V4, &patient());
    let mut outgoing = SendBatch::new(4, 100);
    for (index, length) in [1, 0, 50, 51].into_iter().enumerate() {
        outgoing.fill(index, |_| length);
    }
    assert_eq!(outgoing.fill(3, |_| 1_000), Some(100), "cut to the buffer");
    assert_eq!(outgoing.contents().map(|one| one.len()).collect::<Vec<_>>(), [1, 0, 50, 100]);
    outgoing.fill(3, |_| 51);
    assert_eq!(near.send_batch(&mut outgoing, 99).sent, 4);
    let mut incoming = ReceiveBatch::new(8, 50);
    let begun = Instant::now();
    assert_eq!(far.receive_batch(&mut incoming).unwrap(), 4);
    assert!(begun.elapsed() < PATIENCE / 2, "it waited for more than the first datagram");
    let seen: Vec<_> = incoming.datagrams().map(|one| (one.payload.len(), one.truncated)).collect();
    assert_eq!(seen, [(1, false), (0, false), (50, false), (50, true)]);
}

#[test]
fn batches_cross_threads() {
    let (near, far) = flows(V4, &patient());
    let (mut outgoing, mut incoming) = (SendBatch::new(8, 64), ReceiveBatch::new(8, 64));
    numbered(&mut outgoing, 8, 64);
    thread::scope(|scope| {
        scope.spawn(move || assert_eq!(near.send_batch(&mut outgoing, 8).sent, 8));
        let received = scope.spawn(move || {
            let mut total = 0;
            while total < 8 {
                total += far.receive_batch(&mut incoming).unwrap();
            }
            total
        });
        assert_eq!(received.join().unwrap(), 8);
    });
}

#[test]
fn every_datagram_is_either_received_or_counted_as_dropped() {
    let options = FlowOptions { receive_buffer: Some(30_000), ..brief() };
    let (near, far) = flows(V4, &options);
    let mut outgoing = SendBatch::new(200, 1_000);
    numbered(&mut outgoing, 200, 1_000);
    assert_eq!(near.send_batch(&mut outgoing, 200).sent, 200);
    let mut incoming = ReceiveBatch::new(64, 1_000);
    let mut received = 0;
    loop {
        match far.receive_batch(&mut incoming).unwrap() {
            0 => break,
            count => received += count,
        }
    }
    let dropped = far.dropped().unwrap().unwrap();
    assert!(received > 0 && dropped > 0, "{received} received, {dropped} dropped");
    assert_eq!(received + dropped as usize, 200);
    // The datagrams queued before the overflow know nothing of it; the next one brings the count.
    near.send(&[0; 10]).unwrap();
    assert_eq!(far.receive_batch(&mut incoming).unwrap(), 1);
    assert_eq!(incoming.dropped(), Some(dropped));
}

#[test]
fn a_receive_ends_with_its_timeout() {
    let (_near, far) = flows(V6, &brief());
    let begun = Instant::now();
    assert_eq!(far.receive(&mut [0; 8]).unwrap(), None);
    assert!(begun.elapsed() >= BRIEF);
    assert_eq!(far.receive_batch(&mut ReceiveBatch::new(4, 8)).unwrap(), 0);
    far.set_receive_timeout(Some(Duration::from_millis(1))).unwrap();
    let begun = Instant::now();
    assert_eq!(far.receive(&mut [0; 8]).unwrap(), None);
    assert!(begun.elapsed() < PATIENCE);
}

#[test]
fn waiting_ends_with_a_datagram_or_the_deadline() {
    let (near, far) = flows(V4, &patient());
    let deadline = clock::monotonic_ns() + 20_000_000;
    assert!(!far.wait_readable(deadline).unwrap());
    assert!(clock::monotonic_ns() >= deadline);
    assert!(!far.wait_readable(0).unwrap());
    near.send(b"x").unwrap();
    assert!(far.wait_readable(clock::monotonic_ns() + 5_000_000_000).unwrap());
    assert!(far.wait_readable(0).unwrap());
}

#[test]
fn an_absent_peer_is_reported_to_every_kind_of_call() {
    for ip in [V4, V6] {
        let (near, far) = flows(ip, &patient());
        drop(far);
        let refused = Some(io::ErrorKind::ConnectionRefused);
        let kind = |stop: SendStop| match stop {
            SendStop::Failed(error) => Some(error.kind()),
            other => panic!("{other:?}"),
        };
        wait_until(|| near.send(b"0").is_err());
        near.send(b"1").unwrap();
        assert_eq!(near.send(b"2").err().and_then(kind), refused);
        near.send(b"3").unwrap();
        assert_eq!(near.receive(&mut [0; 8]).err().map(|error| error.kind()), refused);
        near.send(b"4").unwrap();
        let soon = clock::monotonic_ns() + 5_000_000_000;
        assert_eq!(near.wait_readable(soon).err().map(|error| error.kind()), refused);
        // Reported once: nothing is left that would end the next wait early.
        assert!(!near.wait_readable(clock::monotonic_ns() + 10_000_000).unwrap());
        assert!(!readable(&near, 0));
        let mut batch = SendBatch::new(8, 16);
        numbered(&mut batch, 8, 16);
        let first = near.send_batch(&mut batch, 8);
        assert_eq!(first.sent, 8, "{first:?}");
        let second = near.send_batch(&mut batch, 8);
        assert_eq!((second.sent, second.stopped.and_then(kind)), (0, refused));
        assert!(!readable(&near, 0));
    }
}

#[test]
fn a_batch_stops_at_the_datagram_that_cannot_be_sent() {
    let (near, far) = flows(V4, &patient());
    let mut batch = SendBatch::new(4, 65_535);
    for (index, length) in [10, 20, 65_508, 30].into_iter().enumerate() {
        batch.fill(index, |_| length);
    }
    let outcome = near.send_batch(&mut batch, 4);
    // RFC 768 and RFC 791: 65,535 less 20 and 8 leaves 65,507 bytes of payload.
    assert_eq!(outcome.sent, 2);
    assert!(matches!(outcome.stopped, Some(SendStop::TooLong)), "{outcome:?}");
    let mut incoming = ReceiveBatch::new(4, 100);
    assert_eq!(far.receive_batch(&mut incoming).unwrap(), 2);
    assert!(!near.wait_readable(clock::monotonic_ns() + 10_000_000).unwrap());
}

#[test]
fn buffers_are_granted_twice_over_and_beyond_the_limit_for_root() {
    let options =
        FlowOptions { receive_buffer: Some(50_000), send_buffer: Some(60_000), ..brief() };
    let (near, far) = flows(V4, &options);
    assert_eq!((far.granted().receive, far.granted().send), (100_000, 120_000));
    assert_eq!(far.granted(), crate::granted_buffers(&far).unwrap());
    assert!(near.granted().receive > 0);
    if nix::unistd::geteuid().is_root() {
        let asked = 64 << 20;
        let options = FlowOptions { receive_buffer: Some(asked), ..brief() };
        assert_eq!(flows(V4, &options).1.granted().receive, 2 * asked);
    }
    let absurd = FlowOptions { receive_buffer: Some(usize::MAX), ..brief() };
    assert!(flows(V4, &absurd).1.granted().receive > 0);
}

#[test]
fn fragmentation_is_allowed_or_refused_at_the_mtu() {
    in_namespace("ip link set lo up mtu 1500", || {
        // 1500 less 20 or 40 (IP) less 8 (UDP, RFC 768).
        for (ip, most) in [(V4, 1472), (V6, 1452)] {
            for fragmentation in
                [Fragmentation::Allowed, Fragmentation::Refused, Fragmentation::Probing]
            {
                let (near, far) = flows(ip, &FlowOptions { fragmentation, ..patient() });
                assert_eq!(far.path_mtu().unwrap(), 1500);
                far.send(&vec![1; most]).unwrap();
                let beyond = far.send(&vec![1; most + 1]);
                let expected = fragmentation == Fragmentation::Allowed;
                assert_eq!(beyond.is_ok(), expected, "{fragmentation:?}: {beyond:?}");
                assert!(matches!(beyond, Ok(()) | Err(SendStop::TooLong)), "{beyond:?}");
                let mut buffer = [0; 2_000];
                assert_eq!(near.receive(&mut buffer).unwrap(), Some(most));
            }
        }
    });
}

// A queue of 3000 bytes that empties at 64 kbit/s.
const SLOW: &str = "ip link set lo up mtu 1500
    tc qdisc replace dev lo root tbf rate 64kbit burst 1600 limit 3000";

#[test]
fn a_full_queue_of_this_host_is_reported_apart_from_loss() {
    in_namespace(SLOW, || {
        let options = FlowOptions { send_buffer: Some(1 << 20), ..brief() };
        let (_near, far) = flows(V4, &options);
        let mut batch = SendBatch::new(16, 1_000);
        numbered(&mut batch, 16, 1_000);
        let outcome = far.send_batch(&mut batch, 16);
        assert!((1..16).contains(&outcome.sent), "{outcome:?}");
        assert!(matches!(outcome.stopped, Some(SendStop::QueueFull)), "{outcome:?}");
    });
}

#[test]
fn a_full_send_buffer_is_reported_after_the_timeout() {
    let setup = SLOW.replace("limit 3000", "limit 300000");
    in_namespace(&setup, || {
        let options =
            FlowOptions { send_buffer: Some(10_000), send_timeout: Some(BRIEF), ..brief() };
        let (_near, far) = flows(V4, &options);
        let mut batch = SendBatch::new(64, 1_000);
        numbered(&mut batch, 64, 1_000);
        let begun = Instant::now();
        let outcome = far.send_batch(&mut batch, 64);
        assert!((1..64).contains(&outcome.sent), "{outcome:?}");
        assert!(matches!(outcome.stopped, Some(SendStop::WouldBlock)), "{outcome:?}");
        assert!(begun.elapsed() >= BRIEF && begun.elapsed() < PATIENCE);
    });
}

#[test]
fn link_local_scope_survives_from_the_wildcard_to_the_flow() {
    in_namespace(
        "ip link set lo up
         ip link add near0 type veth peer name far0
         ip addr add fe80::1/64 dev near0 nodad
         ip addr add fe80::2/64 dev far0 nodad
         ip link set near0 up
         ip link set far0 up",
        || {
            let all = crate::route::interfaces().unwrap();
            let index =
                |name: &str| all.iter().find(|one| one.name == name).map(|one| one.index).unwrap();
            let gate = WildcardSocket::bind((Ipv6Addr::UNSPECIFIED, 0).into()).unwrap();
            let port = gate.local_address().port();
            let own: Ipv6Addr = "fe80::1".parse().unwrap();
            let scoped = |scope| SocketAddr::V6(std::net::SocketAddrV6::new(own, port, 0, scope));
            // Reached over the loopback path, as both ends of the pair are in this namespace.
            let dialler = FlowSocket::dial(scoped(index("near0")), &patient()).unwrap();
            // The kernel puts an address into use in the background.
            wait_until(|| dialler.send(b"open").is_ok() && readable(&gate, 20));
            let mut buffer = [0; 16];
            let heard = await_datagram(&gate, &mut buffer);
            assert_eq!(heard.from, dialler.local_address());
            let local = heard.local_address(port);
            assert_eq!(local, scoped(index("near0")));
            gate.send_from(b"challenge", heard.from, heard.to).unwrap();
            assert_eq!(dialler.receive(&mut buffer).unwrap(), Some(9));
            let flow = FlowSocket::connected(local, heard.from, &patient()).unwrap();
            assert_eq!((flow.local_address(), flow.peer_address()), (local, heard.from));
            dialler.send(b"more").unwrap();
            assert_eq!(flow.receive(&mut buffer).unwrap(), Some(4));
        },
    );
}

#[test]
fn a_flow_tells_the_way_it_takes() {
    let (near, _far) = flows(V4, &brief());
    let route = near.route().unwrap();
    assert_eq!((route.interface.as_str(), route.gateway), ("lo", None));
}
