//! Goodput against the model's ceiling: to be run on request, on a machine that does nothing else.

use culvert_pathmodel::{CeilingQuestion, Link, ceiling, find};
use culvert_units::BitRate;
use serde_json::Value;

use crate::bench::Bench;

/// How often a run is tried that this machine disturbed.
const ATTEMPTS: u32 = 3;

/// Megabits a second and the queue: more than the bandwidth-delay product of 10 ms there and back.
const LINES: [(u64, &str); 3] = [(10, "50ms"), (100, "30ms"), (500, "20ms")];

#[test]
#[ignore = "asserts speed: scripts/test --strict runs it"]
fn bulk_reaches_the_ceiling() {
    for (place, (megabits, queue)) in (0..).zip(LINES) {
        // Ten seconds: at 10 Mbit/s the segments that wait for a lost one at the end are a thousandth of five.
        let tcp = ceiling(&question(megabits)).expect("a ceiling").tcp;
        let session = "bulk --for 10s --settle 2s --congestion-control cubic";
        reaches(megabits, queue, place, session, tcp);
    }
}

#[test]
#[ignore = "asserts speed: scripts/test --strict runs it"]
fn paced_reaches_the_ceiling() {
    for (place, (megabits, queue)) in (0..).zip(LINES) {
        let answer = ceiling(&question(megabits)).expect("a ceiling");
        // Somewhat more than fits, so that the line is what decides.
        let pace = answer.udp.bits_per_second() / 100 * 102;
        let payload = answer.udp_payload;
        let session = format!("paced --for 5s --settle 1s --pace {pace}bit/s --payload {payload}");
        reaches(megabits, queue, place, &session, answer.udp);
    }
}

fn question(megabits: u64) -> CeilingQuestion<'static> {
    let plain = find("none").expect("a plain path");
    CeilingQuestion::new(Link::ethernet(BitRate::from_megabits(megabits)), plain)
}

fn reaches(megabits: u64, queue: &str, seed: u64, session: &str, most: BitRate) {
    let line = format!("rate = \"{megabits}Mbit/s\"\ndelay = \"5ms\"\nqueue = \"{queue}\"");
    let bench = Bench::new(["10.90.1.1", "10.90.1.2"], "none", &line);
    for toward in ["far", "near"] {
        let off = (0..ATTEMPTS).find_map(|_| {
            let (truth, record) = bench.run(seed, &format!("{session} --toward {toward}"))?;
            (truth.latest_us() < 2_000.0).then(|| share_off(&record, toward, most))
        });
        let off = off.expect("a machine that is not busy, and both programs");
        eprintln!("{megabits} Mbit/s toward {toward}, {session}: {:+.3} % of {most}", off * 100.0);
        assert!(off.abs() < 0.002, "{megabits} Mbit/s toward {toward}: {off} of {most}");
    }
}

fn share_off(record: &Value, toward: &str, most: BitRate) -> f64 {
    assert_eq!(record["void"], Value::Null);
    let goodput = record[format!("toward_{toward}")]["goodput_bps"].as_f64().expect("a goodput");
    goodput / most.bits_per_second() as f64 - 1.0
}
