//! The capacity search over paths whose rate is known: what it finds is what was configured, and it moves no more than it
//! may.

use serde_json::Value;

use crate::{
    bench::Bench,
    lab::{Truth, number},
};

const V4: [&str; 2] = ["10.90.1.1", "10.90.1.2"];
const V6: [&str; 2] = ["fd90::1", "fd90::2"];

/// RFC 9097 8.1 tested up to 1222 bytes of payload.
const PAYLOAD: u64 = 1_222;
/// How often a search is tried that this machine disturbed.
const ATTEMPTS: u32 = 4;
/// How late packets may leave the path for its rate to be what was configured, microseconds: the search counts seconds.
const CALM_US: f64 = 2_000.0;

/// A line, as the RFC searches it: ten rows of a megabit at a time, ten seconds, ten to verify.
#[test]
#[ignore = "searches for minutes on a quiet machine: scripts/test --strict runs it"]
fn a_line_toward_far_by_the_rfcs_parameters() {
    let line = "rate = \"40Mbit/s\"\ncounted = \"ip-layer\"\nqueue = \"120ms\"\ndelay = \"8ms\"";
    finds(V4, "none", line, "--toward far --method rfc9097", 40e6);
}

#[test]
#[ignore = "searches for minutes on a quiet machine: scripts/test --strict runs it"]
fn a_line_toward_near_by_the_rfcs_parameters() {
    let line = "rate = \"40Mbit/s\"\ncounted = \"ip-layer\"\nqueue = \"120ms\"\ndelay = \"8ms\"";
    finds(V4, "none", line, "--toward near --method rfc9097", 40e6);
}

/// 38 bytes of preamble, header, check sequence and gap around each packet of an Ethernet line (IEEE 802.3), so that
/// packets of 1270 bytes, IPv6, get 1270/1308 of its rate.
#[test]
#[ignore = "searches for minutes on a quiet machine: scripts/test --strict runs it"]
fn a_line_with_framing_over_ipv6() {
    let line = "rate = \"60Mbit/s\"\nqueue = \"50ms\"\ndelay = \"10ms\"";
    finds(V6, "none", line, "--toward far --method faster", 60e6 * 1270.0 / 1308.0);
    finds(V6, "none", line, "--toward near --method faster", 60e6 * 1270.0 / 1308.0);
}

/// The bucket is over whole IP packets and has no queue: what passes in a second is its rate once its burst is spent.
#[test]
#[ignore = "searches for minutes on a quiet machine: scripts/test --strict runs it"]
fn a_limiter_by_what_it_lets_through_in_the_long_run() {
    let limiter = "policer = { rate = \"30Mbit/s\", burst = \"200kB\" }\ndelay = \"6ms\"";
    finds(V4, "none", limiter, "--toward far --method faster", 30e6);
    finds(V4, "none", limiter, "--toward near --method faster", 30e6);
}

