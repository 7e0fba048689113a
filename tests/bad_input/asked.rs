//! Sessions that cannot be as they were asked, and ledgers that cannot be written.

use crate::SHORT;
use crate::common::{Bench, Pair, V4, alone};

#[test]
fn what_cannot_be_asked_is_a_usage_error_with_its_value() {
    let bench = Bench::new();
    bench.invite("owner", &[]);
    let paced = ["paced", "127.0.0.1:9", "--invite", "owner.invite"];
    let bulk = ["bulk", "127.0.0.1:9", "--invite", "owner.invite"];
    for (command, options, parts) in [
        (paced, &["--pace", "0Mbit/s"][..], &["0 bit/s"][..]),
        (paced, &["--pace", "5mbit"], &["5mbit", "--pace"]),
        (paced, &["--pace", "5"], &["'5'", "--pace"]),
        (paced, &["--pace=-5Mbit/s"], &["-5Mbit/s"]),
        (paced, &["--pace", "99999999999Gbit/s"], &["99999999999Gbit/s"]),
        (paced, &[], &["--pace"]),
        (paced, &["--pace", "5Mbit/s", "--payload", "70000"], &["70000", "--payload"]),
        (paced, &["--pace", "5Mbit/s", "--payload", "65508"], &["65508", "65507"]),
        (paced, &["--pace", "5Mbit/s", "--payload", "31"], &["31", "--payload"]),
        (paced, &["--pace", "5Mbit/s", "--for", "10s", "--at-most", "1MB"], &["1.0 MB"]),
        (bulk, &["--for", "0s"], &["0"]),
        (bulk, &["--for", "1us"], &["1us"]),
        (bulk, &["--for", "soon"], &["soon"]),
        (bulk, &["--for", "1s", "--settle", "1ms"], &["1s"]),
        (bulk, &["--flows", "0"], &["'0'", "--flows"]),
        (bulk, &["--flows", "65"], &["'65'", "--flows"]),
        (bulk, &["--toward", "fart"], &["fart", "--toward"]),
        (bulk, &["--family", "ipv5"], &["ipv5"]),
        (bulk, &["--place", "between"], &["between"]),
        (bulk, &["--encapsulation", "carrier-pigeon"], &["carrier-pigeon"]),
        (bulk, &["--congestion-control", "no spaces"], &["congestion control"]),
        (bulk, &["--sped"], &["--sped"]),
    ] {
        bench.run(&[&command[..], options].concat()).complains(2, parts);
    }
    bench.run(&["blulk"]).complains(2, &["blulk"]);
    bench.run(&["bulk", "127.0.0.1:99999", "--invite", "owner.invite"]).complains(2, &["99999"]);
    bench.run::<&str>(&[]).complains(2, &["subcommand"]);
}

#[test]
fn an_argument_that_is_no_text_is_an_error_like_any_other() {
    use std::ffi::{OsStr, OsString};
    use std::os::unix::ffi::OsStrExt as _;

    let bench = Bench::new();
    let nonsense = OsStr::from_bytes(&[0xff, 0xfe]).to_owned();
    bench.run(&[OsString::from("bulk"), nonsense.clone()]).complains(2, &[]);
    let file = [OsString::from("bulk"), "127.0.0.1:9".into(), "--invite".into(), nonsense];
    bench.run(&file).complains(2, &[]);
}

#[test]
fn a_congestion_control_that_the_kernel_lacks_is_a_local_fault() {
    let pair = Pair::at(V4);
    let available = std::fs::read_to_string("/proc/sys/net/ipv4/tcp_available_congestion_control");
    let available = available.expect("the list");
    let first = available.split_whitespace().next().expect("one at least");
    for toward in ["far", "near"] {
        let asked = ["bulk", "--toward", toward, "--congestion-control", "nosuchthing"];
        pair.run(&asked, &SHORT).complains(5, &["nosuchthing", first]);
    }
}

#[test]
fn a_ledger_that_cannot_be_written_stops_before_anything_is_dialled() {
    let pair = Pair::at(V4);
    std::fs::create_dir(pair.bench().path("folder")).expect("a folder");
    for ledger in ["nowhere/l.jsonl", "folder", "/dev/null", "owner.invite/l.jsonl"] {
        pair.run(&["bulk", "--ledger", ledger], &SHORT).complains(5, &[ledger]);
    }
    assert!(!pair.listener().log().contains("control connection"), "{}", pair.listener().log());
}

#[test]
fn a_ledger_that_is_not_there_or_empty_has_nothing_to_show() {
    let bench = Bench::new();
    bench.run(&["compare", "none.jsonl"]).complains(2, &["none.jsonl"]);
    bench.run(&["report", "none.jsonl", "--csv", "-"]).complains(2, &["none.jsonl"]);
    bench.write("empty.jsonl", "");
    bench.run(&["compare", "empty.jsonl"]).complains(2, &["empty.jsonl"]);
    bench.write("noise.jsonl", [0xff; 5_000]);
    bench.run(&["compare", "noise.jsonl"]).complains(2, &["noise.jsonl"]);
    bench.run(&["report", "empty.jsonl"]).complains(2, &["--csv"]);
}

#[test]
fn a_report_that_cannot_be_written_is_a_local_fault() {
    let _alone = alone();
    let pair = Pair::at(V4);
    pair.run(&["bulk", "--ledger", "l.jsonl"], &SHORT).expect_code(0);
    let report = ["report", "l.jsonl", "--csv", "nowhere/runs.csv"];
    pair.bench().run(&report).complains(5, &["nowhere/runs.csv"]);
    pair.bench().run(&["report", "l.jsonl", "--json", "/dev/full"]).complains(5, &["/dev/full"]);
}
