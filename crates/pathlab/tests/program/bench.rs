//! The measuring programs on the two hosts of an emulated path.

use std::{
    fs,
    os::unix::fs::DirBuilderExt as _,
    path::{Path, PathBuf},
    process::Command,
};

use serde_json::Value;

use crate::lab::{Lab, Truth, quoted};

/// How often a run is tried.
const ATTEMPTS: u32 = 5;

/// Both programs, on the two hosts of a path.
pub(crate) struct Bench {
    lab: Lab,
    far: &'static str,
    programs: Option<PathBuf>,
}

impl Bench {
    pub(crate) fn new(
        [near, far]: [&'static str; 2],
        encapsulation: &str,
        conditions: &str,
    ) -> Self {
        let config = format!(
            "[[paths]]\nname = \"path\"\nnear = \"{near}\"\nfar = \"{far}\"\nencapsulation = \"{encapsulation}\"\n\
             [paths.both_ways]\n{conditions}"
        );
        Self { lab: Lab::new(&config), far, programs: programs() }
    }

    /// The length of the IP packet around a payload: 20 bytes of IPv4 or 40 of IPv6, and 8 of UDP.
    pub(crate) fn length(&self, payload: u64) -> u64 {
        payload + if self.far.contains(':') { 48 } else { 28 }
    }

    /// The truth of a run and its record, the session being the kind and its options. One in which this machine lost packets says nothing of the path and
    /// is tried again.
    pub(crate) fn run(&self, seed: u64, session: &str) -> Option<(Truth, Value)> {
        self.run_near(seed, session, "")
    }

    /// The same of a session that may well end as a failure, which its record tells.
    pub(crate) fn run_to_any_end(&self, seed: u64, session: &str) -> Option<(Truth, Value)> {
        self.run_near(seed, session, " || true")
    }

    fn run_near(&self, seed: u64, session: &str, or: &str) -> Option<(Truth, Value)> {
        let Some(programs) = &self.programs else {
            eprintln!(
                "skipped: culvert and culvertd are not built; `cargo test --workspace` builds them"
            );
            return None;
        };
        let (state, invite_file) = (self.lab.file("listener"), self.lab.file("invite"));
        if !invite_file.exists() {
            invite(programs, &state, &invite_file);
        }
        let far = format!(
            "exec {}/culvertd --state {} --limit-sessions 2",
            quoted(programs),
            quoted(&state)
        );
        let target =
            if self.far.contains(':') { format!("[{}]", self.far) } else { self.far.to_owned() };
        let (kind, options) = session.split_once(' ').expect("a kind and its options");
        let near = format!(
            "{}/culvert {kind} '{target}' --invite {} {options} --json >{}{or}",
            quoted(programs),
            quoted(&invite_file),
            quoted(&self.lab.file("record.json")),
        );
        for _ in 0..ATTEMPTS {
            let truth = self.lab.run(seed, &far, &near, &["--far-listens", "28460"])?;
            let record: Value =
                serde_json::from_str(&self.lab.read("record.json")).expect("a record");
            // A way that was not loaded, and TCP, have no such count.
            let none_dropped = |way: &str| record[way]["host_dropped"].as_u64().unwrap_or(0) == 0;
            if truth.is_whole() && none_dropped("toward_far") && none_dropped("toward_near") {
                return Some((truth, record));
            }
        }
        panic!("this machine is too busy: packets were lost outside of the path {ATTEMPTS} times");
    }
}

/// Where the programs are, beside ours.
pub(crate) fn programs() -> Option<PathBuf> {
    let folder = Path::new(env!("CARGO_BIN_EXE_culvert-pathlab")).parent()?;
    let there = ["culvert", "culvertd"].iter().all(|name| folder.join(name).is_file());
    there.then(|| folder.to_owned())
}

pub(crate) fn invite(programs: &Path, state: &Path, file: &Path) {
    fs::DirBuilder::new().mode(0o700).create(state).expect("a folder");
    let mut command = Command::new(programs.join("culvertd"));
    let output =
        command.args(["invite", "near", "--state"]).arg(state).output().expect("culvertd runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    fs::write(file, output.stdout).expect("an invite");
}
