//! Capacity searches: both ways, in both families, by a listener's limits.

use std::net::IpAddr;

use culvert_record::{CapacityRecord, Way};

use crate::common::{Finished, LOOPBACK, Pair, V4, alone, ledger_lines};

const CEILING: [&str; 4] = ["--method", "faster", "--ceiling", "4Mbit/s"];
/// RFC 9097 8.1: 1222 bytes of payload were tested; UDP takes 8 (RFC 768), IPv4 20 (RFC 791), IPv6 40 (RFC 8200).
const PAYLOAD: u64 = 1222;

fn search(pair: &Pair, toward: &str, options: &[&str]) -> Finished {
    pair.run(&["capacity", "--json", "--toward", toward], options)
}

fn record(done: &Finished) -> CapacityRecord {
    serde_json::from_value(done.json()).expect("a capacity record")
}

fn headers(ip: IpAddr) -> u64 {
    if ip.is_ipv4() { 28 } else { 48 }
}

#[test]
fn the_ceiling_is_found_both_ways_over_both_families() {
    let _alone = alone();
    for ip in LOOPBACK {
        let pair = Pair::at(ip);
        for (toward, way) in [("far", Way::Far), ("near", Way::Near)] {
            let done = search(&pair, toward, &CEILING);
            done.expect_code(0);
            let record = record(&done);
            assert_eq!(record.toward, way);
            assert_eq!(u64::from(record.parameters.ip_bytes), PAYLOAD + headers(ip));
            // On loopback nothing is lost, and the two ends count the same.
            assert_eq!(record.sent, record.received, "{record:#?}");
            let bytes = record.sent.expect("counted") * (PAYLOAD + headers(ip));
            assert_eq!(record.ip_bytes_sent.map(culvert_units::Bytes::get), Some(bytes));
            let of_intervals: u64 = record
                .sub_intervals
                .iter()
                .chain(record.verifications.iter().flat_map(|one| &one.sub_intervals))
                .map(|one| one.received)
                .sum();
            assert!(of_intervals > 0 && Some(of_intervals) <= record.received, "{record:#?}");
            for one in &record.sub_intervals {
                // RFC 9097 5.3: the bits of all packets that arrived, over the length.
                let bits = one.received as f64 * (PAYLOAD + headers(ip)) as f64 * 8.0;
                let rate = bits / (one.length_ns as f64 / 1e9);
                let told = one.rate_bps.bits_per_second() as f64;
                assert!((told - rate).abs() <= 1.0, "{one:?}: {rate}");
            }
            assert!(
                done.stderr.contains("at most") && done.stderr.contains("RFC 6815"),
                "{done:?}"
            );
        }
    }
}

#[test]
fn a_listeners_limits_bind() {
    let _alone = alone();
    let pair = Pair::with(V4, &["--limit-rate", "3Mbit/s", "--limit-bytes", "1MB"]);
    for toward in ["far", "near"] {
        let done = search(&pair, toward, &["--method", "faster"]);
        let record = record(&done);
        let cap = record.parameters.rate_cap_bps.map(culvert_units::BitRate::bits_per_second);
        assert_eq!(cap, Some(3_000_000));
        assert!(record.ip_bytes_sent.expect("counted").get() <= 1_000_000, "{record:#?}");
    }
}

#[test]
fn what_makes_no_sense_is_refused_before_anything_is_sent() {
    let pair = Pair::at(V4);
    for options in [
        ["--ceiling", "0bit/s"],
        ["--ceiling", "fast"],
        ["--search-loss", "0%"],
        ["--verified-loss", "200%"],
        ["--toward", "both"],
    ] {
        pair.run(&["capacity"], &options).complains(2, &[]);
    }
}

/// A search is a line of the ledger like a run; the comparison and the reports have it.
#[test]
fn a_search_is_kept_beside_the_runs() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let ledger = pair.bench().path("evening.jsonl");
    let path = ledger.to_str().expect("text");
    let kept = ["--ledger", path, "--path", "port", "--place", "outside"];
    let found = record(&search(&pair, "far", &[&CEILING[..], &kept[..]].concat()));
    let lines = ledger_lines(&ledger);
    assert_eq!(lines.len(), 1);
    let line: CapacityRecord = serde_json::from_value(lines[0].clone()).expect("a capacity record");
    assert_eq!(line, found, "the ledger holds what was printed");
    assert_eq!(found.path.name.as_deref(), Some("port"));

    let document = pair.bench().run(&["compare", path, "--json"]).expect_code(0).json();
    let row = &document["comparison"]["capacities"][0];
    let sustained = found.sustained_bps.expect("loopback carries its ceiling").bits_per_second();
    assert_eq!(row["sustained_bps"]["median"].as_f64(), Some(sustained as f64), "{row:#}");
    assert_eq!(row["path"]["name"], "port");
    let csv = pair.bench().run(&["report", path, "--capacity-csv", "-"]);
    let csv = &csv.expect_code(0).stdout;
    assert!(csv.lines().count() == 2 && csv.contains(&format!(",{sustained},")), "{csv}");
}
