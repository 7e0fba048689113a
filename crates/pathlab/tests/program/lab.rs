//! Runs the program with a configuration, and reads what it wrote down.

use std::{
    fs,
    path::{Path, PathBuf},
    process::{Command, Output},
};

use serde_json::Value;
use tempfile::TempDir;

/// A place for the files of one run.
pub(crate) struct Lab {
    folder: TempDir,
}

/// What one run wrote down.
pub(crate) struct Truth {
    /// The counters.
    pub(crate) document: Value,
    /// The packets toward one end, in the order they came in.
    pub(crate) packets: Vec<Value>,
}

impl Lab {
    /// A lab with this configuration.
    pub(crate) fn new(config: &str) -> Self {
        let folder = TempDir::with_prefix("culvert-pathlab-").expect("a folder");
        fs::write(folder.path().join("lab.toml"), config).expect("a configuration");
        Self { folder }
    }

    /// A file of the lab.
    pub(crate) fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Runs both commands; `None`, having said so, where this user may not make namespaces.
    pub(crate) fn run(&self, seed: u64, far: &str, near: &str, more: &[&str]) -> Option<Truth> {
        let output = Command::new(env!("CARGO_BIN_EXE_culvert-pathlab"))
            .arg("run")
            .args(["--far", far, "--near", near, "--seed", &seed.to_string()])
            .arg("--config")
            .arg(self.file("lab.toml"))
            .arg("--truth")
            .arg(self.file("truth.json"))
            .arg("--packets")
            .arg(self.file("packets.jsonl"))
            .args(more)
            .output()
            .expect("the program runs");
        let Output { status, stderr, .. } = output;
        let said = String::from_utf8_lossy(&stderr);
        if said.contains("may not make network namespaces") {
            eprintln!("skipped: {said}");
            return None;
        }
        assert!(status.success(), "{status}: {said}");
        let document = serde_json::from_str(&self.read("truth.json")).expect("JSON");
        let packets = self.read("packets.jsonl");
        let packets =
            packets.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect();
        Some(Truth { document, packets })
    }

    /// The content of a file of the lab.
    pub(crate) fn read(&self, name: &str) -> String {
        let file = self.file(name);
        fs::read_to_string(&file).unwrap_or_else(|error| panic!("{}: {error}", file.display()))
    }
}

impl Truth {
    /// The packets toward one end with this length.
    pub(crate) fn of_length(&self, toward: &str, length: u64) -> Vec<&Value> {
        let fits = |line: &&Value| line["toward"] == toward && line["length"] == length;
        self.packets.iter().filter(fits).collect()
    }

    /// Those of them that are UDP (protocol 17 of RFC 768): a segment of another flow may have the same length by chance.
    pub(crate) fn datagrams_of_length(&self, toward: &str, length: u64) -> Vec<&Value> {
        let flows = &self.document["paths"][0]["truth"][format!("toward_{toward}")]["flows"];
        let is_udp = |line: &&Value| {
            let place = usize::try_from(number(line, "flow")).expect("a place");
            flows[place]["flow"]["protocol"] == 17
        };
        self.of_length(toward, length).into_iter().filter(is_udp).collect()
    }

    /// How late packets went out: the 99th percentile of the worse direction, in microseconds.
    pub(crate) fn latest_us(&self) -> f64 {
        let late = |toward| self.document["carriers"][toward]["lateness_us"]["p99"].as_f64();
        late("toward_far").into_iter().chain(late("toward_near")).fold(0.0, f64::max)
    }

    /// Nothing but the paths dropped anything.
    pub(crate) fn is_whole(&self) -> bool {
        let carriers = ["toward_far", "toward_near"].iter().all(|toward| {
            let faults = &self.document["carriers"][toward]["faults"];
            faults.as_object().expect("faults").values().all(|fault| *fault == 0)
        });
        let devices = self.document["devices"].as_array().expect("devices").iter();
        carriers
            && devices
                .into_iter()
                .all(|one| one["receive_dropped"] == 0 && one["send_dropped"] == 0)
    }
}

/// What a receiver must find.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Found {
    pub(crate) sent: u64,
    pub(crate) lost: u64,
    pub(crate) duplicates: u64,
    pub(crate) reordered: u64,
}

/// From the lines of one flow.
pub(crate) fn expected(packets: &[&Value]) -> Found {
    let count =
        |wanted: &dyn Fn(&Value) -> bool| packets.iter().filter(|line| wanted(line)).count() as u64;
    Found {
        sent: packets.len() as u64,
        lost: count(&|line| line["fate"] == "dropped"),
        duplicates: count(&|line| line["duplicated"] == true),
        reordered: extents(&order(packets)).len() as u64,
    }
}

/// The places of the packets of a flow in the order they left the path.
pub(crate) fn order(packets: &[&Value]) -> Vec<usize> {
    let mut left: Vec<(u64, usize)> = (0..)
        .zip(packets)
        .filter(|(_, line)| line["fate"] == "delivered")
        .map(|(place, line)| (number(line, "left"), place))
        .collect();
    left.sort_unstable();
    left.into_iter().map(|(_, place)| place).collect()
}

/// The reordered packets and the extent of each. RFC 4737 section 3.3: reordered is what is smaller than a number before
/// it; section 4.2.1: its extent is how far before it the earliest such one lies.
pub(crate) fn extents(order: &[usize]) -> Vec<(usize, usize)> {
    let extent = |(place, number): (usize, &usize)| {
        let earliest = order[..place].iter().position(|earlier| earlier > number)?;
        Some((*number, place - earliest))
    };
    order.iter().enumerate().filter_map(extent).collect()
}

/// A shell word.
pub(crate) fn quoted(path: &Path) -> String {
    format!("'{}'", path.display())
}

/// The least of the values that so many percent do not exceed.
pub(crate) fn percentile(sorted: &[f64], percent: usize) -> f64 {
    sorted[(percent * sorted.len()).div_ceil(100).max(1) - 1]
}

pub(crate) fn number(line: &Value, key: &str) -> u64 {
    line[key].as_u64().unwrap_or_else(|| panic!("no {key} in {line}"))
}
