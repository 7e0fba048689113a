//! What becomes of a session when its listener or its path dies while data flows.

use std::time::{Duration, Instant};

use culvert_record::VoidReason;

use crate::lab::{Lab, Ran, finish, signal, until, void};

/// What either end may still take once the other is gone.
const BOUND: Duration = Duration::from_secs(5);
/// By then data flows: connecting, proving the address and half a second of baseline come first.
const FLOWING: Duration = Duration::from_secs(3);

const LONG: [&str; 4] = ["--for", "20s", "--settle", "1s"];
const LOADS: [&[&str]; 2] = [&["bulk"], &["paced", "--pace", "8Mbit/s"]];

#[test]
fn the_listener_is_killed() {
    let Some(mut lab) = Lab::build("listener-dies") else { return };
    for (number, load) in LOADS.into_iter().enumerate() {
        for toward in ["far", "near"] {
            let ledger = format!("{number}-{toward}.jsonl");
            let target = lab.outside().to_owned();
            let ran = broken(&lab, load, &target, toward, &ledger, || lab.listener().kill());
            assert_lost(&lab, &ran, &ledger);
            lab.restart_listener(&[]);
        }
    }
}

#[test]
fn the_interface_of_the_near_end_goes_down() {
    let Some(lab) = Lab::build("interface-down") else { return };
    let (gateway, _) = lab.outside().split_once(':').expect("an address and a port");
    let route = lab.run("cabin", "ip", &["-o", "route", "get", gateway]);
    let mut words = route.split_whitespace().skip_while(|word| *word != "dev");
    let interface = words.nth(1).expect("an interface");
    for (number, load) in LOADS.into_iter().enumerate() {
        for toward in ["far", "near"] {
            // Addresses and routes that went with it come back with it.
            let routes = lab.run("cabin", "ip", &["route", "show"]);
            let ledger = format!("{number}-{toward}.jsonl");
            let ran = broken(&lab, load, lab.outside(), toward, &ledger, || {
                lab.run("cabin", "ip", &["link", "set", interface, "down"]);
            });
            assert_lost(&lab, &ran, &ledger);
            let (error, _) = ran.complaint();
            let wanted = format!("the interface {interface} of this host is switched off");
            assert!(error.contains(&wanted), "{error}");
            lab.run("cabin", "ip", &["link", "set", interface, "up"]);
            for route in routes.lines().filter(|route| route.contains("via")) {
                let arguments: Vec<_> = route.split_whitespace().collect();
                lab.run("cabin", "ip", &[&["route", "replace"], &arguments[..]].concat());
            }
        }
    }
}

#[test]
fn the_path_dies_toward_far() {
    the_path_dies("path-dies-far", "far");
}

#[test]
fn the_path_dies_toward_near() {
    the_path_dies("path-dies-near", "near");
}

/// The gateway's end of the tunnel is killed: nothing answers inside any more, while the forwarded port still works.
fn the_path_dies(test: &str, toward: &str) {
    let Some(lab) = Lab::build(test) else { return };
    for (number, load) in LOADS.into_iter().enumerate() {
        lab.does("wireguard-up", &[]);
        let (threads, descriptors) = (lab.listener().threads(), lab.listener().descriptors());
        let ledger = format!("{number}.jsonl");
        let daemons = lab.started("tunnel-wireguard");
        let gateway = daemons[daemons.len() - 2];
        let mut died = Instant::now();
        let ran = broken(&lab, load, lab.inside(), toward, &ledger, || {
            died = Instant::now();
            signal("KILL", gateway);
        });
        assert_lost(&lab, &ran, &ledger);
        // The listener, too, has noticed, and serves the next one.
        until(BOUND.saturating_sub(died.elapsed()), "the listener ends the session", || {
            let now = (lab.listener().threads(), lab.listener().descriptors());
            now.0 <= threads && now.1 <= descriptors
        });
        lab.record(&["bulk", lab.outside(), "--for", "500ms", "--settle", "100ms"]);
        lab.does("wireguard-down", &[]);
    }
}

/// Runs a session with a ledger and breaks something once data flows; the time it took counts from then.
fn broken(
    lab: &Lab,
    load: &[&str],
    target: &str,
    toward: &str,
    ledger: &str,
    break_it: impl FnOnce(),
) -> Ran {
    let ledger = lab.scratch(ledger);
    let ledger = ["--toward", toward, "--ledger", ledger.to_str().expect("a name")];
    let culvert = lab
        .culvert(&[load, &[target], &LONG, &ledger].concat())
        .stdin(std::process::Stdio::null())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .expect("culvert can be started");
    std::thread::sleep(FLOWING);
    let began = Instant::now();
    break_it();
    finish(culvert, began)
}

/// The run ended in time, told why, and is kept with what had arrived.
fn assert_lost(lab: &Lab, ran: &Ran, ledger: &str) {
    assert_eq!(ran.status, Some(3), "{}", ran.stderr);
    assert!(ran.took < BOUND, "{:?}", ran.took);
    let (error, hint) = ran.complaint();
    assert!(error.contains("void"), "{error}");
    assert!(hint.contains("culvertd"), "{hint}");
    let runs = lab.ledger(ledger).runs;
    let [run] = &runs[..] else { panic!("{} runs in the ledger", runs.len()) };
    assert!(matches!(void(run), VoidReason::ControlLost { .. }), "{:?}", run.void);
}
