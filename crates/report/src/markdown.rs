//! The comparison as Markdown, to paste into a report.

use std::io::{self, Write};

use crate::{
    Exporter, Report,
    capacity_table::{CAPACITY_NAMES, capacity_cells, capacity_notes, capacity_tables},
    cells::markdown,
    instrument,
    terminal::{BULK_NAMES, PACED_NAMES, bulk_cells, of_table, paced_cells, tables},
};

/// Tables, sentences and lists in Markdown.
#[derive(Debug, Clone, Copy)]
pub struct Markdown;

impl Exporter for Markdown {
    fn export(&self, report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
        let comparison = report.comparison;
        let name = comparison.survey.as_ref().map_or("Single sessions", |survey| &survey.name);
        writeln!(out, "## {}\n", markdown(name))?;
        gateways(report, out)?;
        for (session, toward) in tables(comparison) {
            let heading = format!("{} · {session}", comparison.route(toward));
            writeln!(out, "### {}\n", markdown(&heading))?;
            let paced = session.kind.is_datagrams();
            let (columns, cells): (_, fn(&culvert_verdict::Row) -> Vec<String>) =
                if paced { (PACED_NAMES, paced_cells) } else { (BULK_NAMES, bulk_cells) };
            table(out, columns, of_table(comparison, session, toward).map(cells))?;
        }
        for (heading, rows) in capacity_tables(comparison) {
            writeln!(out, "### {}\n", markdown(&heading))?;
            table(out, CAPACITY_NAMES, rows.into_iter().map(capacity_cells))?;
        }
        for sentence in &comparison.sentences {
            writeln!(out, "{}\n", markdown(sentence))?;
        }
        list(out, "Void runs and caveats", &notes(report))?;
        list(out, "Instrument", &instrument::of_runs(&report.contents.runs))?;
        list(out, "Not checked", &comparison.not_checked)?;
        list(out, "Cautions", &comparison.cautions)?;
        let skipped: Vec<_> = report.contents.skipped.iter().map(ToString::to_string).collect();
        list(out, "Lines of the ledger", &skipped)
    }
}

/// Columns that name the path; the others are figures.
const NAMING: usize = 3;

/// What the practitioner typed of the gateway, so that a later firmware can be held against it.
fn gateways(report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
    let id = report.comparison.survey.as_ref().map(|survey| &survey.id);
    let Some(header) = report.contents.headers.iter().rfind(|header| Some(&header.id) == id) else {
        return Ok(());
    };
    let gateway = &header.gateway;
    let facts = [
        ("model", &gateway.model),
        ("firmware", &gateway.firmware),
        ("processor", &gateway.processor),
    ];
    let typed: Vec<_> = facts
        .iter()
        .filter_map(|(name, value)| value.as_ref().map(|value| format!("{name} {value}")))
        .collect();
    let typed = if typed.is_empty() { "not stated".to_owned() } else { typed.join(", ") };
    writeln!(out, "Gateway: {}. Begun {}.\n", markdown(&typed), header.started_at)
}

fn notes(report: &Report<'_>) -> Vec<String> {
    let mut notes = Vec::new();
    for row in &report.comparison.rows {
        let (name, route) = (&row.path.name, report.comparison.route(row.toward));
        notes.extend(
            row.void_reasons.iter().map(|reason| format!("{name}, {route}: void, {reason}")),
        );
        notes.extend(row.caveats.iter().map(|caveat| format!("{name}, {route}: {caveat}")));
    }
    for (heading, rows) in capacity_tables(report.comparison) {
        let of_rows = rows.into_iter().flat_map(capacity_notes);
        notes.extend(of_rows.map(|note| format!("{heading}: {note}")));
    }
    notes
}

fn table(
    out: &mut dyn Write,
    columns: &[&str],
    rows: impl Iterator<Item = Vec<String>>,
) -> io::Result<()> {
    line(out, &columns.iter().map(|&name| name.to_owned()).collect::<Vec<_>>())?;
    writeln!(
        out,
        "|{}{}",
        " --- |".repeat(NAMING),
        " ---: |".repeat(columns.len().saturating_sub(NAMING))
    )?;
    for row in rows {
        line(out, &row)?;
    }
    writeln!(out)
}

fn line(out: &mut dyn Write, cells: &[String]) -> io::Result<()> {
    let escaped: Vec<_> = cells.iter().map(|cell| markdown(cell)).collect();
    writeln!(out, "| {} |", escaped.join(" | "))
}

fn list(out: &mut dyn Write, heading: &str, items: &[String]) -> io::Result<()> {
    if items.is_empty() {
        return Ok(());
    }
    writeln!(out, "### {heading}\n")?;
    for item in items {
        writeln!(out, "- {}", markdown(item))?;
    }
    writeln!(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    /// The figures are those of the terminal's test.
    #[test]
    fn a_whole_comparison() {
        let (contents, comparison) = (samples::ledger(), samples::comparison());
        let mut bytes = Vec::new();
        Markdown
            .export(&Report { contents: &contents, comparison: &comparison }, &mut bytes)
            .expect("written");
        insta::assert_snapshot!(String::from_utf8(bytes).expect("text"));
    }
}
