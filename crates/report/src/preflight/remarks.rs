//! What follows from the facts of a path, each in a sentence of its own.

use std::net::IpAddr;

use culvert_session::path_mtu::{Above, PathMtuVerdict, tcp_mss};
use serde::Serialize;

use super::{Inside, InsideFacts, Preflight, WayFacts};

/// Something a practitioner should know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Remark {
    /// A stable word for it.
    pub code: &'static str,
    /// A sentence fragment with its values.
    pub sentence: String,
    /// What to try; `None` when there is nothing to.
    pub hint: Option<&'static str>,
}

/// What follows from the facts.
pub fn remarks(facts: &Preflight) -> Vec<Remark> {
    let mut all = addresses(facts);
    all.extend(way(facts, "toward far", &facts.toward_far, facts.near.interface_mtu));
    all.extend(way(facts, "toward near", &facts.toward_near, facts.far.interface_mtu));
    all.extend(inside(facts));
    all
}

fn remark(code: &'static str, sentence: String, hint: Option<&'static str>) -> Remark {
    Remark { code, sentence, hint }
}

/// 100.64.0.0/10, shared by the customers of one provider (RFC 6598).
pub(crate) fn is_carrier_grade(address: IpAddr) -> bool {
    matches!(address, IpAddr::V4(v4) if v4.octets()[0] == 100 && v4.octets()[1] & 0xc0 == 64)
}

/// Addresses that no router of the internet knows (RFC 1918, RFC 4193).
fn is_private(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(address) => address.is_private(),
        IpAddr::V6(address) => address.is_unique_local(),
    }
}

fn addresses(facts: &Preflight) -> Vec<Remark> {
    let mut all = Vec::new();
    let (near, far) = (&facts.near, &facts.far);
    if let (Some(own), Some(seen)) = (near.address, near.seen_from) {
        all.push(if own == seen {
            remark("no_nat", format!("no NAT at this end: the listener sees {seen} itself"), None)
        } else {
            let sentence = format!(
                "NAT at this end: the listener sees {seen}, this host's own address is {own}"
            );
            remark("nat", sentence, None)
        });
    }
    let shared = [near.seen_from, near.address, facts.dialled].into_iter().flatten();
    if let Some(address) = shared.into_iter().find(|address| is_carrier_grade(*address)) {
        all.push(remark(
            "carrier_grade_nat",
            format!("{address} is an address of carrier-grade NAT (RFC 6598): several customers share a public one"),
            Some("no port can be forwarded through it from outside; ask the provider for a public address, or use IPv6"),
        ));
    }
    let (Some(dialled), Some(address)) = (facts.dialled, far.address) else {
        all.extend(unreached(facts));
        return all;
    };
    if dialled != address && !facts.far_addresses.contains(&dialled) {
        let sentence = format!(
            "the port is forwarded: {dialled} was dialled, the listener's own address is {address}"
        );
        all.push(remark("forwarded", sentence, None));
        if facts.far_is_on_own_link == Some(true) {
            all.push(same_network(facts, dialled, address));
        }
    }
    all
}

fn same_network(facts: &Preflight, dialled: IpAddr, address: IpAddr) -> Remark {
    if facts.seen_from_is_on_far_link == Some(true) {
        remark(
            "hairpin",
            format!(
                "hairpin: both hosts are in one network, and {dialled} leads through its gateway and back to {address}"
            ),
            Some(
                "this measures the gateway, not the line: run culvert from a host outside of that network",
            ),
        )
    } else {
        remark(
            "same_addresses",
            format!(
                "both networks use the same addresses: {address} lies in this end's own network, too"
            ),
            Some("packets to it never enter a tunnel: renumber one of the two networks"),
        )
    }
}

fn unreached(facts: &Preflight) -> Option<Remark> {
    let dialled = facts.dialled.filter(|_| facts.tcp_reached == Some(false))?;
    if facts.dialled_is_own_gateway == Some(true) {
        return Some(remark(
            "hairpin",
            format!(
                "hairpin: {dialled} is this network's own gateway, and it does not lead back in by the forwarded port"
            ),
            Some(
                "run culvert from a host outside of that network, or dial the listener's own address",
            ),
        ));
    }
    let through_router = is_private(dialled) && facts.near.gateway.is_some();
    through_router.then(|| {
        remark(
            "private_address",
            format!("{dialled} is a private address, which the internet does not carry"),
            Some("bring the tunnel up if the address lies inside one, else dial the gateway's public address"),
        )
    })
}

fn way(facts: &Preflight, name: &str, way: &WayFacts, interface: Option<u32>) -> Vec<Remark> {
    let mut all = Vec::new();
    let Some(outcome) = way.path_mtu else { return all };
    let passing = outcome.largest_passing;
    let size = passing.map_or_else(|| "no size".to_owned(), |bytes| format!("{bytes} bytes"));
    all.push(match (outcome.verdict, outcome.above) {
        (PathMtuVerdict::AtCeiling, _) => {
            let sentence = format!("{name} the path takes all the interface does: {size}");
            remark("path_mtu_at_interface", sentence, None)
        }
        (PathMtuVerdict::Exact, Above::Vanish | Above::Unknown) => remark(
            "black_hole",
            format!("{name} {size} pass, larger packets vanish and nobody says so: a black hole"),
            Some("lower the tunnel's MTU or clamp the MSS to what passes: whoever waits for a router's word stalls"),
        ),
        (PathMtuVerdict::Exact, Above::Answered { mtu }) => {
            let sentence =
                format!("{name} {size} pass; a router answers that larger ones are too big, and names {mtu}");
            remark("path_mtu_answered", sentence, None)
        }
        (PathMtuVerdict::Exact, Above::RefusedHere) => {
            let sentence = format!("{name} {size} pass; the transmitting host refuses larger ones itself");
            remark("path_mtu_refused_by_host", sentence, None)
        }
        (PathMtuVerdict::Unfinished, _) => remark(
            "path_mtu_unfinished",
            format!("{name} the search did not end: at least {size} passed, which is no path MTU"),
            Some("run it again; on a lossy path it takes longer"),
        ),
        (PathMtuVerdict::Unstable, _) => remark(
            "path_mtu_unstable",
            format!("{name} what had passed stopped passing: the path changed or died during the search"),
            Some("see that the tunnel stays up, then run it again"),
        ),
        (PathMtuVerdict::Silent, _) => remark(
            "path_mtu_silent",
            format!("{name} no probe of any size was answered"),
            Some("datagrams pass one way alone, or the path died: run it again"),
        ),
    });
    let certain = matches!(outcome.verdict, PathMtuVerdict::Exact | PathMtuVerdict::AtCeiling);
    if let Some(passing) = passing.filter(|_| certain) {
        all.extend(against_model(facts, name, passing));
        all.extend(segments(facts, name, way, passing, interface));
    }
    all
}

