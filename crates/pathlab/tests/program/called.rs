//! Calls over emulated paths: what is lost is what the path lost, and the verdict follows from it.

use serde_json::Value;

use crate::{
    bench::Bench,
    lab::{Found, Truth, expected, percentile},
};

/// How often a run is tried in which this machine dropped packets or held them back.
const ATTEMPTS: u32 = 4;

/// 20 of IPv4, 8 of UDP, 12 of RTP and 160 of voice (RFC 3550, RFC 3551).
const CALL_PACKET: u64 = 200;

#[test]
fn a_clean_path_is_fit() {
    let fit = |part: &Value| {
        part["call"]["toward_far"]["fit"] == "yes" && part["call"]["toward_near"]["fit"] == "yes"
    };
    let Some((truth, run)) = called("delay = \"20ms\"", fit) else { return };
    for toward in ["far", "near"] {
        counted(&truth, &run, toward);
        let found = &run["call"][format!("toward_{toward}")];
        assert_eq!(found["lost_on_path"], 0);
        // 20 ms each way: half the median round trip, and what both hosts add.
        let delay = found["delay_ms"].as_f64().expect("a delay");
        assert!((20.0..30.0).contains(&delay), "{delay}");
    }
}

#[test]
fn a_lossy_path_is_not() {
    let Some((truth, run)) = called("delay = \"20ms\"\nloss = { ratio = 0.06 }", |_| true) else {
        return;
    };
    for toward in ["far", "near"] {
        counted(&truth, &run, toward);
        let found = &run["call"][format!("toward_{toward}")];
        assert_eq!((&found["fit"], &found["loss"]), (&"no".into(), &"no".into()), "{found}");
    }
}

/// A bulk flow fills the queue that it shares with the call: what the call's packets wait and lose is what the path made
/// them wait and lose, and the other way stays as it was.
#[test]
fn a_bulk_flow_beside_it_is_heard_one_way() {
    let bench = Bench::new(
        ["10.90.1.1", "10.90.1.2"],
        "none",
        "rate = \"20Mbit/s\"\nqueue = \"40ms\"\ndelay = \"5ms\"",
    );
    for seed in 1..=ATTEMPTS {
        let Some((truth, calls)) = bench.run(seed.into(), "calls --for 2s") else { return };
        let parts = calls["parts"].as_array().expect("parts");
        let runs: Vec<&Value> = parts.iter().map(|part| &part["run"]).collect();
        assert_eq!(runs.len(), 3, "{calls}");
        let dropped = |run: &&Value| {
            run["toward_far"]["host_dropped"] != 0 || run["toward_near"]["host_dropped"] != 0
        };
        // A percentile of what the path did is no better known than the path was punctual.
        if truth.latest_us() > 1_000.0 || runs.iter().any(dropped) {
            eprintln!("disturbed: {} us late", truth.latest_us());
            continue;
        }
        for toward in ["far", "near"] {
            beside(&truth, &runs, toward);
        }
        return;
    }
    assert!(!crate::is_strict(), "this machine is too busy: {ATTEMPTS} calls met its own faults");
    eprintln!("skipped: this machine is too busy to be a path without faults of its own");
}

/// The parts of one way, which follow one another: alone, beside bulk toward far, beside bulk toward near.
fn beside(truth: &Truth, runs: &[&Value], toward: &str) {
    let mut packets = truth.datagrams_of_length(toward, CALL_PACKET);
    let key = format!("toward_{toward}");
    for (run, loaded) in runs.iter().zip(["", "far", "near"]) {
        let way = &run[&key];
        let sent = usize::try_from(way["sent"].as_u64().expect("a count")).expect("few");
        let rest = packets.split_off(sent.min(packets.len()));
        let own = std::mem::replace(&mut packets, rest);
        assert_eq!(way["lost"], expected(&own).lost, "toward {toward} beside bulk toward {loaded}");
        let mut waited: Vec<f64> =
            own.iter().filter_map(|line| Some(line["delay_ns"].as_u64()? as f64 / 1e6)).collect();
        waited.sort_by(f64::total_cmp);
        let (least, p99) = (waited[0], percentile(&waited, 99));
        let found = way["pdv_us"]["p99"].as_f64().expect("PDV") / 1e3;
        assert!(
            (found - (p99 - least)).abs() < 3.0,
            "toward {toward} beside bulk toward {loaded}: PDV {found} ms, the path's {}",
            p99 - least
        );
        // 40 ms of queue, of which cubic has filled a part at least when the call begins (RFC 9406: slow start ends when
        // the round trip rises); the other way carries acknowledgements at most.
        let expected_wait = if loaded == toward { 10.0..46.0 } else { 0.0..5.0 };
        assert!(expected_wait.contains(&(p99 - least)), "{loaded} {toward}: {}", p99 - least);
    }
    assert!(packets.is_empty(), "{} packets of no part", packets.len());
}

/// What was counted is what the path did to packets of this length.
fn counted(truth: &Truth, run: &Value, toward: &str) {
    let way = &run[format!("toward_{toward}")];
    let number = |key: &str| way[key].as_u64().unwrap_or_else(|| panic!("{key}: {way}"));
    let found = Found {
        sent: number("sent"),
        lost: number("lost"),
        duplicates: number("duplicates"),
        reordered: number("reordered"),
    };
    assert_eq!(found, expected(&truth.datagrams_of_length(toward, CALL_PACKET)), "toward {toward}");
}

/// A call alone, with the truth; `None` where none can be made here.
fn called(condition: &str, is_undisturbed: impl Fn(&Value) -> bool) -> Option<(Truth, Value)> {
    let bench = Bench::new(["10.90.1.1", "10.90.1.2"], "none", condition);
    for seed in 1..=ATTEMPTS {
        let (truth, calls) = bench.run(seed.into(), "calls --alone --for 8s")?;
        let run = calls["parts"][0]["run"].clone();
        let dropped = ["toward_far", "toward_near"].iter().any(|way| run[way]["host_dropped"] != 0);
        if !dropped && is_undisturbed(&run) {
            return Some((truth, run));
        }
        eprintln!("disturbed: {}", run["caveats"]);
    }
    assert!(!crate::is_strict(), "this machine is too busy: {ATTEMPTS} calls met its own faults");
    eprintln!("skipped: this machine is too busy to be a path without faults of its own");
    None
}
