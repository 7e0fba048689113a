//! Both parts over loopback, whose own MTU of 65,536 bytes hides nothing: what is found is what was asked for.

use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::mpsc::channel;
use std::time::Instant;

use culvert_os::udp::{FlowOptions, Fragmentation, WildcardSocket};
use culvert_session::path_mtu::PathMtuVerdict;
use culvert_units::Mtu;
use culvert_wire::Secret;
use culvert_wire::datagram::DatagramKey;

use crate::signals::SocketNews;

use super::*;

const NO_ANSWER: Duration = Duration::from_secs(3);

/// Two connected sockets and their identities.
struct Ends {
    near: (FlowIdentity, FlowSocket),
    far: (FlowIdentity, FlowSocket),
}

fn ends() -> Ends {
    let options = FlowOptions {
        fragmentation: Fragmentation::Probing,
        send_timeout: Some(LOOK_UP_EVERY),
        ..FlowOptions::default()
    };
    let any = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
    let reserved = WildcardSocket::bind(any).expect("a port");
    let near = FlowSocket::dial(reserved.local_address(), &options).expect("a socket");
    let far = FlowSocket::connected(reserved.local_address(), near.local_address(), &options);
    let key = |byte| DatagramKey::new(Secret::new([byte; 16]));
    let identity =
        |send_key, receive_key| FlowIdentity { session: 7, stream: 2, send_key, receive_key };
    Ends {
        near: (identity(key(1), key(2)), near),
        far: (identity(key(2), key(1)), far.expect("a socket")),
    }
}

fn sounding(ceiling: u16) -> Sounding {
    let mtu = Mtu::new(ceiling).expect("an MTU");
    let ask = PathMtuAsk::new(Family::Ipv4, mtu).expect("a search").at_most(20, nanos(NO_ANSWER));
    let baseline = Duration::from_millis(200);
    Sounding { family: Family::Ipv4, baseline, toward_far: ask.clone(), toward_near: ask }
}

/// Runs near's part against far's, whose sized datagrams may take `budget` bytes; without one far is silent.
fn sounded(ceiling: u16, budget: Option<u64>) -> Sounded {
    let Ends { near, far } = ends();
    let switch = Arc::new(Switch::default());
    let (give, take) = channel();
    give.send(SocketNews::Use(far.1)).expect("the receiving half is here");
    let answering = budget.map(|budget| {
        let switch = Arc::clone(&switch);
        std::thread::spawn(move || answer(&far.0, &take, budget, &switch))
    });
    let sounded = sound(&near.0, &near.1, &sounding(ceiling), &Switch::default());
    switch.stop();
    if let Some(answering) = answering {
        answering.join().expect("far's part ends");
    }
    sounded
}

#[test]
fn both_ways_take_what_the_interface_does() {
    for ceiling in [1_500, 9_000, 65_000] {
        let sounded = sounded(ceiling, Some(1 << 20));
        for outcome in [sounded.toward_far, sounded.toward_near] {
            assert_eq!(outcome.verdict, PathMtuVerdict::AtCeiling, "{outcome:?}");
            assert_eq!(outcome.largest_passing, Some(ceiling));
        }
        // Ten probes in 200 ms, and the clock of one host.
        let round_trips = sounded.round_trips.expect("round trips");
        assert!(sounded.probes >= 5 && round_trips.n <= sounded.probes, "{round_trips:?}");
        let clock = sounded.clock.expect("a bound");
        assert!(clock.offset.unsigned_abs() <= clock.error_bound, "{clock:?}");
    }
}

/// A search begins with 1200 bytes (RFC 8899 5.1.2) and needs three packets of its ceiling or less to end.
#[test]
fn far_sends_no_more_than_the_budget() {
    let sounded = sounded(1_500, Some(1_300));
    assert_eq!(sounded.toward_far.verdict, PathMtuVerdict::AtCeiling);
    assert_eq!(sounded.toward_near.largest_passing, Some(1_200));
    assert_eq!(sounded.toward_near.acknowledged, 1);
    assert_eq!(sounded.toward_near.verdict, PathMtuVerdict::Unfinished);
}

#[test]
fn a_silent_peer_ends_both_searches_in_time() {
    let began = Instant::now();
    let sounded = sounded(1_500, None);
    assert!(began.elapsed() < NO_ANSWER + Duration::from_secs(3));
    assert_eq!((sounded.round_trips, sounded.clock), (None, None));
    for outcome in [sounded.toward_far, sounded.toward_near] {
        assert_eq!((outcome.verdict, outcome.largest_passing), (PathMtuVerdict::Silent, None));
    }
}

#[test]
fn only_this_datagram_is_what_a_router_quotes() {
    let header = std::array::from_fn(|index| u8::try_from(index).expect("short"));
    let whole = [&header[..], &[9; 40]].concat();
    assert!(quotes(&whole, &header) && quotes(&header[..8], &header) && quotes(&[], &header));
    for at in 0..HEADER_LEN {
        let mut forged = whole.clone();
        forged[at] ^= 1;
        assert!(!quotes(&forged, &header), "{at}");
    }
}

/// Who does not bring challenges back may be gone, and somebody else may have the address: after three of them, one a
/// second, nothing large goes there any more.
#[test]
fn nothing_is_sent_to_an_address_whose_proof_went_stale() {
    let Ends { near, far } = ends();
    let switch = Arc::new(Switch::default());
    let (give, take) = channel();
    give.send(SocketNews::Use(far.1)).expect("the receiving half is here");
    let shared = Arc::clone(&switch);
    let answering = std::thread::spawn(move || answer(&far.0, &take, 1 << 20, &shared));
    let (flow, socket) = near;
    socket.set_receive_timeout(Some(Duration::from_millis(100))).expect("a timeout");
    let sized_within = |length: Duration, first: u64| {
        let (end, mut sized) = (Instant::now() + length, 0);
        for sequence in first.. {
            if Instant::now() > end {
                break;
            }
            flow.send(&socket, sequence, SignalBody::WantSized { bytes: 1_000 });
            let mut room = [0; 2_000];
            while let Ok(Some(length)) = socket.receive(&mut room) {
                let read = flow.read(&room[..length]);
                sized +=
                    u64::from(read.is_some_and(|(header, _)| header.kind == DatagramKind::Sized));
            }
        }
        sized
    };
    assert!(sized_within(Duration::from_millis(500), 0) > 0);
    sized_within(Duration::from_secs(5), 1_000);
    assert_eq!(sized_within(Duration::from_secs(1), 2_000), 0);
    switch.stop();
    answering.join().expect("far's part ends");
}
