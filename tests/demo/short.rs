//! The demo's paths and sessions, one round, and as short as a session may be.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use crate::common::{Bench, Finished, Running, alone, ledger_lines, runs_in, within};
use crate::truth::{PATHS, Truth, flowing, processes_of};

/// What the demo's plan says, and what this test's says instead.
const SHORTER: [(&str, &str); 4] = [
    ("rounds = 3", "rounds = 1"),
    ("for = \"1500ms\"", "for = \"1s\""),
    ("settle = \"300ms\"", "settle = \"200ms\""),
    ("settle = \"700ms\"", "settle = \"300ms\""),
];

/// Half a minute on a machine that does nothing else.
const AT_MOST: Duration = Duration::from_secs(100);

#[test]
fn every_path_is_measured_and_its_losses_are_the_true_ones() {
    let _alone = alone();
    let bench = Bench::new();
    let Some(done) = finished(start(&bench)) else { return };
    done.expect_code(0);
    for name in PATHS {
        assert!(done.stdout.contains(name), "{name} is not compared: {done:#?}");
    }
    assert!(flowing(&done.stdout).contains("do not choose pptp however fast"), "{done:#?}");
    let runs = runs_in(&bench.path("ledger.jsonl"));
    assert_eq!(runs.len(), PATHS.len() * 3);
    for run in &runs {
        assert_eq!(run.void, None, "{:?}", run.path.name);
    }
    let lost = Truth::of(&bench.path("truth.json")).explains_losses(&runs);
    // One datagram in a hundred is lost over the Wi-Fi each way, and some 1500 are sent each way: that none is has a
    // chance of less than one in a thousand, and the seed is fixed.
    assert!(lost.iter().any(|(name, lost)| name == "ikev2 over wi-fi" && *lost > 0), "{lost:?}");
    nothing_is_left(bench.path("").as_path());
}

#[test]
fn a_terminated_survey_leaves_nothing_running() {
    let _alone = alone();
    let bench = Bench::new();
    let ledger = bench.path("ledger.jsonl");
    let mut running = start(&bench);
    // The first run is in it, the second one is under way.
    let has_begun = || fs::exists(&ledger).is_ok_and(|is| is) && ledger_lines(&ledger).len() > 1;
    within(AT_MOST, || has_begun() || !running.runs());
    if running.runs() {
        running.signal("TERM");
    }
    let Some(done) = finished(running) else { return };
    done.expect_code(130);
    assert!(!runs_in(&ledger).is_empty());
    nothing_is_left(bench.path("").as_path());
}

/// Starts both programs on the emulated hosts.
fn start(bench: &Bench) -> Running {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut plan = fs::read_to_string(root.join("demo/plan.toml")).expect("the demo's plan");
    for (theirs, ours) in SHORTER {
        assert!(plan.contains(theirs), "the demo's plan does not say {theirs}");
        plan = plan.replace(theirs, ours);
    }
    let plan = bench.write("plan.toml", plan);
    let invite = bench.invite("owner", &[]);
    let words = |words: &[&dyn AsRef<Path>]| -> String {
        let quoted = words.iter().map(|word| format!("'{}'", word.as_ref().display()));
        format!("exec {}", quoted.collect::<Vec<_>>().join(" "))
    };
    let far = words(&[&env!("CARGO_BIN_EXE_culvertd"), &"--state", &bench.state()]);
    let ledger = bench.path("ledger.jsonl");
    let near: [&dyn AsRef<Path>; 7] = [
        &env!("CARGO_BIN_EXE_culvert"),
        &"survey",
        &plan,
        &"--ledger",
        &ledger,
        &"--invite",
        &invite,
    ];
    let mut command = Command::new(emulator(root));
    command
        .args(["run", "--far-listens", "28460", "--far", &far, "--near", &words(&near)])
        .arg("--config")
        .arg(root.join("demo/paths.toml"))
        .arg("--truth")
        .arg(bench.path("truth.json"));
    Running::spawn(command)
}

/// Waits for its end; `None`, having said so, where this user may not make namespaces.
fn finished(running: Running) -> Option<Finished> {
    let done = running.wait_within(AT_MOST);
    let refused = done.stderr.contains("may not make network namespaces");
    if refused {
        eprintln!("skipped: {}", done.stderr);
    }
    (!refused).then_some(done)
}

/// The program of the crate below, beside this package's own. Cargo builds only those before a test of this package.
fn emulator(root: &Path) -> PathBuf {
    let profile = if cfg!(debug_assertions) { "dev" } else { "release" };
    let built = Command::new("cargo")
        .args([
            "build",
            "--quiet",
            "--locked",
            "--package",
            "culvert-pathlab",
            "--profile",
            profile,
        ])
        .current_dir(root)
        .status()
        .expect("cargo can be run");
    assert!(built.success());
    Path::new(env!("CARGO_BIN_EXE_culvert")).with_file_name("culvert-pathlab")
}

fn nothing_is_left(folder: &Path) {
    // The kernel may need a moment to take away who was killed.
    let gone = within(Duration::from_secs(2), || processes_of(folder).is_empty());
    assert!(gone, "{:?}", processes_of(folder));
}
