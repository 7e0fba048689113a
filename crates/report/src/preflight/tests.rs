//! Sentences for hand-made facts.

use culvert_pathmodel::Family;
use culvert_session::path_mtu::{Above, PathMtuOutcome, PathMtuVerdict};

use PathMtuVerdict::{AtCeiling, Exact, Silent, Unfinished, Unstable};

use super::*;

fn outcome(verdict: PathMtuVerdict, passing: Option<u16>, above: Above) -> PathMtuOutcome {
    PathMtuOutcome {
        verdict,
        largest_passing: passing,
        smallest_failing: passing.map(|size| size + 1),
        above,
        probes: 9,
        acknowledged: 5,
        lost: 4,
        contradictions: 0,
        hints_rejected: 0,
        restarts: 0,
        elapsed_ns: 1,
    }
}

fn address(text: &str) -> IpAddr {
    text.parse().expect("an address")
}

/// A host behind a NAT that has reached a forwarded port.
fn reached() -> Preflight {
    let mut facts = Preflight::of("gateway.example".to_owned(), 28_460);
    facts.dialled = Some(address("203.0.113.7"));
    facts.family = Some(Family::Ipv4);
    facts.tcp_reached = Some(true);
    let end = |own: &str, seen: &str| EndFacts {
        address: Some(address(own)),
        seen_from: Some(address(seen)),
        interface_mtu: Some(1_500),
        ..EndFacts::default()
    };
    facts.near = end("192.168.1.20", "198.51.100.4");
    facts.far = end("192.168.77.10", "203.0.113.7");
    facts
}

fn codes(facts: &Preflight) -> Vec<&'static str> {
    remarks(facts).iter().map(|remark| remark.code).collect()
}

#[test]
fn a_forwarded_port_behind_a_nat() {
    let mut facts = reached();
    assert_eq!(codes(&facts), ["nat", "forwarded"]);
    facts.near.seen_from = facts.near.address;
    assert_eq!(codes(&facts), ["no_nat", "forwarded"]);
}

/// RFC 6598 section 7: 100.64.0.0/10, which ends at 100.127.255.255.
#[test]
fn carrier_grade_addresses() {
    for (text, is) in [
        ("100.63.255.255", false),
        ("100.64.0.0", true),
        ("100.127.255.255", true),
        ("100.128.0.0", false),
        ("101.64.0.1", false),
        ("2001:db8::6440", false),
    ] {
        assert_eq!(remarks::is_carrier_grade(address(text)), is, "{text}");
    }
    let mut facts = reached();
    facts.near.seen_from = Some(address("100.70.1.1"));
    assert_eq!(codes(&facts), ["nat", "carrier_grade_nat", "forwarded"]);
}

#[test]
fn one_network_or_two_with_the_same_addresses() {
    let mut facts = reached();
    facts.far_is_on_own_link = Some(true);
    facts.seen_from_is_on_far_link = Some(false);
    assert!(codes(&facts).contains(&"same_addresses"));
    // The gateway answers for the near end from its address in their common network.
    facts.seen_from_is_on_far_link = Some(true);
    assert!(codes(&facts).contains(&"hairpin"));
}

#[test]
fn why_nothing_answers() {
    let mut facts = reached();
    facts.far = EndFacts::default();
    facts.near.seen_from = None;
    facts.tcp_reached = Some(false);
    assert_eq!(codes(&facts), Vec::<&str>::new());
    facts.dialled_is_own_gateway = Some(true);
    assert_eq!(codes(&facts), ["hairpin"]);
    facts.dialled_is_own_gateway = Some(false);
    facts.dialled = Some(address("192.168.77.10"));
    facts.near.gateway = Some(address("192.168.1.1"));
    assert_eq!(codes(&facts), ["private_address"]);
}

