//! What is printed where.

use serde_json::Value;

use crate::common::{Bench, Pair, Running, V4, alone};

const SHORT: [&str; 4] = ["--for", "500ms", "--settle", "200ms"];

#[test]
fn quiet_says_nothing_and_json_prints_one_document() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let quiet = pair.run(&["bulk", "--quiet"], &SHORT);
    quiet.expect_code(0);
    assert_eq!(quiet.stderr, "", "{quiet:#?}");
    assert!(quiet.stdout.contains("toward far"), "{quiet:#?}");
    let json = pair.run(&["bulk", "--json"], &SHORT);
    json.expect_code(0).record();
    assert_eq!(json.stdout.lines().count(), 1);
    assert!(json.stderr.contains("RFC 6815"), "the caution is missing: {json:#?}");
}

#[test]
fn the_invite_may_come_from_the_environment() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let invite = std::fs::read_to_string(pair.bench().path("owner.invite")).expect("the invite");
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_culvert"));
    command.args(["bulk", &pair.listener().target(), "--json"]).args(SHORT);
    command.env("CULVERT_INVITE", invite);
    Running::spawn(command).wait().expect_code(0).record();
}

#[test]
fn the_model_is_printed_without_a_network() {
    let bench = Bench::new();
    let ceiling = ["ceiling", "--link-rate", "100Mbit/s"];
    let table = bench.run(&ceiling);
    table.expect_code(0);
    for name in ["none", "wireguard", "esp-gcm", "esp-cbc", "openvpn-udp-aead", "pptp-mppe"] {
        assert!(table.stdout.contains(name), "{name} is missing: {}", table.stdout);
    }
    let one = [&ceiling[..], &["--encapsulation", "wireguard", "--json"]].concat();
    let document = bench.run(&one).expect_code(0).json();
    // A full packet of the tunnel's MTU, 1420 bytes, holds 1420 − 20 − 20 − 12 of TCP payload (RFC 791, 9293,
    // 7323) and takes 1420 + 32 (WireGuard's data message, whitepaper 5.4.6) + 8 + 20 + 38 bytes of the line.
    let wanted = 100_000_000.0 * 1368.0 / 1518.0;
    let found = numbers(&document).any(|number| (number - wanted).abs() <= 1.0);
    assert!(found, "{wanted} bit/s is nowhere in {document:#}");
    let csv = bench.run(&[&ceiling[..], &["--csv"]].concat());
    let lines: Vec<&str> = csv.expect_code(0).stdout.lines().collect();
    assert!(lines.len() > 5 && lines[0].split(',').count() > 3, "{lines:#?}");
}

/// Every number anywhere in a document.
fn numbers(value: &Value) -> Box<dyn Iterator<Item = f64> + '_> {
    match value {
        Value::Array(items) => Box::new(items.iter().flat_map(numbers)),
        Value::Object(fields) => Box::new(fields.values().flat_map(numbers)),
        _ => Box::new(value.as_f64().into_iter()),
    }
}
