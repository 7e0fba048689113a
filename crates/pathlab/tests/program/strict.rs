//! Goodput against the model's ceiling: to be run on request, on a machine that does nothing else.

use culvert_pathmodel::{CeilingQuestion, Link, ceiling, find};
use culvert_units::BitRate;
use serde_json::Value;

use crate::{
    bench::Bench,
    lab::{Truth, number},
};

/// How often a run is tried that this machine disturbed.
const ATTEMPTS: u32 = 3;

/// Megabits a second and the queue: more than the bandwidth-delay product of 10 ms there and back.
const LINES: [(u64, &str); 3] = [(10, "50ms"), (100, "30ms"), (500, "20ms")];

#[test]
#[ignore = "asserts speed: scripts/test --strict runs it"]
fn bulk_reaches_the_ceiling() {
    for (place, (megabits, queue)) in (0..).zip(LINES) {
        let tcp = ceiling(&question(megabits)).expect("a ceiling").tcp;
        let bulk = |attempt| {
            // Cubic loses a segment every so often, the same in every run: another length ends elsewhere.
            let length_ms = 10_000 - 300 * attempt;
            format!("bulk --for {length_ms}ms --settle 2s --congestion-control cubic")
        };
        reaches(megabits, queue, place, bulk, tcp);
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
        let paced =
            |_| format!("paced --for 5s --settle 1s --pace {pace}bit/s --payload {payload}");
        reaches(megabits, queue, place, paced, answer.udp);
    }
}

fn question(megabits: u64) -> CeilingQuestion<'static> {
    let plain = find("none").expect("a plain path");
    CeilingQuestion::new(Link::ethernet(BitRate::from_megabits(megabits)), plain)
}

fn reaches(megabits: u64, queue: &str, seed: u64, session: impl Fn(u32) -> String, most: BitRate) {
    let line = format!("rate = \"{megabits}Mbit/s\"\ndelay = \"5ms\"\nqueue = \"{queue}\"");
    let bench = Bench::new(["10.90.1.1", "10.90.1.2"], "none", &line);
    for toward in ["far", "near"] {
        let off = (0..ATTEMPTS).find_map(|attempt| {
            let session = session(attempt);
            let (truth, record) = bench.run(seed, &format!("{session} --toward {toward}"))?;
            let off = share_off(&record, toward, most);
            let is_cut = session.starts_with("bulk") && is_cut_in_a_gap(&truth, &record, toward);
            let (late, cut) = (truth.latest_us(), if is_cut { ", cut in a gap" } else { "" });
            eprintln!(
                "{toward}, {session}: {:+.3} % of {most}{cut}, {late:.0} us late",
                off * 100.0
            );
            (late < 2_000.0 && !is_cut).then_some(off)
        });
        let off = off.expect("a machine that is not busy, and both programs");
        assert!(off.abs() < 0.002, "{megabits} Mbit/s toward {toward}: {off} of {most}");
    }
}

/// Whether a segment was lost just before an end of the plateau. Those behind it then wait for it in the receiver's kernel,
/// up to a round trip of full queue long, and are counted on the other side of that end.
fn is_cut_in_a_gap(truth: &Truth, record: &Value, toward: &str) -> bool {
    let full = truth.of_length(toward, 1_500);
    let arrives =
        |line: &&Value| Some(line["offered_at_ns"].as_u64()? + line["delay_ns"].as_u64()?);
    let began_ns = full.iter().filter_map(arrives).min().expect("data");
    let plateau = &record[format!("toward_{toward}")]["plateau"];
    let ends = ["from_ms", "to_ms"].map(|end| began_ns + number(plateau, end) * 1_000_000);
    full.iter().filter(|line| line["fate"] == "dropped").any(|line| {
        let lost_ns = number(line, "offered_at_ns");
        ends.iter().any(|end| (lost_ns..lost_ns + 250_000_000).contains(end))
    })
}

fn share_off(record: &Value, toward: &str, most: BitRate) -> f64 {
    assert_eq!(record["void"], Value::Null);
    let goodput = record[format!("toward_{toward}")]["goodput_bps"].as_f64().expect("a goodput");
    goodput / most.bits_per_second() as f64 - 1.0
}
