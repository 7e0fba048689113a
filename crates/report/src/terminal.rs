//! The comparison on a terminal.

use std::io::{self, Write};

use culvert_record::Way;
use culvert_verdict::{
    Comparison, DatagramFigures, Gap, GapVerdict, PathKey, Row, Session, Summary,
};

use crate::{
    Exporter, Report,
    capacity_table::{CAPACITY_NAMES, capacity_cells, capacity_notes, capacity_tables},
    figures::{fine_percent, megabits, milliseconds, or_missing, pair, place, share},
    instrument, table,
};

/// Tables and sentences for a terminal.
#[derive(Debug, Clone, Copy)]
pub struct Terminal {
    /// Columns of text the terminal shows.
    pub width: u16,
}

impl Exporter for Terminal {
    fn export(&self, report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
        let Comparison { survey, near, far, sentences, not_checked, cautions, .. } =
            report.comparison;
        let name = survey.as_ref().map_or("single sessions", |survey| survey.name.as_str());
        let title = format!("{name}: {near} (near) and {far} (far)");
        out.write_all(table::paragraph(self.width, "", &title).as_bytes())?;
        for (session, toward) in tables(report.comparison) {
            let rows: Vec<_> = of_table(report.comparison, session, toward).collect();
            let heading = format!("{} · {session}", report.comparison.route(toward));
            writeln!(out, "\n{}", table::paragraph(self.width, "", &heading))?;
            out.write_all(self.table(session, &rows).as_bytes())?;
            self.notes(&rows, out)?;
        }
        for (heading, rows) in capacity_tables(report.comparison) {
            writeln!(out, "\n{}", table::paragraph(self.width, "", &heading))?;
            let cells: Vec<_> = rows.iter().map(|row| capacity_cells(row)).collect();
            out.write_all(table::columns(self.width, CAPACITY_NAMES, &cells).as_bytes())?;
            for note in rows.iter().flat_map(|row| capacity_notes(row)) {
                out.write_all(table::paragraph(self.width, "  ! ", &note).as_bytes())?;
            }
        }
        writeln!(out)?;
        for sentence in sentences {
            out.write_all(table::paragraph(self.width, "", sentence).as_bytes())?;
        }
        self.list("Instrument", &instrument::of_runs(&report.contents.runs), out)?;
        self.list("Not checked", not_checked, out)?;
        self.list("Cautions", cautions, out)?;
        let skipped: Vec<_> = report.contents.skipped.iter().map(ToString::to_string).collect();
        self.list("Lines of the ledger", &skipped, out)
    }
}

impl Terminal {
    fn table(self, session: &Session, rows: &[&Row]) -> String {
        if session.kind.is_datagrams() {
            let cells: Vec<_> = rows.iter().map(|row| paced_cells(row)).collect();
            table::columns(self.width, PACED_NAMES, &cells)
        } else {
            let cells: Vec<_> = rows.iter().map(|row| bulk_cells(row)).collect();
            table::columns(self.width, BULK_NAMES, &cells)
        }
    }

    fn notes(self, rows: &[&Row], out: &mut dyn Write) -> io::Result<()> {
        for row in rows {
            let voids =
                row.void_reasons.iter().map(|reason| format!("{}: void, {reason}", row.path.name));
            let caveats = row.caveats.iter().map(|caveat| format!("{}: {caveat}", row.path.name));
            for note in voids.chain(caveats) {
                out.write_all(table::paragraph(self.width, "  ! ", &note).as_bytes())?;
            }
        }
        Ok(())
    }

    fn list(self, heading: &str, items: &[String], out: &mut dyn Write) -> io::Result<()> {
        if items.is_empty() {
            return Ok(());
        }
        writeln!(out, "\n{heading}")?;
        for item in items {
            out.write_all(table::paragraph(self.width, "  · ", item).as_bytes())?;
        }
        Ok(())
    }
}

/// The sessions and directions that have rows, in their order.
pub(crate) fn tables(comparison: &Comparison) -> Vec<(&Session, Way)> {
    let mut tables = Vec::new();
    for row in &comparison.rows {
        if !tables.contains(&(&row.session, row.toward)) {
            tables.push((&row.session, row.toward));
        }
    }
    tables
}

/// The rows of one table.
pub(crate) fn of_table<'a>(
    comparison: &'a Comparison,
    session: &'a Session,
    toward: Way,
) -> impl Iterator<Item = &'a Row> {
    comparison.rows.iter().filter(move |row| row.session == *session && row.toward == toward)
}

/// How many count, and of how many.
pub(crate) fn of_all(valid: usize, void: usize) -> String {
    match void {
        0 => valid.to_string(),
        void => format!("{valid} of {}", valid + void),
    }
}

/// What the cells of a row are, for bulk sessions.
pub(crate) const BULK_NAMES: &[&str] = &[
    "path",
    "place",
    "encapsulation",
    "valid runs",
    "median goodput, Mbit/s",
    "lowest to highest, Mbit/s",
    "share of outside",
    "share of its ceiling",
    "ceiling, Mbit/s",
    "lacking, Mbit/s",
    "of it by headers, Mbit/s",
    "of it not explained, Mbit/s",
    "noise, Mbit/s",
    "baseline RTT → during transfer, ms",
];

