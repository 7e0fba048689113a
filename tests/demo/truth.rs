//! The emulated paths' own account of what happened, and what the ledger must say if it is right.

use std::fs;
use std::path::Path;

use culvert_record::{Kind, RunRecord, Way};
use serde_json::Value;

/// The names in demo/paths.toml, the outside path first.
pub(crate) const PATHS: [&str; 5] =
    ["forwarded port", "wireguard", "pptp", "openvpn", "ikev2 over wi-fi"];

/// What `culvert-pathlab` wrote down.
pub(crate) struct Truth(Value);

/// What became of one flow of datagrams.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Flow {
    offered: u64,
    dropped: u64,
}

impl Truth {
    /// Reads the document.
    pub(crate) fn of(file: &Path) -> Self {
        Self(serde_json::from_slice(&fs::read(file).expect("the truth")).expect("JSON"))
    }

    /// Every paced run's lost datagrams are those that its path dropped; how many these were on each path.
    pub(crate) fn explains_losses(&self, runs: &[RunRecord]) -> Vec<(String, u64)> {
        let mut lost = Vec::new();
        for name in PATHS {
            let paced = |run: &&RunRecord| {
                run.kind == Kind::Paced && run.path.name.as_deref() == Some(name)
            };
            let paced: Vec<&RunRecord> = runs.iter().filter(paced).collect();
            assert!(!paced.is_empty(), "{name}: no paced run");
            let ways = Way::BOTH.map(|way| self.explains(name, way, &paced));
            lost.push((name.to_owned(), ways.iter().sum()));
        }
        lost
    }

    fn explains(&self, name: &str, way: Way, runs: &[&RunRecord]) -> u64 {
        let directions: Vec<_> =
            runs.iter().map(|run| run.direction(way).expect("both ways were loaded")).collect();
        let fewest = directions.iter().filter_map(|one| one.sent).min().expect("datagrams");
        // The data flows are the only ones of so many datagrams: a probe sends a hundredth of that.
        let flows: Vec<Flow> = self.datagram_flows(name, way);
        let flows: Vec<Flow> = flows.into_iter().filter(|flow| flow.offered >= fewest).collect();
        assert_eq!(flows.len(), runs.len(), "{name} {way:?}: a flow for each run");
        let elsewhere = self.lost_elsewhere();
        for (flow, direction) in flows.iter().zip(&directions) {
            let sent = direction.sent.expect("a count");
            let on_the_way = direction.lost.expect("a count") - direction.host_dropped.unwrap_or(0);
            // A few datagrams of each flow are no data: they open it and prove an address.
            let others = flow.offered - sent;
            assert!(others < 20, "{name} {way:?}: {flow:?}, {sent} sent");
            let true_loss = flow.dropped.saturating_sub(others)..=flow.dropped + elsewhere;
            assert!(true_loss.contains(&on_the_way), "{name} {way:?}: {on_the_way}, {flow:?}");
        }
        directions.iter().filter_map(|one| one.lost).sum()
    }

    /// In the order in which they began, as the runs of a ledger are.
    fn datagram_flows(&self, name: &str, way: Way) -> Vec<Flow> {
        const UDP: u64 = 17;
        let paths = self.0["paths"].as_array().expect("paths");
        let path = paths.iter().find(|path| path["name"] == name);
        let toward = match way {
            Way::Far => "toward_far",
            Way::Near => "toward_near",
        };
        let flows = &path.unwrap_or_else(|| panic!("no {name}"))["truth"][toward]["flows"];
        let datagrams = flows.as_array().expect("flows").iter();
        let datagrams = datagrams.filter(|flow| flow["flow"]["protocol"] == UDP);
        let flow = |flow: &Value| Flow {
            offered: flow["offered"]["packets"].as_u64().expect("a count"),
            dropped: sum(&flow["dropped"]),
        };
        datagrams.map(flow).collect()
    }

    /// What this machine lost and the paths did not drop: nothing, unless it is too busy.
    fn lost_elsewhere(&self) -> u64 {
        let carriers =
            ["toward_far", "toward_near"].map(|toward| sum(&self.0["carriers"][toward]["faults"]));
        let devices = self.0["devices"].as_array().expect("devices").iter();
        let drops = |device: &Value| {
            ["receive_dropped", "send_dropped"].map(|name| device[name].as_u64().expect("a count"))
        };
        carriers.iter().sum::<u64>() + devices.flat_map(drops).sum::<u64>()
    }
}

fn sum(counts: &Value) -> u64 {
    counts.as_object().expect("counts").values().map(|count| count.as_u64().expect("a count")).sum()
}

/// A text without its line breaks, which fall where the terminal is full.
pub(crate) fn flowing(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The command lines of processes that name this folder.
pub(crate) fn processes_of(folder: &Path) -> Vec<String> {
    let name = folder.to_str().expect("a name");
    let numbers = fs::read_dir("/proc").expect("processes").flatten().map(|entry| entry.path());
    let lines = numbers.filter_map(|process| fs::read(process.join("cmdline")).ok());
    let lines = lines.map(|line| String::from_utf8_lossy(&line).replace('\0', " "));
    lines.filter(|line| line.contains(name)).collect()
}
