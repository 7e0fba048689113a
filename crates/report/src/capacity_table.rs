//! Searched capacities beside each other, for the terminal and for Markdown.

use culvert_record::CapacityMethod;
use culvert_verdict::{CapacityRow, Comparison, Summary};

use crate::figures::{megabits, or_missing, pair, share};
use crate::terminal::{named_path, of_all};

/// What each line of the table is.
pub(crate) const CAPACITY_NAMES: &[&str] = &[
    "path",
    "place",
    "encapsulation",
    "valid searches",
    "median maximum, Mbit/s",
    "median sustained, Mbit/s",
    "lowest to highest sustained, Mbit/s",
    "share of outside",
    "share the headers leave",
    "ceiling, Mbit/s",
    "baseline RTT → during search, ms",
];

/// The tables that are needed: rows that may be held against each other, under what they have in common.
pub(crate) fn capacity_tables(comparison: &Comparison) -> Vec<(String, Vec<&CapacityRow>)> {
    let mut tables: Vec<(String, Vec<&CapacityRow>)> = Vec::new();
    for row in &comparison.capacities {
        let heading = heading(&comparison.route(row.toward), row);
        match tables.iter_mut().find(|(name, _)| *name == heading) {
            Some((_, rows)) => rows.push(row),
            None => tables.push((heading, vec![row])),
        }
    }
    tables
}

fn heading(route: &str, row: &CapacityRow) -> String {
    let method = match row.method {
        CapacityMethod::Rfc9097 => "RFC 9097",
        CapacityMethod::Faster => "our faster form of RFC 9097",
    };
    format!("{route} · IP-layer capacity, {method}, {} B", row.ip_bytes)
}

/// The cells of one path.
pub(crate) fn capacity_cells(row: &CapacityRow) -> Vec<String> {
    let median = |figures: Option<&Summary>| or_missing(figures.map(|all| megabits(all.median)));
    let range = row.sustained_bps.as_ref();
    let mut cells = named_path(&row.path);
    cells.extend([
        of_all(row.valid, row.void),
        median(row.maximum_bps.as_ref()),
        median(range),
        or_missing(range.map(|all| format!("{} to {}", megabits(all.min), megabits(all.max)))),
        share(row.share_of_outside),
        share(row.share_by_headers),
        or_missing(row.ceiling_bps.map(megabits)),
        pair(row.rtt_baseline_us, row.rtt_transfer_us),
    ]);
    cells
}

/// What is void about a row, and what weakens it.
pub(crate) fn capacity_notes(row: &CapacityRow) -> impl Iterator<Item = String> {
    let name = &row.path.name;
    let void = row.void_reasons.iter().map(move |reason| format!("{name}: void, {reason}"));
    void.chain(row.caveats.iter().map(move |caveat| format!("{name}: {caveat}")))
}

#[cfg(test)]
mod tests {
    use crate::{Exporter, Markdown, Terminal, samples};

    #[test]
    fn every_text_shows_what_was_sustained_and_what_weakens_it() {
        let mut contents = samples::ledger();
        contents.capacities = vec![samples::capacity()];
        contents.capacities[0].caveats =
            vec![culvert_record::CapacityCaveat::NeverFull {}.to_finding()];
        let exporters: [&dyn Exporter; 2] = [&Terminal { width: 100 }, &Markdown];
        for exporter in exporters {
            let mut bytes = Vec::new();
            exporter.export_ledger(&contents, &mut bytes).expect("written");
            let text = String::from_utf8(bytes).expect("text");
            for wanted in ["IP-layer capacity, RFC 9097, 1250 B", "39.99", "told of a full path"] {
                assert!(text.contains(wanted), "{wanted} is missing in\n{text}");
            }
        }
    }
}
