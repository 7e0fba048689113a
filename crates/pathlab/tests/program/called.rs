//! Calls over emulated paths: what is lost is what the path lost, and the verdict follows from it.

use serde_json::Value;

use crate::{
    bench::Bench,
    lab::{Found, Truth, expected},
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
    assert_eq!(found, expected(&truth.of_length(toward, CALL_PACKET)), "toward {toward}");
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
