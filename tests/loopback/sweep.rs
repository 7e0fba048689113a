//! Sweeps: what is said beforehand, the document, the cap, and what remains of one that is stopped.

use serde_json::Value;

use crate::common::{LIMIT, Pair, V4, alone, within};

/// Exit code of a result that was stopped.
const STOPPED: i32 = 1;

const SWEEP: [&str; 7] =
    ["sweep", "--sizes", "200,700,1400", "--trial", "200ms", "--limit-rate", "2Mbit/s"];

#[test]
fn a_capped_sweep_says_what_it_moves_and_stays_below() {
    let _alone = alone();
    let pair = Pair::at(V4);
    for toward in ["far", "near"] {
        let done = pair.run(&SWEEP, &["--toward", toward, "--json"]);
        done.expect_code(0);
        // 16 trials of 0.2 s for each of four sizes at 2 Mbit/s are 3.2 MB.
        assert!(done.stderr.contains("at most 3.2"), "{done:#?}");
        let sweep = done.json();
        assert_eq!(sweep["schema"], "culvert/sweep/1");
        assert_eq!(sweep["complete"], true);
        assert_eq!(sweep["asked"]["toward"], toward);
        let trials = sweep["trials"].as_array().expect("trials");
        for trial in trials {
            let bits = trial["ip_bytes"].as_f64().unwrap() * 8.0;
            let offered = trial["packets_per_second"].as_f64().unwrap() * bits;
            assert!(offered <= 2e6 * (1.0 + 1e-9), "{trial}");
        }
        let moved = trials.iter().map(|trial| {
            trial["sent"].as_u64().expect("sent") * trial["ip_bytes"].as_u64().expect("a size")
        });
        assert_eq!(sweep["sent_bytes"], moved.sum::<u64>());
        // Loopback carries far more: nothing here is the path's limit, and none is made up.
        for size in sweep["sizes"].as_array().expect("sizes") {
            assert_ne!(size["held"], "pending", "{size}");
        }
        let codes: Vec<_> =
            sweep["caveats"].as_array().expect("caveats").iter().map(|one| &one["code"]).collect();
        assert!(codes.iter().any(|code| **code == "same_host"), "{codes:?}");
    }
}

#[test]
fn the_budget_is_never_exceeded() {
    let _alone = alone();
    let done = Pair::at(V4).run(&SWEEP, &["--at-most", "120kB", "--json"]);
    let sweep = done.expect_code(0).json();
    assert!(sweep["sent_bytes"].as_u64().expect("bytes") <= 120_000, "{sweep}");
    let held = sweep["sizes"].as_array().expect("sizes").iter().map(|size| &size["held"]);
    assert!(held.clone().any(|held| held == "budget"), "{sweep}");
    assert_eq!(sweep["cost"], Value::Null);
}

#[test]
fn a_stopped_sweep_shows_its_part_as_a_part() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let running = pair.start(&SWEEP[..3], &["--limit-rate", "2Mbit/s", "--json"]);
    assert!(within(LIMIT, || pair.listener().log().matches("conversation ended").count() >= 2));
    std::thread::sleep(std::time::Duration::from_millis(900));
    running.signal("INT");
    let done = running.wait();
    let sweep = done.expect_code(STOPPED).json();
    assert_eq!(sweep["complete"], false);
    assert!(sweep["broken_off"].as_str().is_some_and(|why| !why.is_empty()), "{sweep}");
    assert!(!sweep["trials"].as_array().expect("trials").is_empty());
}
