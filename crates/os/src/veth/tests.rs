use std::{
    net::{SocketAddr, UdpSocket},
    time::Duration,
};

use super::*;
use crate::{
    packet::{PacketRing, PacketSender},
    route,
    testing::wait_until,
};

const NEAR: &str = "10.9.8.1";
const FAR: &str = "10.9.8.2";

struct Pair {
    near: Namespace,
    far: Namespace,
}

fn address(text: &str) -> IpAddr {
    text.parse().unwrap()
}

/// Two hosts with a cable between them, as the emulated path has it, only without the path.
fn pair() -> Option<Pair> {
    let new =
        || Namespace::new().inspect_err(|error| eprintln!("skipped: needs root: {error}")).ok();
    let (near, far) = (new()?, new()?);
    let end = |name, namespace| End {
        name,
        namespace: Some(namespace),
        hardware_address: Some([2, 0, 0, 0, 0, 1]),
        mtu: 1400,
        asks_neighbours: false,
    };
    create(&end("one", &near), &end("other", &far)).unwrap();
    for (namespace, name, ours, theirs, mtu) in
        [(&near, "one", NEAR, FAR, Some(1300)), (&far, "other", FAR, NEAR, None)]
    {
        let outcome = namespace.run(|| -> io::Result<()> {
            let index = index_of(name)?;
            turn_offloads_off(name)?;
            switch_on(index)?;
            add_address(index, address(ours))?;
            add_route(index, address(theirs), address(ours), mtu)
        });
        outcome.unwrap().unwrap();
    }
    Some(Pair { near, far })
}

#[test]
fn a_cable_joins_two_hosts() {
    let Some(Pair { near, far }) = pair() else { return };
    let (interface, way) = near
        .run(|| (route::interfaces().unwrap(), route::route_to(address(FAR), None).unwrap()))
        .unwrap();
    let one = interface.iter().find(|one| one.name == "one").unwrap();
    assert_eq!((one.mtu, one.up, one.kind.as_deref()), (Some(1400), true, Some("veth")));
    assert_eq!((way.mtu, way.source, way.gateway), (Some(1300), Some(address(NEAR)), None));

    let listener = far.run(|| UdpSocket::bind((address(FAR), 0)).unwrap()).unwrap();
    listener.set_read_timeout(Some(Duration::from_millis(50))).unwrap();
    let to: SocketAddr = listener.local_addr().unwrap();
    let sender = near.run(|| UdpSocket::bind((address(NEAR), 0)).unwrap()).unwrap();
    let mut buffer = [0; 16];
    let mut heard = None;
    // The kernel lets packets out some time after both ends were switched on, when it has noticed the carrier.
    wait_until(|| {
        sender.send_to(b"through", to).unwrap();
        heard = listener.recv_from(&mut buffer).ok();
        heard.is_some()
    });
    let (length, from) = heard.unwrap();
    assert_eq!((&buffer[..length], from.ip()), (&b"through"[..], address(NEAR)));
    let counted = far.run(|| counters(index_of("other").unwrap()).unwrap()).unwrap();
    assert!(counted.received >= 1 && counted.receive_dropped == 0, "{counted:?}");
}

#[test]
fn refusals_are_told() {
    let Some(Pair { near, .. }) = pair() else { return };
    near.run(|| {
        assert_eq!(index_of("two").unwrap_err().raw_os_error(), Some(libc::ENODEV));
        assert!(add_address(index_of("one").unwrap(), address(NEAR)).is_err());
        assert!(switch_on(4_000_000).is_err());
        assert!(counters(4_000_000).is_err());
        assert!(turn_offloads_off("a-name-that-is-too-long").is_err());
    })
    .unwrap();
}

/// A frame sent from a packet socket arrives in a ring whole, in order, stamped and counted; a full ring drops.
#[test]
fn frames_go_from_sender_to_ring() {
    let Some(Pair { near, far }) = pair() else { return };
    let mut ring =
        far.run(|| PacketRing::open(index_of("other").unwrap(), 16, 1514).unwrap()).unwrap();
    let mut sender = near.run(|| PacketSender::open(index_of("one").unwrap()).unwrap()).unwrap();
    // EtherType 0x88b5 is set aside for local experiments (IEEE 802).
    let frame = |n: u8, length: usize| {
        let mut frame = vec![2, 0, 0, 0, 0, 1, 2, 0, 0, 0, 0, 1, 0x88, 0xb5];
        frame.resize(length, n);
        frame
    };
    let frames: Vec<_> = (0..10).map(|n| frame(n, 60 + usize::from(n) * 100)).collect();
    let slices: Vec<_> = frames.iter().map(|frame| io::IoSlice::new(frame)).collect();
    let before = crate::clock::realtime_ns();
    assert_eq!(sender.send(&slices).sent, 10);
    let mut found = Vec::new();
    for _ in 0..100 {
        ring.wait(crate::clock::monotonic_ns() + 50_000_000).unwrap();
        ring.receive(64, |captured| {
            // The kernel's own chatter, such as IPv6 router solicitations, is there as well.
            if captured.frame[12..14] == [0x88, 0xb5] {
                assert!(!captured.truncated);
                let at = captured.received_at_realtime_ns;
                assert!(at >= before && at <= crate::clock::realtime_ns());
                found.push(captured.frame.to_vec());
            }
        });
        if found.len() >= 10 {
            break;
        }
    }
    assert_eq!(found, frames);
    assert_eq!(ring.dropped().unwrap(), 0);
    for _ in 0..10 {
        assert_eq!(sender.send(&slices).sent, 10);
    }
    let slots = ring.receive(1_000, |_| {}) as u64;
    assert!(slots >= 16, "{slots}");
    // Whatever else arrived in between is counted the same way.
    assert!(ring.dropped().unwrap() >= 100 - slots);
    let too_long = frame(0, 1400 + 14 + 1);
    assert!(sender.send(&[io::IoSlice::new(&too_long)]).stopped.is_some());
}
