//! TCP's goodput of a survey behind a shaper, both ways, against the ceiling of the same survey's comparison.

use std::env;
use std::fs;
use std::path::Path;
use std::time::Duration;

use culvert_record::Way;
use serde_json::Value;

use super::facts::Facts;
use super::{ROUNDS, name};
use crate::lab::{Lab, output_within, script};

/// The median of one way, and what the model allows, bit/s.
#[derive(Debug, Clone, Copy)]
pub(super) struct Reached {
    pub(super) goodput_bps: f64,
    pub(super) ceiling_bps: f64,
}

/// How far off the ceiling a machine that is shared may bring a tunnel, a share: below by what it takes, above by what it
/// held up before the plateau. Lengths are held to the byte there, too.
const SHARED: f64 = 0.03;
/// How often a survey is repeated whose figures are off, each way's nearest to the ceiling counting: what else the machine
/// does holds packets up, before the plateau or in it.
const ATTEMPTS: usize = 3;
/// Without a quiet machine: a rate that the tunnel's two ends and both programs keep up with at a part of one core.
const MODEST_RATE: &str = "20Mbit/s";
/// No survey here takes so long.
const LONGEST_SURVEY: Duration = Duration::from_mins(4);

impl Reached {
    /// How far above the ceiling, a share; below is negative.
    pub(super) fn off(&self) -> f64 {
        self.goodput_bps / self.ceiling_bps - 1.0
    }
}

/// Surveys the tunnel: toward far, toward near.
pub(super) fn check(lab: &Lab, facts: &Facts, folder: &Path) -> [Reached; 2] {
    let rounds = env::var(ROUNDS).ok();
    let rate = if rounds.is_some() { &facts.rate } else { MODEST_RATE };
    lab.does("shape", &[rate, &facts.queue]);
    let plan = folder.join("plan.toml");
    fs::write(&plan, plan_for(lab, facts, rate, rounds.as_deref().unwrap_or("1"))).expect("a plan");
    let within = if rounds.is_some() { facts.within } else { SHARED };
    let (mut best, mut seen) = ([None, None], Vec::new());
    for attempt in 1..=ATTEMPTS {
        let ledger = folder.join(format!("ledger-{attempt}.jsonl"));
        let arguments = ["survey", name(&plan), "--ledger", name(&ledger), "--json"];
        let ran = output_within(&mut lab.culvert(&arguments), LONGEST_SURVEY);
        if ran.status != Some(0) {
            seen.push(format!("exit status {:?}: {}", ran.status, ran.stderr));
            continue;
        }
        let document = serde_json::from_str(&ran.stdout).expect("one JSON document");
        for (way, best) in [Way::Far, Way::Near].into_iter().zip(&mut best) {
            let reached = row_of(&document, &facts.key, way);
            seen.push(format!("attempt {attempt}, toward {way:?}: {reached:?}"));
            if best.is_none_or(|best: Reached| reached.off().abs() < best.off().abs()) {
                *best = Some(reached);
            }
        }
        if let [Some(far), Some(near)] = best
            && [far, near].iter().all(|way| way.off().abs() <= within)
        {
            return [far, near];
        }
        eprintln!("{}: {}", facts.key, seen.join("\n"));
    }
    panic!("{}: off the ceiling in each attempt:\n{}", facts.key, seen.join("\n"));
}

fn row_of(document: &Value, path: &str, way: Way) -> Reached {
    let toward = serde_json::to_value(way).expect("a way");
    let rows = document["comparison"]["rows"].as_array().expect("rows");
    let row = rows
        .iter()
        .find(|row| row["path"]["name"] == path && row["toward"] == toward)
        .unwrap_or_else(|| panic!("no row of {path} {way:?} in {rows:?}"));
    let ceiling = &row["ceiling"];
    // A guessed segment or MTU would be no prediction.
    assert_eq!(ceiling["assumed"], Value::Array(Vec::new()), "{ceiling}");
    Reached {
        goodput_bps: row["goodput_bps"]["median"].as_f64().expect("a median"),
        ceiling_bps: ceiling["bps"].as_f64().expect("a ceiling"),
    }
}

fn plan_for(lab: &Lab, facts: &Facts, rate: &str, rounds: &str) -> String {
    let (key, lab_name, script) = (&facts.key, lab.name(), script());
    let command = |verb: &str| format!("'{}' {verb} {lab_name} {key}", script.display());
    let outside = if facts.inside { "forwarded port" } else { key };
    let inside = format!(
        r#"
[[paths]]
name = "{key}"
place = "inside"
target = "{}"
encapsulation = "{}"
mtu = {}
bring_up = "{}"
take_down = "{}"
is_up = "{}"
"#,
        lab.inside(),
        facts.encapsulations[0].key(),
        facts.mtu.get(),
        command("tunnel-up"),
        command("tunnel-down"),
        command("tunnel-is-up"),
    );
    format!(
        r#"
name = "{key}"
rounds = {rounds}

[sites.near]
name = "cabin"
down = "{rate}"
up = "{rate}"
counted = "ethernet"

[sites.far]
name = "workshop"
down = "{rate}"
up = "{rate}"
counted = "ethernet"

[[paths]]
name = "{outside}"
place = "outside"
target = "{}"
encapsulation = "none"
mtu = 1500
{}
[[sessions]]
kind = "bulk"
toward = "far"
for = "5s"
settle = "1s"

[[sessions]]
kind = "bulk"
toward = "near"
for = "5s"
settle = "1s"
"#,
        lab.outside(),
        if facts.inside { &inside } else { "" },
    )
}
