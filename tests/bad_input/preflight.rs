//! Preflights that cannot be whole: each case has its own sentence, hint and exit code, and shows what it has.

use std::net::{TcpListener, UdpSocket};
use std::time::Duration;

use crate::common::relay::Relay;
use crate::common::{Bench, Pair, V4, V6};

/// Resolving, connecting and proving take no longer where somebody answers.
const SOON: Duration = Duration::from_secs(12);

#[test]
fn nobody_and_somebody_else() {
    let bench = Bench::new();
    bench.invite("owner", &[]);
    let run = |target: &str, more: &[&str]| {
        bench.run(&[&["preflight", target, "--invite", "owner.invite", "--json"], more].concat())
    };
    let free = TcpListener::bind((V4, 0)).and_then(|free| free.local_addr()).expect("a port");
    let done = run(&free.to_string(), &[]);
    done.complains(3, &["cannot connect to", &free.to_string()]);
    let document = done.json();
    assert_eq!((&document["complete"], &document["tcp_reached"]), (&false.into(), &false.into()));
    assert_eq!(document["failure"]["exit_status"], 3);
    assert_eq!(document["rtt_baseline_us"], serde_json::Value::Null);

    run("no-such-host.invalid", &[]).complains(3, &["'no-such-host.invalid' has no address"]);
    run("127.0.0.1", &["--family", "ipv6"]).complains(3, &["127.0.0.1", "IPv6"]);

    let pair = Pair::at(V4);
    let target = pair.listener().target();
    run(&target, &[]).complains(4, &["no listener at", &target]);
}

/// What passes TCP alone shows what TCP tells, and that UDP is the matter.
#[test]
fn a_port_that_is_forwarded_for_tcp_alone() {
    let pair = Pair::at(V4);
    let (relay, deaf) = Relay::tcp_alone(pair.listener().address());
    let target = relay.address().to_string();
    let done = pair.bench().run(&["preflight", &target, "--invite", "owner.invite", "--json"]);
    done.complains(3, &[&target, "answers by TCP", "UDP is filtered or not forwarded"]);
    assert!(done.took < SOON, "{done:#?}");
    let document = done.json();
    assert_eq!((&document["tcp_reached"], &document["udp_reached"]), (&true.into(), &false.into()));
    assert!(document["udp_unanswered"].as_u64() > Some(0));
    assert_eq!(document["limits"]["duration_ms"], 120_000);
    for way in ["toward_far", "toward_near"] {
        assert_eq!(document[way]["path_mtu"], serde_json::Value::Null);
    }
    drop::<UdpSocket>(deaf);
}

/// It answers over IPv4 alone, and the name has both: `localhost` does (RFC 6761 section 6.3).
#[test]
fn a_listener_of_the_other_family() {
    let pair = Pair::at(V4);
    let port = pair.listener().address().port();
    let has_both = [V4, V6].iter().all(|ip| {
        let mut all =
            std::net::ToSocketAddrs::to_socket_addrs(&("localhost", port)).expect("a name");
        all.any(|one| one.ip() == *ip)
    });
    if !has_both {
        eprintln!("SKIPPED: this host's localhost has one family");
        return;
    }
    let target = format!("localhost:{port}");
    let options = ["preflight", &target, "--invite", "owner.invite", "--family", "ipv6", "--json"];
    let done = pair.bench().run(&options);
    done.complains(3, &["[::1]", "127.0.0.1", "not reached over IPv6"]);
    assert!(done.stderr.contains("--family ipv4"), "{done:#?}");
}

/// A listener that stops in the midst of the search: silence is noticed, what was found is a part.
#[test]
fn a_listener_that_falls_silent_during_the_round_trips() {
    let pair = Pair::at(V4);
    let running = pair.start(&["preflight", "--json", "--baseline", "5s"], &[]);
    std::thread::sleep(Duration::from_secs(2));
    pair.listener().signal("STOP");
    let done = running.wait();
    pair.listener().signal("CONT");
    done.complains(3, &["what was found until then is a part"]);
    assert!(done.took < SOON, "{done:#?}");
    let document = done.json();
    assert_eq!(document["complete"], false);
    assert_eq!(document["toward_far"]["path_mtu"]["largest_passing"], serde_json::Value::Null);
    assert!(document["rtt_baseline_us"]["n"].as_u64() < document["rtt_probes"].as_u64());
}

#[test]
fn stopped_by_the_practitioner() {
    let pair = Pair::at(V4);
    let idle = pair.listener().idle();
    let running = pair.start(&["preflight", "--json", "--baseline", "5s"], &[]);
    std::thread::sleep(Duration::from_secs(1));
    running.signal("INT");
    let done = running.wait();
    let document = done.expect_code(1).json();
    assert_eq!(
        (&document["complete"], &document["failure"]["exit_status"]),
        (&false.into(), &1.into())
    );
    assert!(done.took < Duration::from_secs(4), "{done:#?}");
    pair.listener().becomes_idle(idle);
}
