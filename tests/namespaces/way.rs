//! Whether an inside run went through its tunnel.

use std::fs;

use culvert_record::{Place, RunRecord, VoidReason};

use crate::lab::{Lab, void};

const SESSION: [&str; 6] = ["--toward", "far", "--for", "1s", "--settle", "200ms"];

#[test]
fn an_inside_run_that_stayed_outside_is_void() {
    let Some(lab) = Lab::build("way-outside") else { return };
    reach_inside_without_tunnel(&lab);
    let ledger = lab.scratch("ledger.jsonl");
    let ledger = ledger.to_str().expect("a name");
    let bulk = |target: &str, place: &str| {
        let place = ["--place", place, "--ledger", ledger, "--json"];
        lab.measure(&[&["bulk", target][..], &SESSION[..], &place[..]].concat())
    };
    let outside = bulk(lab.outside(), "outside");
    assert_eq!(outside.status, Some(0), "{}", outside.stderr);
    let inside = bulk(lab.inside(), "inside");
    assert_eq!(inside.status, Some(1), "{}", inside.stderr);
    assert_stayed_outside(&inside.record());
    // Void runs are kept.
    assert_eq!(lab.ledger("ledger.jsonl").runs.len(), 2);
}

#[test]
fn a_survey_whose_tunnel_is_not_there_is_void() {
    let Some(lab) = Lab::build("way-survey-no") else { return };
    reach_inside_without_tunnel(&lab);
    let plan = plan(&lab, "is_up = \"true\"");
    let ran = lab.measure(&["survey", &plan, "--json"]);
    assert_eq!(ran.status, Some(1), "{}", ran.stderr);
    let runs = lab.ledger("plan.jsonl").runs;
    assert_eq!(runs.len(), 2);
    for run in &runs {
        match run.path.place {
            Some(Place::Inside) => assert_stayed_outside(run),
            _ => assert_eq!(run.void, None),
        }
    }
}

#[test]
fn a_survey_through_the_tunnel_counts() {
    let Some(lab) = Lab::build("way-survey") else { return };
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/scripts/lab");
    let commands = format!(
        "bring_up = \"{script} wireguard-up\"\ntake_down = \"{script} wireguard-down\"\n\
         is_up = \"{script} wireguard-is-up\""
    );
    let plan = plan(&lab, &commands);
    let ran = lab.measure(&["survey", &plan, "--json"]);
    assert_eq!(ran.status, Some(0), "{}", ran.stderr);
    let runs = lab.ledger("plan.jsonl").runs;
    let [outside, inside] = [Place::Outside, Place::Inside].map(|place| {
        let run = runs.iter().find(|run| run.path.place == Some(place));
        let run = run.unwrap_or_else(|| panic!("no {place:?} run"));
        assert_eq!(run.void, None);
        run.ends.near.as_ref().expect("the near end")
    });
    assert_eq!(outside.interface.as_deref(), Some("line0"));
    assert_ne!(outside.interface, inside.interface);
    assert_ne!(outside.seen_from, inside.seen_from);
    // The tunnel's own address, as scripts/lab gives it.
    assert_eq!(inside.address.as_deref(), Some("10.99.0.2"));
    assert_eq!(inside.seen_from.as_deref(), Some("10.99.0.2"));
    assert_eq!(inside.interface_mtu, Some(1420));
    // The plan's last word: the tunnel is down again.
    let links = lab.run("cabin", "ip", &["-brief", "link"]);
    assert!(!links.contains(inside.interface.as_deref().expect("an interface")), "{links}");
    // The same command has nothing left to do.
    let again = lab.measure(&["survey", &plan, "--json"]);
    assert_eq!(again.status, Some(0), "{}", again.stderr);
    assert_eq!(lab.ledger("plan.jsonl").runs.len(), runs.len());
}

fn assert_stayed_outside(run: &RunRecord) {
    let reason = void(run);
    let VoidReason::SameWayAsOutside { address, interface, seen_from } = reason else {
        panic!("{reason:?}");
    };
    assert_eq!(
        (&*address, &*interface, &*seen_from),
        ("10.81.1.2", "line0", "10.81.1.2"),
        "the cabin's own address, unchanged on the way"
    );
}

/// The workshop's own address answers although there is no tunnel: the WAN knows the way, and the gateway forwards.
fn reach_inside_without_tunnel(lab: &Lab) {
    lab.run("wan", "ip", &["route", "add", "192.168.77.0/24", "via", "10.81.2.2"]);
}

fn plan(lab: &Lab, inside: &str) -> String {
    let text = format!(
        r#"
name = "short"
rounds = 1

[[paths]]
name = "forwarded port"
place = "outside"
target = "{}"
encapsulation = "none"

[[paths]]
name = "wireguard"
place = "inside"
target = "{}"
encapsulation = "wireguard"
mtu = 1420
{inside}

[[sessions]]
kind = "bulk"
toward = "near"
for = "1s"
settle = "200ms"
"#,
        lab.outside(),
        lab.inside()
    );
    let path = lab.scratch("plan.toml");
    fs::write(&path, text).expect("the plan can be written");
    path.to_str().expect("a name").to_owned()
}
