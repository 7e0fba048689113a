//! The length of each outer packet, both ways, against the model, to the byte.
//!
//! The probe is a ping: 20 bytes of IPv4 header and 8 of ICMP around what `-s` says (ping(8), RFC 792), not to be split
//! before the tunnel; the answer has the same length (RFC 792: the data of the echo are returned).

use std::collections::BTreeSet;
use std::path::Path;

use super::capture::{Capture, Outer};
use super::facts::Facts;
use crate::lab::Lab;

/// What was found.
pub(super) struct Lengths {
    /// How many lengths, each both ways.
    pub(super) checked: usize,
    /// The longest inner packet that left in one, and its outer one.
    pub(super) longest: (u16, u32),
}

/// Sends packets of known lengths through the tunnel and compares.
pub(super) fn check(lab: &Lab, facts: &Facts, folder: &Path) -> Lengths {
    if facts.inside {
        assert_longest_agrees(facts);
    }
    lab.does("tunnel-up", &[&facts.key]);
    let inner = inner_lengths(facts);
    let sent = send(lab, facts, folder, &inner);
    for (way, seen) in ["far", "near"].into_iter().zip(&sent) {
        for (inner, outer) in repeated(facts, &inner).zip(seen) {
            let expected = facts.outer_lengths(inner, outer.acknowledges);
            assert!(
                expected.contains(&outer.length),
                "{} toward {way}: {inner} bytes became {outer:?}, the model says {expected:?}",
                facts.key
            );
        }
    }
    if facts.may_acknowledge() {
        assert_both_kinds(facts, &inner, &sent);
    }
    lab.does("tunnel-down", &[&facts.key]);
    Lengths {
        checked: inner.len(),
        longest: (facts.longest, facts.outer_lengths(facts.longest, None)[0]),
    }
}

/// Sends a packet of each length and an answer to it, and gives what passed toward far and toward near: one packet for
/// each. An answer to a ping that asked before whether the tunnel is up may come late; then all is sent again.
fn send(lab: &Lab, facts: &Facts, folder: &Path, inner: &[u16]) -> [Vec<Outer>; 2] {
    let mut passed = Vec::new();
    for _ in 0..3 {
        let captures = [("far", "cabin0"), ("near", "gateway0")].map(|(way, device)| {
            Capture::start(lab, device, &facts.filter, &folder.join(format!("toward-{way}.pcap")))
        });
        for length in inner {
            let data = (length - 28).to_string();
            let times = facts.repeats().to_string();
            let probe =
                ["-q", "-n", "-c", &times, "-l", &times, "-W5", "-Mdo", "-s", &data, &facts.target];
            lab.run("cabin", "ping", &probe);
        }
        let seen = captures.map(Capture::finish);
        if seen.iter().all(|way| way.len() == repeated(facts, inner).count()) {
            return seen;
        }
        passed.push(seen);
    }
    panic!("{}: not one packet for each of {inner:?}: {passed:?}", facts.key);
}

fn repeated(facts: &Facts, inner: &[u16]) -> impl Iterator<Item = u16> {
    inner.iter().flat_map(|inner| std::iter::repeat_n(*inner, facts.repeats()))
}

/// A packet may be longer by the acknowledgement of another: enough went with one and without, each of its own length.
fn assert_both_kinds(facts: &Facts, inner: &[u16], sent: &[Vec<Outer>; 2]) {
    for kind in [false, true] {
        let of_kind = sent.iter().flat_map(|way| repeated(facts, inner).zip(way));
        let lengths: BTreeSet<_> = of_kind
            .filter(|(_, outer)| outer.acknowledges == Some(kind))
            .map(|(inner, _)| inner)
            .collect();
        assert!(lengths.len() >= 12, "{}: acknowledging {kind}: only {lengths:?}", facts.key);
    }
}

/// Every place in an alignment of 16 among short and among long packets, the shortest, some between; and where the
/// tunnel takes longer packets than leave in one, the first such.
fn inner_lengths(facts: &Facts) -> Vec<u16> {
    let longest = facts.longest;
    let one_more = (longest < facts.mtu.get() && !is_stream(facts)).then_some(longest + 1);
    let between = [28, 200, 576, 1023, 1280];
    between.into_iter().chain(84..100).chain(longest - 15..=longest).chain(one_more).collect()
}

/// What was seen on the wire and written in the tunnel's file is what the model says fits.
fn assert_longest_agrees(facts: &Facts) {
    use culvert_pathmodel::Family::Ipv4;
    use culvert_units::Mtu;
    if is_stream(facts) {
        return;
    }
    let fits = |encapsulation: &culvert_pathmodel::Encapsulation| {
        let fits = encapsulation.largest_inner_within(Mtu::ETHERNET, Ipv4, facts.mtu);
        fits.expect("room for a packet").get()
    };
    assert!(facts.encapsulations.iter().any(|each| fits(each) == facts.longest), "{}", facts.key);
}

fn is_stream(facts: &Facts) -> bool {
    facts.encapsulations.iter().any(|encapsulation| encapsulation.is_stream())
}
