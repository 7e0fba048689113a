//! Paths that do not carry what a session needs.

use std::time::Duration;

use culvert_record::{Caveat, Transport};

use crate::lab::{Lab, Wish, caveats, counts};

const PACED: [&str; 8] =
    ["--pace", "8Mbit/s", "--payload", "1000", "--for", "1s", "--settle", "200ms"];

#[test]
fn udp_is_filtered() {
    let Some(lab) = Lab::build("udp-filtered") else { return };
    lab.does("filter-udp", &[]);
    let paced = lab.measure(&[&["paced", lab.outside()][..], &PACED[..]].concat());
    assert_eq!(paced.status, Some(3), "{}", paced.stderr);
    assert!(paced.took < Duration::from_secs(10), "{:?}", paced.took);
    let (error, hint) = paced.complaint();
    assert!(error.contains("10.81.2.2:28460") && error.contains("UDP is filtered"), "{error}");
    assert!(hint.contains("UDP"), "{hint}");

    // TCP alone measures goodput, and carries the probes as well.
    let record =
        lab.record(&["bulk", lab.outside(), "--toward", "near", "--for", "1s", "--settle", "1s"]);
    assert!(record.toward_near.as_ref().and_then(|way| way.goodput_bps) > Some(50_000_000));
    assert_eq!(record.round_trips_by, Some(Transport::Tcp));
    assert!(record.rtt_baseline_us.is_some_and(|rtt| rtt.n >= 10), "{record:#?}");
    assert!(record.rtt_transfer_us.is_some(), "{record:#?}");
    let unanswered = caveats(&record).into_iter().find_map(|caveat| match caveat {
        Caveat::ProbesByTcp { unanswered } => Some(unanswered),
        _ => None,
    });
    assert!(unanswered.expect("a caveat") > 0);

    lab.does("mend", &[]);
    let record = lab.record(&[&["paced", lab.outside()][..], &PACED[..]].concat());
    assert!(record.rtt_baseline_us.is_some());
    assert_eq!(record.round_trips_by, Some(Transport::Udp));
}

#[test]
fn the_port_is_not_forwarded() {
    let Some(lab) = Lab::build("unforwarded") else { return };
    lab.does("unforward", &[]);
    for session in [&["bulk"][..], &["paced", "--pace", "8Mbit/s"][..]] {
        let ran = lab.measure(&[session, &[lab.outside()]].concat());
        assert_eq!(ran.status, Some(3), "{}", ran.stderr);
        assert!(ran.took < Duration::from_secs(5), "{:?}", ran.took);
        let (error, hint) = ran.complaint();
        assert!(error.contains("10.81.2.2:28460"), "{error}");
        assert!(hint.contains("port forward"), "{hint}");
    }
}

/// A queue of two datagrams at an eighth of the pace, in the transmitter's own host: it refuses most (ENOBUFS, tc-tbf(8)).
#[test]
fn the_transmitters_own_queue_is_full() {
    let Some(lab) = Lab::build("own-queue-full") else { return };
    let (gateway, _) = lab.outside().split_once(':').expect("an address and a port");
    let route = lab.run("cabin", "ip", &["-o", "route", "get", gateway]);
    let mut words = route.split_whitespace().skip_while(|word| *word != "dev");
    let interface = words.nth(1).expect("an interface");
    let queue = ["rate", "1mbit", "burst", "1600", "limit", "3000"];
    let root = ["qdisc", "replace", "dev", interface, "root", "tbf"];
    lab.run("cabin", "tc", &[&root[..], &queue[..]].concat());
    let record = lab.record(&[&["paced", lab.outside()][..], &PACED[..]].concat());
    let way = record.toward_far.as_ref();
    let sent = counts(way);
    // What the queue refused never left: it is no loss of the path.
    assert!(sent.sent < 1_200 && sent.lost == 0, "{sent:?}");
    assert!(way.and_then(|way| way.queue_full) > Some(0), "{way:?}");
    let told =
        |caveat: &Caveat| matches!(caveat, Caveat::HostQueueFull { times, .. } if *times > 0);
    assert!(caveats(&record).iter().any(told), "{:?}", record.caveats);
}

#[test]
fn nobody_is_at_the_address() {
    let Some(lab) = Lab::build("nobody") else { return };
    // The gateway's network, where no host answers.
    let ran = lab.measure(&["bulk", "10.81.2.77"]);
    assert_eq!(ran.status, Some(3), "{}", ran.stderr);
    assert!(ran.took < Duration::from_secs(10), "{:?}", ran.took);
    let (error, _) = ran.complaint();
    assert!(error.contains("10.81.2.77:28460"), "{error}");
}

#[test]
fn the_family_is_the_wrong_one() {
    let wish = Wish { listener: &["--listen", "0.0.0.0:28460"], ..Wish::default() };
    let Some(lab) = Lab::build_as("wrong-family", &wish) else { return };
    let ran = lab.measure(&["bulk", lab.outside(), "--family", "ipv6"]);
    assert_eq!(ran.status, Some(3), "{}", ran.stderr);
    let (error, hint) = ran.complaint();
    assert!(error.contains("10.81.2.2") && error.contains("IPv6"), "{error}");
    assert!(hint.contains("--family ipv4"), "{hint}");

    let six = lab.fact("LAB_OUTSIDE_IPV6");
    if six.is_empty() {
        eprintln!("SKIPPED: the second half of wrong-family needs IPv6");
        return;
    }
    // The host answers in that family; its listener does not listen there.
    let ran = lab.measure(&["bulk", six]);
    assert_eq!(ran.status, Some(3), "{}", ran.stderr);
    assert!(ran.took < Duration::from_secs(5), "{:?}", ran.took);
    let (error, _) = ran.complaint();
    assert!(error.contains("[fd00:77::10]:28460"), "{error}");
}

#[test]
fn datagrams_larger_than_the_tunnel_arrive_in_fragments() {
    let Some(lab) = Lab::build("fragments") else { return };
    lab.does("wireguard-up", &[]);
    for toward in ["far", "near"] {
        let record = lab.record(&[
            "paced",
            lab.inside(),
            "--toward",
            toward,
            "--pace",
            "8Mbit/s",
            "--payload",
            "1472",
            "--for",
            "1s",
            "--settle",
            "200ms",
        ]);
        assert_eq!(record.fragmentation_allowed, Some(true));
        let loaded = if toward == "far" { &record.toward_far } else { &record.toward_near };
        let found = counts(loaded.as_ref());
        assert_eq!((found.reordered, found.duplicates), (0, 0), "{found:?}");
        // The cabin's own interface is the tunnel. The workshop does not know of its MTU when the first datagrams leave:
        // the gateway cuts them, for they leave without don't-fragment (RFC 791 section 3.1).
        assert_eq!(found.lost, 0, "toward {toward}: {found:?}");
        // 8 Mbit/s of 1472 bytes for 1.2 s.
        assert!(found.sent > 0 && found.sent <= 816, "{found:?}");
    }
}