/// What passes, what a router says, and TCP's segments: 40 bytes less than a packet (RFC 9293 3.7.1).
#[test]
fn black_hole_answer_and_clamp_are_told_apart() {
    let of = |verdict, passing, above, mss| {
        let mut facts = reached();
        facts.toward_far =
            WayFacts { path_mtu: Some(outcome(verdict, passing, above)), tcp_mss: mss };
        let codes = codes(&facts);
        codes[2..].to_vec()
    };
    let answered = Above::Answered { mtu: 1_412 };
    assert_eq!(
        of(AtCeiling, Some(1_500), Above::Unknown, Some(1_460)),
        ["path_mtu_at_interface", "mss_fits"]
    );
    assert_eq!(of(Exact, Some(1_412), Above::Vanish, Some(1_460)), ["black_hole", "mss_too_large"]);
    assert_eq!(of(Exact, Some(1_412), Above::Vanish, Some(1_372)), ["black_hole", "mss_clamped"]);
    assert_eq!(
        of(Exact, Some(1_412), answered, Some(1_460)),
        ["path_mtu_answered", "mss_too_large"]
    );
    assert_eq!(of(Exact, Some(1_412), answered, Some(1_372)), ["path_mtu_answered", "mss_fits"]);
    assert_eq!(of(Exact, Some(1_412), Above::RefusedHere, None), ["path_mtu_refused_by_host"]);
    // A part of a search says nothing of segments or of the model.
    assert_eq!(of(Unfinished, Some(1_412), Above::Vanish, Some(1_460)), ["path_mtu_unfinished"]);
    assert_eq!(of(Unstable, Some(1_412), Above::Vanish, Some(1_460)), ["path_mtu_unstable"]);
    assert_eq!(of(Silent, None, Above::Unknown, Some(1_460)), ["path_mtu_silent"]);
}

/// `WireGuard` adds 60 bytes over IPv4 (20 + 8 + 32), so 1440 fit 1500; its interface customarily has 1420.
#[test]
fn fragments_below_the_tunnel_follow_from_the_model() {
    let of = |passing| {
        let mut facts = reached();
        facts.model = Some(ModelFacts {
            encapsulation: "wireguard".to_owned(),
            underlay_mtu: 1_500,
            largest_inner: Some(1_440),
            tunnel_mtu: Some(1_420),
            tcp_mss: Some(1_380),
        });
        let found = outcome(AtCeiling, Some(passing), Above::Unknown);
        facts.toward_near = WayFacts { path_mtu: Some(found), tcp_mss: None };
        codes(&facts).last().copied()
    };
    assert_eq!(of(1_420), Some("as_modelled"));
    assert_eq!(of(1_412), Some("not_as_modelled"));
    assert_eq!(of(1_440), Some("not_as_modelled"));
    assert_eq!(of(1_500), Some("outer_fragmentation"));
}

#[test]
fn addresses_inside() {
    let of = |found, leaves_as_dialled| {
        let mut facts = reached();
        facts.inside = Some(vec![InsideFacts {
            address: address("192.168.77.10"),
            found,
            interface: Some("tunnel".to_owned()),
            interface_kind: None,
            leaves_as_dialled: Some(leaves_as_dialled),
        }]);
        codes(&facts)[2..].to_vec()
    };
    assert_eq!(of(Inside::SameListener, false), ["inside_found"]);
    assert_eq!(of(Inside::SameListener, true), ["inside_by_the_same_way", "inside_none"]);
    assert_eq!(of(Inside::InOwnNetwork, true), ["inside_in_own_network", "inside_none"]);
    assert_eq!(of(Inside::SomebodyElse, false), ["inside_somebody_else", "inside_none"]);
    assert_eq!(of(Inside::NotReached, false), ["inside_not_reached", "inside_none"]);
}

/// Nothing that is missing looks like a figure.
#[test]
fn the_text_says_what_is_not_known() {
    let mut facts = Preflight::of("gateway.example".to_owned(), 28_460);
    let text = preflight_text(&facts);
    assert!(text.contains("incomplete") && text.matches("not known").count() >= 8, "{text}");
    let found = outcome(Unfinished, Some(1_412), Above::Vanish);
    facts.toward_far.path_mtu = Some(found);
    let text = preflight_text(&facts);
    assert!(text.contains("not known: 1412 bytes passed, less than 1413"), "{text}");
}
