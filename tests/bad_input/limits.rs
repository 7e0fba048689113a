//! What a listener does not grant.

use crate::SHORT;
use crate::common::{Finished, LIMIT, Pair, V4, V6, alone, within};

#[test]
fn more_than_the_listener_grants_is_refused_with_both_values() {
    let options = ["--limit-rate", "2Mbit/s", "--limit-bytes", "5MB", "--limit-duration", "10s"];
    let pair = Pair::with(V4, &options);
    let bulk = |options: &[&str]| pair.run(&[&["bulk"], options].concat(), &[]);
    bulk(&["--for", "12s", "--settle", "0s"]).complains(4, &["12s", "10s"]);
    bulk(&["--for", "6s"]).complains(4, &["11s", "10s"]);
    bulk(&SHORT).complains(4, &["5.0 MB", "no budget"]);
    bulk(&[&SHORT[..], &["--at-most", "6MB"]].concat()).complains(4, &["6.0 MB", "5.0 MB"]);
    let paced = |options: &[&str]| pair.run(&[&["paced"], options].concat(), &[]);
    paced(&["--pace", "3Mbit/s", "--for", "1s"]).complains(4, &["3.00 Mbit/s", "2.00 Mbit/s"]);
    // Ten seconds of 2 Mbit/s are 2083.3 datagrams of 1200 bytes: both ways 2 · 2084 · 1200 bytes may be moved, which
    // the usual three digits cannot tell from what is granted.
    let asked = ["--pace", "2Mbit/s", "--for", "10s", "--settle", "0s", "--toward", "both"];
    paced(&asked).complains(4, &["5001600", "5000000"]);
}

#[test]
fn exactly_what_is_granted_may_be_asked() {
    let _alone = alone();
    let options = ["--limit-rate", "960kbit/s", "--limit-bytes", "240kB", "--limit-duration", "1s"];
    let pair = Pair::with(V4, &options);
    // 100 datagrams of 1200 bytes each way.
    let asked = ["paced", "--pace", "960kbit/s", "--toward", "both", "--json"];
    let done = pair.run(&asked, &["--for", "800ms", "--settle", "200ms"]);
    let record = done.expect_code(0).record();
    for direction in [record.toward_far, record.toward_near] {
        let sent = direction.and_then(|direction| direction.bytes_sent).expect("counted");
        assert!((1..=120_000).contains(&sent), "{sent} bytes were moved");
    }
}

#[test]
fn an_invites_own_limits_hold_beside_the_listeners() {
    let _alone = alone();
    let pair = Pair::with(V6, &["--limit-rate", "20Mbit/s"]);
    pair.bench().invite("slow", &["--limit-rate", "1Mbit/s", "--limit-duration", "5s"]);
    let target = pair.listener().target();
    let slow = |pace: &str, length: &[&str]| -> Finished {
        let asked = ["paced", &target, "--invite", "slow.invite", "--pace", pace];
        pair.bench().run(&[&asked, length].concat())
    };
    slow("2Mbit/s", &SHORT).complains(4, &["2.00 Mbit/s", "1.00 Mbit/s"]);
    slow("1Mbit/s", &["--for", "6s", "--settle", "0s"]).complains(4, &["6s", "5s"]);
    slow("1Mbit/s", &SHORT).expect_code(0);
    pair.run(&["paced", "--pace", "2Mbit/s"], &SHORT).expect_code(0);
}

#[test]
fn a_second_session_is_refused_while_the_first_goes_on() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let idle = pair.listener().idle().0;
    let asked = ["paced", "--pace", "1Mbit/s", "--json"];
    let first = pair.start(&asked, &["--for", "3s", "--settle", "0s"]);
    assert!(within(LIMIT, || pair.listener().holdings().0 > idle), "no data flowed");
    pair.run(&["paced", "--pace", "1Mbit/s"], &SHORT)
        .complains(4, &["refused", "1 measuring session"]);
    let record = first.wait().expect_code(0).record();
    assert_eq!(record.toward_far.and_then(|direction| direction.lost), Some(0), "it was disturbed");
    pair.run(&["paced", "--pace", "1Mbit/s"], &SHORT).expect_code(0);
}

#[test]
fn a_network_that_is_not_allowed_is_not_answered() {
    let pair = Pair::with(V4, &["--allow", "198.51.100.0/24"]);
    pair.run(&["bulk"], &SHORT).complains(4, &[&pair.listener().target()]);
    assert!(pair.listener().log().contains("127.0.0.1 is not within --allow"));
}

#[test]
fn two_minutes_are_granted_unless_told_otherwise() {
    let pair = Pair::at(V4);
    let asked = ["--for", "121s", "--settle", "0s"];
    pair.run(&["bulk"], &asked).complains(4, &["121s", "120s"]);
}
