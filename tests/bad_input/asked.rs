//! Sessions that cannot be as they were asked, and ledgers that cannot be written.

use crate::SHORT;
use culvert_record::{Caveat, RunRecord, Way};

use crate::common::{Bench, Pair, Running, V4, alone};

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
        (bulk, &["--mss", "87"], &["87", "--mss"]),
        (bulk, &["--mss", "32768"], &["32768", "--mss"]),
        (bulk, &["--dscp", "64"], &["64", "--dscp"]),
        (bulk, &["--dscp", "af14"], &["af14", "cs1"]),
        (bulk, &["--buffer", "65MiB"], &["68.2 MB", "67.1 MB"]),
        (bulk, &["--baseline", "6s"], &["6s", "--baseline"]),
        (bulk, &["--baseline", "soon"], &["soon", "--baseline"]),
        (bulk, &["--pin", "9999"], &["core 9999", "may use"]),
        (bulk, &["--pin", "0,9999"], &["core 9999"]),
        (bulk, &["--pin", "one"], &["one", "--pin"]),
        (paced, &["--pace", "5Mbit/s", "--pin", "4294967295"], &["core 4294967295"]),
        (paced, &["--pace", "5Mbit/s", "--mss", "1000"], &["--mss"]),
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
fn a_core_that_the_listener_may_not_use_is_a_usage_error() {
    let bench = Bench::new();
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_culvertd"));
    command.args(["--listen", "127.0.0.1:0", "--pin", "0,9999", "--state"]).arg(bench.state());
    Running::spawn(command).wait().complains(2, &["core 9999", "may use"]);
}

#[test]
fn a_buffer_that_the_kernel_caps_is_told() {
    let asleep = std::fs::read_to_string("/proc/sys/net/core/wmem_max").expect("the limit");
    let limit: u64 = asleep.trim().parse().expect("a number");
    let _alone = alone();
    let pair = Pair::at(V4);
    let invite = std::fs::read_to_string(pair.bench().path("owner.invite")).expect("the invite");
    let ask = |session: &[&str], bytes: u64| {
        // Whoever may administer the network gets what is asked: only others are capped (socket(7)).
        let mut command = std::process::Command::new("setpriv");
        command.args(["--bounding-set=-net_admin", "--inh-caps=-net_admin"]);
        command.arg(env!("CARGO_BIN_EXE_culvert")).args(session).arg(pair.listener().target());
        command.args(["--buffer", &format!("{bytes}B"), "--json"]).args(SHORT);
        command.env("CULVERT_INVITE", invite.trim());
        Running::spawn(command).wait().expect_code(0).record()
    };
    let capped = |record: &RunRecord| {
        record.caveats.iter().filter_map(Caveat::from_finding).find_map(|caveat| match caveat {
            Caveat::BufferCapped { toward: Way::Far, asked_bytes, granted_bytes } => {
                Some((asked_bytes, granted_bytes))
            }
            _ => None,
        })
    };
    // A little more than the limit: twice that, which Linux reports, is more than was asked, and yet it is capped.
    let bulk = ["bulk", "--flows", "3"];
    let record = ask(&bulk, limit + 1_000);
    assert_eq!(capped(&record), Some((limit + 1_000, 3 * 2 * limit)));
    let buffer = record.toward_far.as_ref().and_then(|way| way.send_buffer).expect("a buffer");
    assert_eq!((buffer.asked_bytes, buffer.granted_bytes), (Some(limit + 1_000), Some(6 * limit)));
    assert_eq!(capped(&ask(&bulk, limit)), None);
    let paced = ["paced", "--pace", "1Mbit/s"];
    assert_eq!(capped(&ask(&paced, limit + 1_000)), Some((limit + 1_000, 2 * limit)));
    assert_eq!(capped(&ask(&paced, limit)), None);
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
