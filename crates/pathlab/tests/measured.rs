//! The measuring programs over an emulated path: what they report is what was true.

mod lab;

use std::{
    fs,
    os::unix::fs::DirBuilderExt as _,
    path::{Path, PathBuf},
    process::Command,
};

use lab::{Found, Lab, Truth, expected, quoted};
use serde_json::Value;

const CONFIG: &str = r#"
[[paths]]
name = "worn"
near = "10.90.1.1"
far = "10.90.1.2"
[paths.both_ways]
rate = "100Mbit/s"
delay = "5ms"
loss = { ratio = 0.02 }
duplicate = { ratio = 0.01 }
reorder = { ratio = 0.03, by = "3ms" }
"#;

/// How often a run is tried.
const ATTEMPTS: u32 = 5;

#[test]
fn a_paced_run_counts_what_the_path_did() {
    let Some(programs) = programs() else {
        eprintln!(
            "skipped: culvert and culvertd are not built; `cargo test --workspace` builds them"
        );
        return;
    };
    for (seed, toward) in [(1, "far"), (2, "near"), (3, "far"), (4, "near")] {
        let lab = Lab::new(CONFIG);
        let state = lab.file("listener");
        invite(&programs, &state, &lab.file("invite"));
        let far = format!("exec {}/culvertd --state {}", quoted(&programs), quoted(&state));
        let near = format!(
            "exec {}/culvert paced 10.90.1.2 --invite {} --toward {toward} --pace 20Mbit/s --payload 1200 --for 2s \
             --settle 1s --json >{}",
            quoted(&programs),
            quoted(&lab.file("invite")),
            quoted(&lab.file("record.json")),
        );
        let Some((truth, way)) = run(&lab, seed, &far, &near, toward) else { return };
        let number = |key: &str| way[key].as_u64().unwrap_or_else(|| panic!("{key}: {way}"));
        let found = Found {
            sent: number("sent"),
            lost: number("lost"),
            duplicates: number("duplicates"),
            reordered: number("reordered"),
        };
        // 20 for IPv4 and 8 for UDP around each payload.
        let expected = expected(&truth.of_length(toward, 1_228));
        assert_eq!(found, expected, "seed {seed} toward {toward}");
        assert!(found.lost > 0 && found.duplicates > 0 && found.reordered > 0, "{found:?}");
    }
}

/// The truth of a run and what it measured. One in which this machine lost packets says nothing of the path and is tried
/// again.
fn run(lab: &Lab, seed: u64, far: &str, near: &str, toward: &str) -> Option<(Truth, Value)> {
    for _ in 0..ATTEMPTS {
        let truth = lab.run(seed, far, near, &["--far-listens", "28460"])?;
        let record: Value = serde_json::from_str(&lab.read("record.json")).expect("a record");
        let way = record.get(format!("toward_{toward}")).expect("a direction").clone();
        if truth.is_whole() && way.get("host_dropped") == Some(&Value::from(0)) {
            return Some((truth, way));
        }
    }
    panic!("this machine is too busy: packets were lost outside of the path {ATTEMPTS} times");
}

/// Where the programs are, beside ours.
fn programs() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_BIN_EXE_culvert-pathlab")).parent()?;
    let there = ["culvert", "culvertd"].iter().all(|name| folder.join(name).is_file());
    there.then(|| folder.to_owned())
}

fn invite(programs: &Path, state: &Path, file: &Path) {
    fs::DirBuilder::new().mode(0o700).create(state).expect("a folder");
    let mut command = Command::new(programs.join("culvertd"));
    let output =
        command.args(["invite", "near", "--state"]).arg(state).output().expect("culvertd runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    fs::write(file, output.stdout).expect("an invite");
}
