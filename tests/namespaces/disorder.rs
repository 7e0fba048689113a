//! Copies, disorder and changed ports: what the result says is what was done on the way.

use culvert_record::Caveat;

use crate::lab::{Lab, caveats, counts, void};
use crate::relay::{Account, Relay, Rules, TARGET};

/// 8 Mbit/s of 1000 bytes are 1000 datagrams a second, for 1 s of settling and 3 s of plateau: 4000 are sent.
const PACED: [&str; 6] = ["--pace", "8Mbit/s", "--payload", "1000", "--for", "3s"];

#[test]
fn copies_toward_far() {
    copies("copies-far", "LAB_OUTSIDE", "far");
}

#[test]
fn copies_toward_near() {
    copies("copies-near", "LAB_OUTSIDE", "near");
}

#[test]
fn copies_over_ipv6() {
    copies("copies-six", "LAB_OUTSIDE_IPV6", "far");
}

fn copies(test: &str, target: &str, toward: &str) {
    let Some(lab) = Lab::build(test) else { return };
    let target = lab.fact(target);
    if target.is_empty() {
        eprintln!("SKIPPED: {test} needs IPv6");
        return;
    }
    let way = format!("toward-{toward}");
    lab.does("copy-one-in", &["10", &way, "500"]);
    let record = lab.record(&[&["paced", target, "--toward", toward][..], &PACED[..]].concat());
    let copied: u64 = lab.does("copy-count", &[&way]).trim().parse().expect("a count");
    let loaded = if toward == "far" { &record.toward_far } else { &record.toward_near };
    let found = counts(loaded.as_ref());
    assert_eq!(copied, found.sent / 10);
    assert_eq!((found.duplicates, found.lost, found.reordered), (copied, 0, 0), "{found:?}");
}

#[test]
fn disorder_toward_far() {
    disturbed("disorder-far", "far", Rules { hold_each: 20, hold_for: 3, ..Rules::default() });
}

#[test]
fn disorder_toward_near() {
    disturbed("disorder-near", "near", Rules { hold_each: 20, hold_for: 3, ..Rules::default() });
}

#[test]
fn losses_copies_and_disorder_together() {
    // The numbers share no factor, so every combination of the three occurs.
    let rules =
        Rules { drop_each: 11, copy_each: 7, hold_each: 4, hold_for: 9, ..Rules::default() };
    disturbed("everything-far", "far", rules);
}

fn disturbed(test: &str, toward: &str, rules: Rules) {
    let Some(lab) = Lab::build(test) else { return };
    let relay = Relay::start(&lab, rules);
    let record = lab.record(&[&["paced", TARGET, "--toward", toward][..], &PACED[..]].concat());
    let (far, near) = relay.finish();
    let (account, loaded): (&Account, _) =
        if toward == "far" { (&far, &record.toward_far) } else { (&near, &record.toward_near) };
    let found = counts(loaded.as_ref());
    assert!(account.reordered() > 100, "the relay reordered {}", account.reordered());
    assert_eq!(
        (found.sent, found.lost, found.reordered, found.duplicates),
        (account.arrived.len() as u64, account.dropped(), account.reordered(), account.copies()),
        "{found:?}"
    );
    assert_eq!(found.host_dropped, 0);
    let ratio = loaded.as_ref().and_then(|way| way.reordered_ratio).expect("a ratio");
    assert!((ratio - account.reordered() as f64 / found.received as f64).abs() < 1e-12);
}

#[test]
fn a_changed_port_is_followed_toward_far() {
    changed_port("port-far", "far");
}

#[test]
fn a_changed_port_is_followed_toward_near() {
    changed_port("port-near", "near");
}

fn changed_port(test: &str, toward: &str) {
    let Some(lab) = Lab::build(test) else { return };
    let relay =
        Relay::start(&lab, Rules { forget_each: 1_500, forget_times: 1, ..Rules::default() });
    let record = lab.record(&[&["paced", TARGET, "--toward", toward][..], &PACED[..]].concat());
    drop(relay);
    assert!(caveats(&record).contains(&Caveat::PortChanged { times: 1 }), "{:?}", record.caveats);
    let loaded = if toward == "far" { &record.toward_far } else { &record.toward_near };
    let found = counts(loaded.as_ref());
    // Until the new port is proven, which takes a challenge a second at the latest, datagrams are lost.
    assert!(found.lost > 0 && found.lost < 1_500, "{found:?}");
    assert_eq!((found.reordered, found.duplicates), (0, 0), "{found:?}");
}

#[test]
fn three_changed_ports_are_followed_and_no_more() {
    let Some(lab) = Lab::build("ports") else { return };
    let relay = Relay::start(&lab, Rules { forget_each: 800, forget_times: 4, ..Rules::default() });
    let ran =
        lab.measure(
            &[&[
                "paced",
                TARGET,
                "--pace",
                "8Mbit/s",
                "--payload",
                "1000",
                "--for",
                "6s",
                "--json",
            ][..]]
            .concat(),
        );
    drop(relay);
    assert_eq!(ran.status, Some(1), "{}", ran.stderr);
    let record = ran.record();
    assert!(caveats(&record).contains(&Caveat::PortChanged { times: 3 }), "{:?}", record.caveats);
    assert_eq!(void(&record).to_finding().code, "ended_early");
}
