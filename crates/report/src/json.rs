//! The comparison and its runs as one JSON document.

use std::io::{self, Write};

use culvert_record::{CapacityRecord, RunRecord, SurveyHeader};
use culvert_verdict::Comparison;
use serde::Serialize;

use crate::{Exporter, Report};

/// The name and version of the document.
pub const REPORT_SCHEMA: &str = "culvert/report/1";

/// One indented document and a newline.
#[derive(Debug, Clone, Copy)]
pub struct Json;

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    comparison: &'a Comparison,
    surveys: &'a [SurveyHeader],
    runs: &'a [RunRecord],
    capacities: &'a [CapacityRecord],
    skipped_lines: Vec<Skipped>,
}

#[derive(Serialize)]
struct Skipped {
    number: usize,
    reason: String,
}

impl Exporter for Json {
    fn export(&self, report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
        let skipped = report.contents.skipped.iter();
        let document = Document {
            schema: REPORT_SCHEMA,
            comparison: report.comparison,
            surveys: &report.contents.headers,
            runs: &report.contents.runs,
            capacities: &report.contents.capacities,
            skipped_lines: skipped
                .map(|line| Skipped { number: line.number, reason: line.reason.to_string() })
                .collect(),
        };
        serde_json::to_writer_pretty(&mut *out, &document)?;
        writeln!(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    #[test]
    fn one_document_holds_comparison_and_runs() {
        let contents = samples::ledger();
        let mut bytes = Vec::new();
        Json.export_ledger(&contents, &mut bytes).expect("written");
        let document: serde_json::Value = serde_json::from_slice(&bytes).expect("JSON");
        assert_eq!(document["schema"], REPORT_SCHEMA);
        assert_eq!(document["runs"].as_array().expect("runs").len(), 10);
        assert_eq!(document["surveys"][0]["name"], "autumn evening");
        assert_eq!(document["skipped_lines"][0]["number"], 12);
        let rows = document["comparison"]["rows"].as_array().expect("rows");
        let inside = rows.iter().find(|row| row["path"]["name"] == "wireguard").expect("a row");
        assert_eq!(inside["goodput_bps"]["median"], 90_110_000.0);
        assert_eq!(inside["ceiling"]["bps"], 90_118_577);
        assert_eq!(inside["gap"]["verdict"], "headers");
        assert_eq!(inside["rtt_baseline_us"], serde_json::Value::Null);
    }
}
