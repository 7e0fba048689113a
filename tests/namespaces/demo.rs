//! The demo through a real tunnel, as a new user runs it.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use culvert_record::{Kind, Place, Way, parse_ledger};

use crate::lab::output;

/// What demo/README.md reckons beforehand, Mbit/s, and how far off a run may be.
const OUTSIDE: f64 = 100.0 * 1448.0 / 1538.0;
const INSIDE: f64 = 100.0 * 1368.0 / 1518.0;
const WITHIN: f64 = 0.005;

#[test]
#[ignore = "surveys for three minutes, alone on the machine: scripts/test --demo"]
fn the_demo_shows_what_its_story_reckons() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let folder = tempfile::TempDir::new().expect("a scratch folder");
    let into = folder.path().join("demo");
    let built = Command::new("cargo")
        .args(["build", "--release", "--locked"])
        .current_dir(root)
        .status()
        .expect("cargo can be run");
    assert!(built.success());
    let began = Instant::now();
    let status = Command::new(root.join("scripts/demo"))
        .arg("--real")
        .arg("--into")
        .arg(&into)
        .status()
        .expect("the demo can be run");
    assert!(status.success());
    assert!(began.elapsed() < Duration::from_mins(4), "{:?}", began.elapsed());

    let ledger = parse_ledger(&fs::read(into.join("ledger.jsonl")).expect("the ledger"));
    assert_eq!((ledger.headers.len(), ledger.skipped.len()), (1, 0));
    // Two paths, four sessions, three rounds.
    assert_eq!(ledger.runs.len(), 24);
    for run in &ledger.runs {
        assert_eq!(run.void, None, "{}", run.id);
        let ceiling = if run.path.place == Some(Place::Inside) { INSIDE } else { OUTSIDE } * 1e6;
        for way in [Way::Far, Way::Near] {
            let Some(direction) = run.direction(way) else { continue };
            if run.kind == Kind::Bulk {
                let goodput = direction.goodput_bps.expect("goodput") as f64;
                let off = (goodput - ceiling).abs() / ceiling;
                assert!(off <= WITHIN, "{:?} {way:?}: {goodput} of {ceiling}", run.path.name);
            } else {
                assert_eq!(direction.lost, Some(0), "{:?} {way:?}", run.path.name);
            }
        }
    }
    for file in ["runs.csv", "runs.json", "report.md", "comparison.txt", "listener.log"] {
        let length = fs::metadata(into.join(file)).map(|file| file.len());
        assert!(length.is_ok_and(|length| length > 0), "{file}");
    }
    // One line of headings, one a run and way.
    let csv = fs::read_to_string(into.join("runs.csv")).expect("the runs");
    assert_eq!(csv.lines().count(), 25);
    let json = fs::read(into.join("runs.json")).expect("the runs");
    serde_json::from_slice::<serde_json::Value>(&json).expect("one JSON document");
    assert!(!into.join("invite").exists() && !into.join("listener").exists());
    let left = output(Command::new("ip").args(["netns", "list"]));
    assert!(!left.stdout.contains("cv-demo-"), "{}", left.stdout);
}
