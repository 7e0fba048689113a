//! What calls found: each part, each direction, and whether it is fit for a call.

use culvert_record::{Beside, CallOutcome, RunRecord, Way, describe_caveat, describe_void};
use culvert_stats::Kept;
use serde::Serialize;

use crate::{
    cells::printable,
    figures::{bps, milliseconds, or_missing, way},
    table,
};

/// The name and version of the document.
pub const CALLS_SCHEMA: &str = "culvert/calls/1";

/// All parts of a call session: one document.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CallsReport {
    schema: &'static str,
    target: String,
    /// Why it ended before its time; `null` when it did not.
    pub broken_off: Option<String>,
    /// The parts in the order they were made.
    pub parts: Vec<CallsPart>,
}

/// One part of a call session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CallsPart {
    /// What else loaded the path.
    pub beside: Beside,
    /// Why there is nothing to tell of it; `null` when there is.
    pub not_measured: Option<String>,
    /// The run record, with the verdict in `call`; `null` when nothing ran.
    pub run: Option<RunRecord>,
}

/// The percentiles of PDV, the loss and its N, and where the path stands.
const HEADER: [&str; 8] =
    ["call", "toward", "lost of N", "PDV p99 ms", "of N", "delay ms", "Y.1541", "R*"];

impl CallsReport {
    /// Without any part yet.
    pub const fn new(target: String) -> Self {
        Self { schema: CALLS_SCHEMA, target, broken_off: None, parts: Vec::new() }
    }

    /// The parts in at most `width` columns of text, ending with a newline.
    pub fn terminal(&self, width: u16) -> String {
        let mut text = printable(&format!("calls · {}", self.target));
        text.push('\n');
        if let Some(reason) = &self.broken_off {
            let said = format!("broken off, and what follows is a part: {reason}");
            text.push_str(&table::paragraph(width, "! ", &said));
        }
        let rows: Vec<_> = self.parts.iter().flat_map(CallsPart::rows).collect();
        if !rows.is_empty() {
            text.push('\n');
            text.push_str(&table::lines(width, &HEADER, &rows));
        }
        text.push('\n');
        for sentence in self.parts.iter().flat_map(CallsPart::sentences) {
            text.push_str(&table::paragraph(width, "", &sentence));
        }
        text.push('\n');
        text.push_str(&table::paragraph(width, "", NOTES));
        text.push_str(&self.caveats(width));
        text
    }

    fn caveats(&self, width: u16) -> String {
        let mut text = String::new();
        for part in &self.parts {
            for caveat in part.run.iter().flat_map(|run| &run.caveats) {
                if text.is_empty() {
                    text.push_str("\ncaveats\n");
                }
                let said = format!("{}: {}", beside(part.beside), describe_caveat(caveat));
                text.push_str(&table::paragraph(width, "  ! ", &said));
            }
        }
        text
    }
}

/// Where the objectives are from.
const NOTES: &str = "fit: one-way delay within 150 ms (G.114, from memory), loss within 1 %, no more than 3 packets lost in \
                     a row and the 99th percentile of PDV within 40 ms (common practice). Y.1541: the classes kept, as RFC \
                     5976 2.1 summarises them; ? where the packets do not tell. R*: of the E-model, formulas and constants \
                     from memory.";

impl CallsPart {
    fn outcomes(&self) -> Vec<(Way, &RunRecord, &CallOutcome)> {
        let Some((run, call)) = self.run.as_ref().and_then(|run| Some((run, run.call.as_ref()?)))
        else {
            return Vec::new();
        };
        let ways = [(Way::Far, &call.toward_far), (Way::Near, &call.toward_near)];
        ways.into_iter().filter_map(|(way, found)| Some((way, run, found.as_ref()?))).collect()
    }

    fn rows(&self) -> Vec<Vec<String>> {
        self.outcomes()
            .into_iter()
            .map(|(toward, run, found)| {
                let pdv = run.direction(toward).and_then(|direction| direction.pdv_us);
                let sign = if found.delay_from_round_trip { "≈ " } else { "" };
                vec![
                    beside(self.beside).to_owned(),
                    way(toward).to_owned(),
                    format!("{} of {}", found.lost_on_path, found.sent),
                    or_missing(pdv.map(|pdv| milliseconds(pdv.p99 as f64))),
                    or_missing(found.timed.map(|n| n.to_string())),
                    or_missing(found.delay_ms.map(|ms| format!("{sign}{ms:.1}"))),
                    classes(found),
                    or_missing(found.e_model.as_ref().map(|model| format!("{:.0}", model.rating))),
                ]
            })
            .collect()
    }

    fn sentences(&self) -> Vec<String> {
        let part = beside(self.beside);
        if let Some(reason) = &self.not_measured {
            return vec![format!("{part}: cannot tell, {reason}")];
        }
        if let Some(void) = self.run.as_ref().and_then(|run| run.void.as_ref()) {
            return vec![format!("{part}: cannot tell, the run is void: {}", describe_void(void))];
        }
        let mut sentences: Vec<_> = self
            .outcomes()
            .into_iter()
            .map(|(toward, _, found)| format!("{part}, toward {}: {}", way(toward), verdict(found)))
            .collect();
        let bulk = self.run.as_ref().and_then(|run| run.call.as_ref()?.bulk_goodput_bps);
        sentences.extend(bulk.map(|rate| {
            format!("{part}: the bulk flow had {} of goodput meanwhile", bps(rate as f64))
        }));
        sentences
    }
}

fn verdict(found: &CallOutcome) -> String {
    let named = |wanted: Kept| {
        let all = [
            (found.delay_good, "delay"),
            (found.loss, "loss"),
            (found.loss_run, "loss runs"),
            (found.variation, "delay variation"),
        ];
        let some: Vec<_> =
            all.into_iter().filter(|(kept, _)| *kept == wanted).map(|(_, name)| name).collect();
        some.join(", ")
    };
    match found.fit {
        Kept::Yes => "fit for a call".to_owned(),
        Kept::No => format!("not fit for a call: {}", named(Kept::No)),
        Kept::Unknown => {
            let few = if found.sent < ENOUGH || found.timed.is_none_or(|n| n < ENOUGH) {
                format!(": {} packets are too few", found.sent)
            } else {
                String::new()
            };
            format!("cannot tell{few}; not known: {}", named(Kept::Unknown))
        }
    }
}

/// So many without a loss are needed before the exact 95 % interval of 1 % is kept: 0.975 = 1 − 0.99ⁿ.
const ENOUGH: u64 = 368;

/// The classes that are kept, and those that may be.
fn classes(found: &CallOutcome) -> String {
    let some: Vec<_> = found
        .classes
        .iter()
        // Class 5 asks for nothing.
        .filter(|class| class.class != 5)
        .filter_map(|class| match class.kept() {
            Kept::Yes => Some(class.class.to_string()),
            Kept::Unknown => Some(format!("{}?", class.class)),
            Kept::No => None,
        })
        .collect();
    if some.is_empty() { "none".to_owned() } else { some.join(" ") }
}

const fn beside(beside: Beside) -> &'static str {
    match beside {
        Beside::Alone => "alone",
        Beside::BulkTowardFar => "beside bulk toward far",
        Beside::BulkTowardNear => "beside bulk toward near",
    }
}
