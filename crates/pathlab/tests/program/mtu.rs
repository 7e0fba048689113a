//! The longest packet that passes, to the byte, both ways: what passes is told by the receiving host's kernel, what its
//! sender learnt by the sending one's.

use std::{
    collections::BTreeSet,
    env, fs,
    net::{IpAddr, SocketAddr},
    thread,
    time::{Duration, Instant},
};

use culvert_os::{
    route,
    udp::{FlowOptions, FlowSocket, Fragmentation},
};
use serde::{Deserialize, Serialize};

use crate::lab::{Lab, quoted};

/// Encapsulation, framing, what passes at most and whether its sender is told so.
type Case = (&'static str, &'static str, Option<u16>, &'static str, u16);

/// The MTUs are 1500, or 1492 over `PPPoE` (RFC 2516 section 7), less what the tunnel puts around a packet: 20 bytes of IPv4
/// for IP in IP (RFC 2003); 52 of OpenVPN's data channel with AEAD, as captured; of ESP with AES-GCM in UDP 20 + 8 +
/// 8 + 8 + 16 and the packet with its two-byte trailer padded to 4 (RFC 4303 section 2.4, RFC 4106, RFC 3948): from
/// 1440 and 1432 bytes two are the trailer's. WireGuard's interface has 1420 (drivers/net/wireguard/device.c), also
/// where more would fit.
const CASES: [Case; 11] = [
    ("wireguard", "ethernet", None, "answer", 1420),
    ("wireguard", "pppoe", None, "answer", 1420),
    ("openvpn-udp-aead", "ethernet", None, "answer", 1448),
    ("openvpn-udp-aead", "pppoe", None, "answer", 1440),
    ("esp-gcm-udp", "ethernet", None, "answer", 1438),
    ("esp-gcm-udp", "pppoe", None, "answer", 1430),
    ("ipip", "ethernet", None, "answer", 1480),
    ("ipip", "pppoe", None, "answer", 1472),
    ("none", "ethernet", Some(1400), "answer", 1400),
    ("none", "ethernet", Some(1400), "silence", 1400),
    ("wireguard", "ethernet", Some(1280), "silence", 1280),
];

/// What one host found on one path.
#[derive(Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Seen {
    /// The lengths of the packets that arrived.
    arrived: BTreeSet<u16>,
    /// The MTU of the way back as this host knows it in the end.
    learnt: Option<u32>,
}