fn against_model(facts: &Preflight, name: &str, passing: u16) -> Option<Remark> {
    let model = facts.model.as_ref()?;
    let (largest, tunnel) = (model.largest_inner?, model.tunnel_mtu?);
    let key = &model.encapsulation;
    Some(if passing > largest {
        remark(
            "outer_fragmentation",
            format!(
                "{name} {passing} bytes pass, but {key} over {} bytes carries {largest} in one piece: the tunnel's outer \
                 packets are fragmented",
                model.underlay_mtu
            ),
            Some("lower the tunnel's MTU, or correct --underlay-mtu"),
        )
    } else if passing == tunnel {
        remark(
            "as_modelled",
            format!("{name} {passing} bytes are what {key} has by the model"),
            None,
        )
    } else {
        remark(
            "not_as_modelled",
            format!("{name} {passing} bytes pass, the model has {tunnel} for {key}"),
            Some("check the MTU set on the tunnel's interfaces, and --encapsulation"),
        )
    })
}

/// Linux sends no segment of more than half of the largest window it saw, and begins below 64 KiB (RFC 7323 section 2.2):
/// above this a smaller segment says nothing of the path.
const HALF_WINDOW: u16 = 32_000;

/// The receiver's SYN names what its interface takes; less arrives only where something on the path has changed it.
fn segments(
    facts: &Preflight,
    name: &str,
    way: &WayFacts,
    passing: u16,
    transmitter_mtu: Option<u32>,
) -> Option<Remark> {
    let (family, seen) = (facts.family?, way.tcp_mss?);
    let ends = [transmitter_mtu?, facts.near.interface_mtu?, facts.far.interface_mtu?];
    let least = ends.into_iter().min()?;
    let named = tcp_mss(family, u16::try_from(least).unwrap_or(u16::MAX))?;
    let fits = tcp_mss(family, passing)?;
    // Its host may have learnt the path's MTU from an earlier connection.
    let told_by_router = seen == fits
        && way.path_mtu.is_some_and(|outcome| matches!(outcome.above, Above::Answered { .. }));
    Some(if seen > fits {
        remark(
            "mss_too_large",
            format!("{name} TCP begins with segments of {seen} bytes, {fits} pass"),
            Some("clamp the MSS on the gateway: without a router's word large transfers stall"),
        )
    } else if seen < named.min(HALF_WINDOW) && !told_by_router {
        remark(
            "mss_clamped",
            format!(
                "{name} the MSS is clamped on the way: {seen} bytes arrived, the interfaces allow {named}; {fits} pass"
            ),
            None,
        )
    } else {
        remark("mss_fits", format!("{name} TCP's segments of {seen} bytes pass"), None)
    })
}

fn inside(facts: &Preflight) -> Vec<Remark> {
    let tried = facts.inside.iter().flatten();
    let mut all: Vec<Remark> = tried
        .map(|one| {
            let address = one.address;
            let by = one.interface.as_ref().map_or_else(String::new, |name| format!(" by {name}"));
            match one.found {
                Inside::SameListener if one.leaves_as_dialled == Some(true) => remark(
                    "inside_by_the_same_way",
                    format!(
                        "{address} is the same listener, proven by its key, but packets to it leave as those to what was \
                         dialled do{by}"
                    ),
                    Some("that is no tunnel, unless a policy of IPsec takes them: compare the path MTU, or capture"),
                ),
                Inside::SameListener => {
                    let sentence = format!("{address} is the same listener, proven by its key{by}");
                    remark("inside_found", sentence, None)
                }
                Inside::Dialled => {
                    remark("inside_dialled", format!("{address} is what was dialled{by}"), None)
                }
                Inside::InOwnNetwork => remark(
                    "inside_in_own_network",
                    format!("{address} lies in this end's own network{by}: packets to it never enter a tunnel"),
                    Some("renumber one of the two networks"),
                ),
                Inside::SomebodyElse => remark(
                    "inside_somebody_else",
                    format!("at {address} somebody else answers{by}"),
                    Some("this end's network, or another tunnel, has the same addresses"),
                ),
                Inside::NotReached => {
                    remark("inside_not_reached", format!("{address} is not reached{by}"), None)
                }
            }
        })
        .collect();
    let through_tunnel = |one: &InsideFacts| {
        one.found == Inside::SameListener && one.leaves_as_dialled != Some(true)
    };
    if facts.inside.as_ref().is_some_and(|tried| !tried.iter().any(through_tunnel)) {
        all.push(remark(
            "inside_none",
            "none of the listener's addresses is reached through a tunnel".to_owned(),
            Some("bring the tunnel up, and see that its routes cover the listener's network"),
        ));
    }
    all
}
