//! The model against packets that another program builds: scapy 2.8.0 lays out the headers, its `cryptography` encrypts.
//!
//! For every inner length up to 1500 the built packet is as long as the model says. scapy is fetched into the target
//! folder, once; without Python or network the test says that it was skipped, and fails where the variable `CI` is set.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use culvert_pathmodel::{Encapsulation, Family};
use culvert_units::Mtu;

const LONGEST: u16 = 1500;
const SCAPY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/scapy");
const KEPT: &str = concat!(env!("CARGO_TARGET_TMPDIR"), "/scapy-2.8.0");

#[test]
fn scapy_builds_packets_of_the_models_lengths() {
    let python = match python_with_scapy() {
        Ok(python) => python,
        Err(reason) => return skip(&reason),
    };
    let mut builder = bounded(600, &python);
    builder.arg("-B").arg(format!("{SCAPY}/build_packets.py")).arg(LONGEST.to_string());
    let output = builder.output().expect("the builder starts");
    assert!(output.status.success(), "the builder failed: {}", stderr(&output));
    let lines = String::from_utf8(output.stdout).expect("text");
    let stacks: Vec<_> = lines.lines().map(Stack::read).collect();
    for stack in &stacks {
        stack.agrees_with_the_model();
    }
    for kind in
        ["esp-", "esp-transport-", "l2tp", "l2tp-esp-", "gre", "pptp-mppe", "vxlan", "geneve"]
    {
        assert!(stacks.iter().any(|stack| stack.key.starts_with(kind)), "{kind} was not built");
    }
    assert!(stacks.len() >= 60, "{} stacks were built", stacks.len());
}

/// What was built with one stack of headers.
struct Stack {
    key: String,
    outer: Family,
    /// Inner and outer lengths.
    lengths: Vec<(u16, u32)>,
}

impl Stack {
    fn read(line: &str) -> Self {
        let words: Vec<_> = line.split(' ').collect();
        let [key, outer, _, first, lengths @ ..] = words.as_slice() else { panic!("{line}") };
        let first: u16 = first.parse().expect("the first inner length");
        let lengths = lengths.iter().map(|length| length.parse().expect("a length"));
        Self {
            key: (*key).to_owned(),
            outer: if *outer == "6" { Family::Ipv6 } else { Family::Ipv4 },
            lengths: (first..=LONGEST).zip(lengths).collect(),
        }
    }

    fn agrees_with_the_model(&self) {
        let Self { key, outer, lengths } = self;
        let row: Encapsulation = key.parse().expect("a key of the table");
        let mtu = Mtu::new(LONGEST).expect("an MTU");
        assert_eq!(lengths.last().map(|(inner, _)| *inner), Some(LONGEST), "{key}");
        for (inner, built) in lengths {
            assert_eq!(
                row.outer_length(*inner, *outer, mtu),
                *built,
                "{key} over {outer} around {inner}"
            );
        }
        let fits = lengths.iter().filter(|(_, built)| *built <= u32::from(LONGEST)).max();
        let largest = row.largest_inner(mtu, *outer).map(Mtu::get);
        assert_eq!(largest.ok(), fits.map(|(inner, _)| *inner), "{key} over {outer}");
    }
}

#[expect(clippy::print_stderr, reason = "a test that did not test must say so")]
fn skip(reason: &str) {
    assert!(std::env::var_os("CI").is_none(), "scapy must be here where CI is set: {reason}");
    eprintln!(
        "\n==== SKIPPED: no packet was built with scapy, the lengths were not compared: {reason} ====\n"
    );
}

/// The interpreter of an environment with scapy in it, which is made when it is not there yet.
fn python_with_scapy() -> Result<PathBuf, String> {
    let python = Path::new(KEPT).join("bin/python");
    if python.exists() {
        return Ok(python);
    }
    // Made aside and moved when it is complete, since another run may do the same.
    let aside = PathBuf::from(format!("{KEPT}.{}", std::process::id()));
    let made = make_environment(&aside).and_then(|()| match fs::rename(&aside, KEPT) {
        Err(_) if python.exists() => Ok(()),
        moved => moved.map_err(|error| error.to_string()),
    });
    // What could not be made or moved is of no use.
    let _ = fs::remove_dir_all(&aside);
    made.map(|()| python)
}

fn make_environment(folder: &Path) -> Result<(), String> {
    run(bounded(120, Path::new("python3")).args(["-m", "venv"]).arg(folder))?;
    let install =
        ["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "--retries", "1"];
    run(bounded(300, &folder.join("bin/python"))
        .args(install)
        .args(["--timeout", "20", "--requirement"])
        .arg(format!("{SCAPY}/requirements.txt")))
}

fn run(command: &mut Command) -> Result<(), String> {
    match command.output() {
        Err(error) => Err(error.to_string()),
        Ok(output) if output.status.success() => Ok(()),
        Ok(output) => Err(stderr(&output)),
    }
}

/// A command that is ended after so many seconds.
fn bounded(seconds: u32, program: &Path) -> Command {
    let mut command = Command::new("timeout");
    command.arg(seconds.to_string()).arg(program);
    command
}

fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).trim().to_owned()
}
