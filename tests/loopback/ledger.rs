//! Runs kept, read again and exported.

use serde_json::Value;

use crate::check::record;
use crate::common::{LIMIT, Pair, V4, alone, ledger_lines, runs_in, within};

const SHORT: [&str; 4] = ["--for", "500ms", "--settle", "200ms"];

#[test]
fn runs_are_appended_and_a_torn_line_costs_no_other() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let ledger = pair.bench().path("evening.jsonl");
    let path = ledger.to_str().expect("text");
    let run = |name: &str| {
        let place = ["bulk", "--json", "--ledger", path, "--path", name, "--place", "outside"];
        record(&pair, &place, &SHORT)
    };
    let first = run("forwarded port");
    assert_eq!(runs_in(&ledger), std::slice::from_ref(&first), "the ledger holds what was printed");
    let second = run("forwarded port");
    assert_eq!(runs_in(&ledger), [first.clone(), second.clone()]);
    assert!(ledger_lines(&ledger).iter().all(Value::is_object));

    let whole = std::fs::read_to_string(&ledger).expect("the ledger");
    let half = &whole.lines().next().expect("a line")[..200];
    std::fs::write(&ledger, format!("{whole}{half}")).expect("a torn ledger");
    let third = run("forwarded port");
    assert_eq!(runs_in(&ledger), [first, second, third]);
    assert_eq!(ledger_lines(&ledger).iter().filter(|line| line.is_null()).count(), 1);

    let compared = pair.bench().run(&["compare", path]);
    assert!(compared.expect_code(0).stdout.contains("line 3"), "{compared:#?}");
    let document = pair.bench().run(&["compare", path, "--json"]).expect_code(0).json();
    assert_eq!(document["skipped_lines"][0]["number"], 3);
    let rows = document["comparison"]["rows"].as_array().expect("rows");
    assert_eq!((rows.len(), &rows[0]["valid"]), (1, &Value::from(3)), "{rows:#?}");
}

#[test]
fn reports_go_to_files_and_to_standard_output() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let ledger = pair.bench().path("runs.jsonl");
    let path = ledger.to_str().expect("text");
    for (kind, options) in [("bulk", &[][..]), ("paced", &["--pace", "1Mbit/s"][..])] {
        let asked = [&[kind, "--toward", "both", "--ledger", path], options].concat();
        pair.run(&asked, &["--for", "1s", "--settle", "200ms"]).expect_code(0);
    }
    let report =
        ["report", path, "--csv", "runs.csv", "--json", "runs.json", "--markdown", "runs.md"];
    pair.bench().run(&report).expect_code(0);
    let read = |name: &str| std::fs::read_to_string(pair.bench().path(name)).expect("a report");
    for (option, file) in
        [("--csv", "runs.csv"), ("--json", "runs.json"), ("--markdown", "runs.md")]
    {
        let shown = pair.bench().run(&["report", path, option, "-"]);
        assert_eq!(shown.expect_code(0).stdout, read(file), "{file}");
    }
    let csv = read("runs.csv");
    // Two runs, two directions each, and the names.
    assert_eq!(csv.lines().count(), 5, "{csv}");
    assert!(csv.lines().next().is_some_and(|names| names.contains("goodput_bps")));
    let document: Value = serde_json::from_str(&read("runs.json")).expect("JSON");
    let runs = document["runs"].as_array().expect("runs");
    assert_eq!(*runs, ledger_lines(&ledger), "the document holds the runs as they are kept");
    assert!(read("runs.md").lines().any(|line| line.starts_with("| ")), "no table");
}

#[test]
fn two_commands_never_write_to_one_ledger() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let ledger = pair.bench().path("shared.jsonl");
    let asked = ["paced", "--pace", "100kbit/s", "--ledger", "shared.jsonl"];
    let first = pair.start(&asked, &["--for", "2s", "--settle", "0s"]);
    assert!(within(LIMIT, || pair.listener().log().contains("control connection")));
    pair.run(&asked, &SHORT).complains(5, &["shared.jsonl", "another command"]);
    first.wait().expect_code(0);
    assert_eq!(runs_in(&ledger).len(), 1);
}
