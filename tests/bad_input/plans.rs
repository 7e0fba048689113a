//! Plans with unknown keys, impossible values, and none at all.

use crate::common::Bench;

const PLAN: &str = r#"
name = "autumn evening"
rounds = 2

[[paths]]
name = "forwarded port"
place = "outside"
target = "127.0.0.1:9"

[[sessions]]
kind = "paced"
toward = "far"
pace = "5Mbit/s"
payload = 1200
for = "3s"
"#;

#[test]
fn what_is_wrong_in_a_plan_is_named() {
    let bench = Bench::new();
    bench.invite("owner", &[]);
    for (from, into, parts) in [
        ("rounds = 2", "roundz = 2", &["roundz", "line 3"][..]),
        ("rounds = 2", "rounds = 0", &["rounds", "0"]),
        ("rounds = 2", "rounds = \"two\"", &["rounds"]),
        ("rounds = 2", "rounds = 99999999999999999999", &["rounds"]),
        ("payload = 1200", "payload = 70000", &["payload", "70000"]),
        ("payload = 1200", "payload = 8", &["payload", "8"]),
        ("pace = \"5Mbit/s\"", "pace = \"0bit/s\"", &["pace", "line 13"]),
        ("pace = \"5Mbit/s\"", "pace = \"5mbit\"", &["pace", "5mbit"]),
        ("pace = \"5Mbit/s\"", "", &["pace"]),
        ("for = \"3s\"", "for = \"3 fortnights\"", &["for", "fortnights"]),
        ("for = \"3s\"", "for = \"3h\"", &["for", "10800s", "120s"]),
        ("for = \"3s\"", "for = \"3s\"\nflows = 4", &["flows", "paced"]),
        ("place = \"outside\"", "place = \"between\"", &["place", "between"]),
        ("place = \"outside\"", "place = \"inside\"", &["encapsulation"]),
        ("target = \"127.0.0.1:9\"", "target = \"127.0.0.1:99999\"", &["99999"]),
        ("name = \"autumn evening\"", "name = \"autumn", &["plan.toml"]),
    ] {
        assert!(PLAN.contains(from), "{from}");
        bench.write("plan.toml", PLAN.replacen(from, into, 1));
        let done = bench.run(&["survey", "plan.toml", "--invite", "owner.invite"]);
        done.complains(2, &[&["plan.toml"], parts].concat());
        assert!(!bench.path("plan.jsonl").exists(), "a ledger was begun for {into}");
    }
}

#[test]
fn a_plan_that_is_not_there_or_no_text_is_told() {
    let bench = Bench::new();
    bench.invite("owner", &[]);
    let survey = |plan: &str| bench.run(&["survey", plan, "--invite", "owner.invite"]);
    survey("none.toml").complains(2, &["none.toml"]);
    survey(".").complains(5, &["."]);
    bench.write("noise.toml", [0xff; 100]);
    let done = survey("noise.toml");
    done.complains(done.code.filter(|code| [2, 5].contains(code)).unwrap_or(2), &["noise.toml"]);
}

#[test]
fn a_path_that_needs_a_hand_and_finds_none_is_told() {
    let bench = Bench::new();
    bench.invite("owner", &[]);
    let inside = PLAN.replacen(
        "[[sessions]]",
        "[[paths]]\nname = \"tunnel\"\nplace = \"inside\"\ntarget = \"127.0.0.1:9\"\nencapsulation = \"wireguard\"\n\n[[sessions]]",
        1,
    );
    // The outside path is brought up by a command that fails: told with the command, and nothing was measured.
    let failing =
        inside.replacen("place = \"outside\"", "place = \"outside\"\nbring_up = \"exit 7\"", 1);
    bench.write("plan.toml", failing);
    let done = bench.run(&["survey", "plan.toml", "--invite", "owner.invite"]);
    done.complains(5, &["bring_up", "forwarded port", "exit 7", "status 7"]);
}