/// `truth` in IP-layer bits per second, as configured.
fn finds(
    addresses: [&'static str; 2],
    encapsulation: &str,
    conditions: &str,
    options: &str,
    truth: f64,
) {
    let bench = Bench::new(addresses, encapsulation, conditions);
    let mut off = Vec::new();
    for _ in 0..ATTEMPTS {
        let Some((path, record)) = bench.run(1, &format!("capacity {options}")) else { return };
        let rate = record["sustained_bps"].as_f64();
        let late = path.latest_us();
        eprintln!(
            "{options} over {truth:.0}: sustained {rate:?}, maximum {}, late {late:.0} us, rates {:?}",
            record["maximum"]["rate_bps"],
            record["sub_intervals"]
                .as_array()
                .expect("some")
                .iter()
                .map(|one| &one["rate_bps"])
                .collect::<Vec<_>>(),
        );
        counts_are_true(&bench, &path, &record);
        // On a busy machine the path has another rate than was configured, and the hosts pauses of their own.
        if late > CALM_US || record["held"] == "transmitter" || record["host_dropped"] != 0 {
            continue;
        }
        assert_eq!((&record["void"], &record["end"]), (&Value::Null, &Value::from("complete")));
        let rate = rate.expect("a verified rate");
        if (rate - truth).abs() < 0.01 * truth {
            return;
        }
        // A pause of a host in a verification looks like a queue: one such search may be off, two are not by chance.
        off.push(rate);
        assert!(off.len() < 2, "{off:?} of {truth}: {record:#}");
    }
    assert!(!crate::is_strict(), "this machine is too busy");
    eprintln!("skipped: this machine is too busy to be a path of a certain rate");
}

/// Sent and received are what the path carried, to the datagram, over the whole search.
fn counts_are_true(bench: &Bench, path: &Truth, record: &Value) {
    let toward = record["toward"].as_str().expect("a way");
    let packets = path.datagrams_of_length(toward, bench.length(PAYLOAD));
    assert_eq!(number(record, "sent"), packets.len() as u64);
    let delivered = packets.iter().filter(|line| line["fate"] == "delivered").count() as u64;
    assert_eq!(number(record, "received"), delivered);
    assert_eq!(number(record, "ip_bytes_sent"), packets.len() as u64 * bench.length(PAYLOAD));
}

/// The counters of the path are the judge of budget and ceiling.
#[test]
fn a_budget_and_a_ceiling_are_never_exceeded() {
    let line = "rate = \"50Mbit/s\"\nqueue = \"60ms\"\ndelay = \"5ms\"";
    for (options, most) in [
        ("--toward far --method faster --at-most 3MB", 3_000_000),
        ("--toward near --method faster --at-most 3MB", 3_000_000),
        // Two packets of 1250 bytes, and nothing that could be called a rate.
        ("--toward near --method faster --at-most 2500B", 2_500),
    ] {
        let bench = Bench::new(V4, "none", line);
        let Some((path, record)) = bench.run_to_any_end(2, &format!("capacity {options}")) else {
            return;
        };
        let toward = record["toward"].as_str().expect("a way");
        let carried = path.datagrams_of_length(toward, bench.length(PAYLOAD)).len() as u64 * 1_250;
        eprintln!("{options}: {carried} bytes");
        assert!(carried > 0 && carried <= most, "{options}: {carried}");
        assert_eq!(record["end"], "budget", "{record:#}");
        assert_eq!(record["sustained_bps"], Value::Null, "{record:#}");
    }
    let bench = Bench::new(V4, "none", line);
    let Some((path, record)) =
        bench.run(3, "capacity --toward far --method faster --ceiling 8Mbit/s")
    else {
        return;
    };
    assert_eq!(record["parameters"]["rate_cap_bps"], 8_000_000);
    // 8 Mbit/s are 800 packets of 1250 bytes a second; a stall of 10 ms, 8 packets, may be made up for (`pacing`), and
    // stamps of packets are true to some more.
    let mut came: Vec<u64> = path
        .datagrams_of_length("far", bench.length(PAYLOAD))
        .iter()
        .map(|line| number(line, "offered_at_ns"))
        .collect();
    came.sort_unstable();
    let most = came.windows(825).map(|window| window[824] - window[0]).min();
    assert!(most.is_none_or(|shortest| shortest > 1_000_000_000), "{most:?}");
    assert!(
        record["caveats"].to_string().contains("held_by_ceiling")
            || record["held"] == "transmitter"
    );
}

/// Nothing passes from four seconds on: the search gives up within its patience, and says that it has a part only.
#[test]
fn a_path_that_dies_leaves_a_marked_part() {
    for toward in ["far", "near"] {
        let dying = "rate = \"40Mbit/s\"\nqueue = \"60ms\"\ndelay = \"5ms\"\n[[paths.changes]]\nat = \"5s\"\n\
                     [paths.changes.both_ways]\nloss = { ratio = 1 }";
        let bench = Bench::new(V4, "none", dying);
        let options = format!("capacity --toward {toward} --method rfc9097");
        let Some((_, record)) = bench.run_to_any_end(4, &options) else { return };
        eprintln!("toward {toward}: void {}, end {}", record["void"], record["end"]);
        assert!(record["void"].is_object(), "{record:#}");
        assert_eq!(
            (&record["sustained_bps"], &record["end"]),
            (&Value::Null, &Value::from("peer_silent"))
        );
        let told = record["sub_intervals"].as_array().expect("sub-intervals").len();
        assert!((1..=5).contains(&told), "{record:#}");
    }
}