/// The cells of a bulk row, in the order of [`BULK_NAMES`].
pub(crate) fn bulk_cells(row: &Row) -> Vec<String> {
    let figures = row.goodput_bps.as_ref();
    let gap = row.gap.as_ref();
    let range =
        |figures: &Summary| format!("{} to {}", megabits(figures.min), megabits(figures.max));
    let mut cells = identity(row);
    cells.extend([
        or_missing(figures.map(|figures| megabits(figures.median))),
        or_missing(figures.map(range)),
        share(row.share_of_outside),
        share(row.share_of_ceiling),
        or_missing(row.ceiling.bps.map(|bps| megabits(bps as f64))),
        or_missing(gap.map(|gap| megabits(gap.gap_bps))),
        or_missing(gap.and_then(Gap::headers_share_bps).map(megabits)),
        or_missing(gap.map(not_explained)),
        or_missing(gap.map(|gap| megabits(gap.noise_bps))),
        pair(row.rtt_baseline_us, row.rtt_transfer_us),
    ]);
    cells
}

/// What the cells of a row are, for paced sessions.
pub(crate) const PACED_NAMES: &[&str] = &[
    "path",
    "place",
    "encapsulation",
    "valid runs",
    "offered, Mbit/s",
    "delivered, Mbit/s",
    "share of outside",
    "loss ratio",
    "longest loss run",
    "interarrival jitter, ms",
    "PDV p99, ms",
    "one-way delay, ms",
    "baseline RTT → during transfer, ms",
];

/// The cells of a paced row, in the order of [`PACED_NAMES`].
pub(crate) fn paced_cells(row: &Row) -> Vec<String> {
    let figures = row.datagrams.as_ref();
    let mut cells = identity(row);
    cells.extend([
        or_missing(figures.and_then(|figures| figures.offered_bps).map(megabits)),
        or_missing(figures.and_then(|figures| figures.delivered_bps).map(megabits)),
        share(row.share_of_outside),
        or_missing(figures.and_then(|figures| figures.loss_ratio).map(fine_percent)),
        or_missing(figures.and_then(|figures| figures.longest_loss_run).map(|run| run.to_string())),
        or_missing(figures.and_then(|figures| figures.interarrival_jitter_us).map(milliseconds)),
        or_missing(figures.and_then(|figures| figures.pdv_p99_us).map(milliseconds)),
        or_missing(figures.and_then(one_way)),
        pair(row.rtt_baseline_us, row.rtt_transfer_us),
    ]);
    cells
}

/// A delay that two clocks were needed for is nothing without its error.
fn one_way(figures: &DatagramFigures) -> Option<String> {
    let (delay, error) = figures.one_way_us.zip(figures.one_way_error_us)?;
    Some(format!("{} ± {}", milliseconds(delay), milliseconds(error as f64)))
}

fn identity(row: &Row) -> Vec<String> {
    let mut cells = named_path(&row.path);
    cells.push(of_all(row.valid, row.void));
    cells
}

/// Name, place with family, and encapsulation.
pub(crate) fn named_path(path: &PathKey) -> Vec<String> {
    let family = path.family.map(|family| family.to_string());
    let place: Vec<_> = place(path).map(str::to_owned).into_iter().chain(family).collect();
    vec![
        path.name.clone(),
        or_missing((!place.is_empty()).then(|| place.join(", "))),
        or_missing(path.encapsulation.clone()),
    ]
}

fn not_explained(gap: &Gap) -> String {
    match gap.verdict {
        GapVerdict::NoDifference => "no difference".to_owned(),
        GapVerdict::Headers => "within noise".to_owned(),
        _ => or_missing(gap.unexplained_bps.map(megabits)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    fn shown(width: u16) -> String {
        let (contents, comparison) = (samples::ledger(), samples::comparison());
        let mut bytes = Vec::new();
        let report = Report { contents: &contents, comparison: &comparison };
        Terminal { width }.export(&report, &mut bytes).expect("written");
        String::from_utf8(bytes).expect("text")
    }

    /// The medians are 94.15, 90.11 and, of two runs, 91.50; 90.11 / 94.15 = 95.7 % and 91.50 / 94.15 = 97.2 %; the
    /// ceilings are 94.148, 90.119 and 100 × 1408 / 1538 = 91.547, so 100.0 %, 100.0 % and 99.9 %. The first lacks
    /// 4.04, of which headers take 94.15 × 0.0428014 = 4.03; the second lacks 2.65, below 3 % of 94.15, which is 2.82.
    #[test]
    fn a_whole_comparison() {
        insta::assert_snapshot!(shown(80));
    }

    #[test]
    fn every_width_holds_its_lines() {
        for width in [40, 60, 80, 100, 132, 200] {
            let text = shown(width);
            let longest = text.lines().map(|line| line.chars().count()).max().expect("lines");
            assert!(longest <= usize::from(width), "{longest} of {width}:\n{text}");
            assert!(text.contains("90.11"), "{text}");
        }
        assert!(!shown(0).is_empty());
    }
}