#[test]
fn the_longest_packet_passes_and_one_byte_more_does_not() {
    for inner in [Family::V4, Family::V6] {
        let lab = Lab::new(&config(inner));
        let this = quoted(&env::current_exe().expect("a path"));
        let role = |side: &str, other: &str| {
            let (own, other) = (quoted(&lab.file(side)), quoted(&lab.file(other)));
            format!(
                "CULVERT_SEEN={own} CULVERT_OTHER={other} CULVERT_FAMILY={} exec {this} --exact mtu::a_host --ignored \
                 --nocapture >&2",
                inner.name()
            )
        };
        if lab.run(1, &role("far", "near"), &role("near", "far"), &[]).is_none() {
            return;
        }
        for side in ["near", "far"] {
            let found: Vec<Seen> = serde_json::from_str(&lab.read(side)).expect("what was seen");
            for (seen, case) in found.iter().zip(inner.cases()) {
                let (encapsulation, _, _, too_long, mtu) = case;
                // The near end of a tunnel has the MTU of its interface, without being told.
                let learnt = match (too_long, side, encapsulation) {
                    ("answer", ..) => u32::from(mtu),
                    (_, "near", "wireguard") => 1420,
                    _ => 1500,
                };
                let expected = Seen { arrived: BTreeSet::from([mtu]), learnt: Some(learnt) };
                assert_eq!(*seen, expected, "{inner:?} {case:?} at the {side} host");
            }
            assert_eq!(found.len(), inner.cases().count());
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Family {
    V4,
    V6,
}

impl Family {
    const fn name(self) -> &'static str {
        match self {
            Self::V4 => "v4",
            Self::V6 => "v6",
        }
    }

    /// IP in IP carries IPv4 alone.
    fn cases(self) -> impl Iterator<Item = Case> {
        CASES.into_iter().filter(move |case| self == Self::V4 || case.0 != "ipip")
    }

    /// The near and the far address of a path.
    fn addresses(self, path: usize) -> [IpAddr; 2] {
        [1, 2].map(|end| {
            let text = match self {
                Self::V4 => format!("10.90.{path}.{end}"),
                Self::V6 => format!("fd90::{path}:{end}"),
            };
            text.parse().expect("an address")
        })
    }

    /// IPv4 and IPv6 headers with UDP's (RFC 791, RFC 8200, RFC 768).
    const fn headers(self) -> u16 {
        match self {
            Self::V4 => 28,
            Self::V6 => 48,
        }
    }
}

fn config(inner: Family) -> String {
    let path = |(path, case): (usize, Case)| {
        let (encapsulation, framing, longest, too_long, _) = case;
        let [near, far] = inner.addresses(path);
        let longest = longest.map(|most| format!("longest_packet = {most}\n")).unwrap_or_default();
        format!(
            "[[paths]]\nname = \"{path}\"\nnear = \"{near}\"\nfar = \"{far}\"\nencapsulation = \"{encapsulation}\"\n\
             [paths.both_ways]\nframing = \"{framing}\"\ntoo_long = \"{too_long}\"\n{longest}"
        )
    };
    inner.cases().enumerate().map(|(at, case)| path((at, case))).collect()
}

/// Sends packets of both lengths over every path for a while and notes what arrives meanwhile.
#[test]
#[ignore = "runs on both hosts of the test above"]
fn a_host() {
    let family = if env::var("CULVERT_FAMILY").unwrap() == "v4" { Family::V4 } else { Family::V6 };
    let own_file = env::var("CULVERT_SEEN").unwrap();
    let is_near = own_file.ends_with("near");
    let options = FlowOptions {
        fragmentation: Fragmentation::Probing,
        receive_timeout: Some(Duration::from_millis(1)),
        ..FlowOptions::default()
    };
    let flows: Vec<FlowSocket> = (0..family.cases().count())
        .map(|path| {
            let [near, far] = family.addresses(path).map(|one| SocketAddr::from((one, 28_460)));
            let (own, peer) = if is_near { (near, far) } else { (far, near) };
            FlowSocket::connected(own, peer, &options).unwrap()
        })
        .collect();
    let mut seen: Vec<Seen> = family.cases().map(|_| Seen::default()).collect();
    let (began, mut sent_at) = (Instant::now(), None::<Instant>);
    while began.elapsed() < Duration::from_secs(3) {
        let is_time = sent_at.is_none_or(|at| at.elapsed() > Duration::from_millis(300));
        if is_time {
            sent_at = Some(Instant::now());
        }
        for ((flow, seen), (.., mtu)) in flows.iter().zip(&mut seen).zip(family.cases()) {
            for length in [mtu, mtu + 1].into_iter().filter(|_| is_time) {
                // The other host may not listen yet, and what was too long is reported here once more.
                let _ = flow.send(&vec![0; usize::from(length - family.headers())]);
            }
            while let Ok(Some(payload)) = flow.receive(&mut [0; 2_000]) {
                seen.arrived.insert(u16::try_from(payload).unwrap() + family.headers());
            }
        }
    }
    for (flow, seen) in flows.iter().zip(&mut seen) {
        seen.learnt = route::route_to(flow.peer_address().ip(), None).unwrap().mtu;
    }
    fs::write(format!("{own_file}.part"), serde_json::to_string(&seen).unwrap()).unwrap();
    fs::rename(format!("{own_file}.part"), own_file).unwrap();
    let other = env::var("CULVERT_OTHER").unwrap();
    // The near host's end is the end of all.
    while !fs::exists(&other).unwrap() {
        assert!(began.elapsed() < Duration::from_secs(20), "the other host never told");
        thread::sleep(Duration::from_millis(20));
    }
}
