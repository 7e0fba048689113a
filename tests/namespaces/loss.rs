//! Loss to the packet: what `lost` says is what nftables' exact dropper counted.

use crate::lab::{Counts, Lab, caveats, counts};

/// Spares everything but the data: the signals of a session have at most 64 bytes.
const LEAST: &str = "500";

/// 8 Mbit/s of 1000 bytes are 1000 datagrams a second, for 1 s of settling and 3 s of plateau: 4000 are sent.
const SENT: u64 = 4_000;

#[test]
fn toward_far_one_in_97() {
    agrees("loss-far", "outside", "toward-far", 97);
}

#[test]
fn toward_near_one_in_97() {
    agrees("loss-near", "outside", "toward-near", 97);
}

#[test]
fn toward_far_every_other_one() {
    agrees("loss-half-far", "outside", "toward-far", 2);
}

#[test]
fn toward_near_every_other_one() {
    agrees("loss-half-near", "outside", "toward-near", 2);
}

#[test]
fn toward_far_over_ipv6() {
    agrees("loss-far-six", "outside_ipv6", "toward-far", 10);
}

#[test]
fn toward_near_over_ipv6() {
    agrees("loss-near-six", "outside_ipv6", "toward-near", 10);
}

fn agrees(test: &str, target: &str, way: &str, one_in: u64) {
    let Some(lab) = Lab::build(test) else { return };
    let target = lab.fact(&format!("LAB_{}", target.to_uppercase()));
    if target.is_empty() {
        eprintln!("SKIPPED: {test} needs IPv6");
        return;
    }
    lab.does("drop-one-in", &[&one_in.to_string(), way, LEAST]);
    let toward = way.trim_start_matches("toward-");
    let record = lab.record(&[
        "paced",
        target,
        "--toward",
        toward,
        "--pace",
        "8Mbit/s",
        "--payload",
        "1000",
        "--for",
        "3s",
    ]);
    let dropped: u64 = lab.does("drop-count", &[way]).trim().parse().expect("a count");
    let loaded = if toward == "far" { &record.toward_far } else { &record.toward_near };
    let found = counts(loaded.as_ref());
    // Nothing is sent twice or too much, so the dropper saw exactly what was sent.
    assert_eq!(dropped, found.sent / one_in);
    assert_eq!(
        found,
        Counts {
            sent: found.sent,
            received: found.sent - dropped,
            lost: dropped,
            reordered: 0,
            duplicates: 0,
            host_dropped: 0
        }
    );
    // A transmitter that stalled leaves out what it cannot make up for, and says so when it matters.
    assert!(found.sent <= SENT);
    if caveats(&record).is_empty() {
        assert!(found.sent >= SENT * 98 / 100, "{found:?}");
    }
    let ratio = loaded.as_ref().and_then(|way| way.loss_ratio).expect("a ratio");
    assert!((ratio - dropped as f64 / found.sent as f64).abs() < 1e-12);
}
