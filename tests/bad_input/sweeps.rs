//! Sweeps that meet a listener which refuses, falls silent or goes away.

use serde_json::Value;

use crate::common::{LIMIT, Pair, V4, alone, within};

const SWEEP: [&str; 5] = ["sweep", "--sizes", "200,700,1400", "--limit-rate", "2Mbit/s"];

#[test]
fn what_no_sweep_can_be_is_a_usage_error() {
    let pair = Pair::at(V4);
    for (option, value) in [("--trial", "50ms"), ("--trial", "250ms"), ("--sizes", "20")] {
        pair.run(&SWEEP[..1], &[option, value]).complains(2, &[value]);
    }
}

#[test]
fn a_listener_that_grants_less_refuses_or_is_kept_to() {
    let _alone = alone();
    let pair = Pair::with(V4, &["--limit-duration", "1s"]);
    pair.run(&SWEEP, &["--trial", "2s"]).complains(4, &["2s", "1s"]);
    // Its rate and its bytes a session bound what each trial offers: nothing is refused.
    let pair = Pair::with(V4, &["--limit-rate", "1Mbit/s", "--limit-bytes", "15kB"]);
    let done = pair.run(&SWEEP, &["--trial", "200ms", "--json"]);
    let sweep = done.expect_code(0).json();
    assert_eq!(sweep["asked"]["rate_cap_bps"], 544_000, "13.6 kB in 200 ms: {sweep}");
}

#[test]
fn somebody_elses_session_comes_first() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let idle = pair.listener().idle().0;
    let first = pair.start(&["paced", "--pace", "1Mbit/s"], &["--for", "4s", "--settle", "0s"]);
    assert!(within(LIMIT, || pair.listener().holdings().0 > idle), "no data flowed");
    pair.run(&SWEEP, &[]).complains(4, &["refused", "1 measuring session"]);
    first.wait().expect_code(0);
}

#[test]
fn a_listener_that_goes_away_leaves_a_part_that_says_so() {
    let _alone = alone();
    let mut pair = Pair::at(V4);
    let running = pair.start(&SWEEP, &["--trial", "400ms", "--json"]);
    // The look before, and one trial.
    assert!(within(LIMIT, || pair.listener().log().matches("conversation ended").count() >= 2));
    pair.listener_mut().crash();
    let done = running.wait();
    // A handshake that is cut short looks like a stranger's: refused; everything later like a peer that has gone.
    let code = done.code.filter(|code| [3, 4].contains(code)).expect("a status of its own");
    done.complains(code, &[]);
    let sweep = done.json();
    assert_eq!(sweep["complete"], false, "{sweep}");
    assert!(sweep["broken_off"].is_string(), "{sweep}");
    let sizes = sweep["sizes"].as_array().expect("sizes");
    assert!(sizes.iter().any(|size| size["held"] == "pending"), "{sweep}");
    assert_eq!(sweep["cost"], Value::Null);
}

#[test]
fn a_listener_that_falls_silent_is_waited_for_no_longer_than_any_other() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let running = pair.start(&SWEEP, &["--trial", "2s", "--json"]);
    assert!(within(LIMIT, || pair.listener().log().matches("conversation ended").count() >= 2));
    pair.listener().signal("STOP");
    let done = running.wait_within(std::time::Duration::from_secs(25));
    pair.listener().signal("CONT");
    done.complains(3, &[]);
    assert_eq!(done.json()["complete"], false);
}
