//! What the path model says: many encapsulations beside each other, or one in depth.

mod columns;
mod csv_lines;
mod depth;
mod depth_text;
mod grid;
mod ways;

#[cfg(test)]
mod tests;

use std::io::{self, Write};

use culvert_pathmodel::{
    Ceiling, CeilingQuestion, Conditions, Confidentiality, Encapsulation, Family, Link, Path,
    ceiling, find,
};
use culvert_units::{Fraction, Mtu};
use serde::Serialize;

use crate::table;
use columns::Column;
use depth::InDepth;
use ways::Way;

/// The name and version of the table as a file.
pub const CEILING_SCHEMA: &str = "culvert/ceiling/1";

/// Ceilings side by side.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CeilingTable {
    schema: &'static str,
    link: Link,
    underlay_mtu: Mtu,
    outer_family: Family,
    inner_family: Family,
    inner_mtu_asked: Option<Mtu>,
    timestamps: bool,
    through: Vec<Around>,
    path: Option<Path>,
    conditions: Option<Conditions>,
    rows: Vec<CeilingRow>,
    /// For a single encapsulation.
    in_depth: Option<InDepth>,
}

/// One encapsulation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CeilingRow {
    /// Its name in plans and on command lines.
    pub key: String,
    /// Its name for people.
    pub name: String,
    /// Whether strangers can read what it carries, the tunnels around it considered.
    pub confidentiality: Confidentiality,
    /// What it allows on `link`; `null` when the model refuses.
    pub ceiling: Option<Ceiling>,
    /// TCP goodput as a share of that of the plain path; toward far where the directions differ.
    pub share_of_plain: Option<Fraction>,
    /// What it allows over the whole path: one when both directions are alike, else toward far and toward near.
    pub(crate) ways: Vec<Way>,
    /// Why the model refuses.
    pub refused: Option<String>,
}

/// A tunnel around all rows.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
struct Around {
    encapsulation: String,
    outer_family: Family,
    interface_mtu: Option<Mtu>,
}

impl CeilingTable {
    /// Asks `question` of each encapsulation in turn; the one it names itself does not matter. With a `path` its links
    /// say what passes, and `question.link` is only what headers are shown for. A single one is shown in depth.
    pub fn new<'a>(
        question: &CeilingQuestion<'_>,
        path: Option<&Path>,
        conditions: Option<&Conditions>,
        encapsulations: impl IntoIterator<Item = &'a Encapsulation>,
    ) -> Self {
        let asked = Asked { question, path, conditions };
        let plain = asked.plain();
        let encapsulations: Vec<_> = encapsulations.into_iter().collect();
        let in_depth = match encapsulations.as_slice() {
            [only] => InDepth::new(&of(question, only)),
            _ => None,
        };
        Self {
            schema: CEILING_SCHEMA,
            link: question.link,
            underlay_mtu: question.underlay_mtu,
            outer_family: question.outer_family,
            inner_family: question.inner_family,
            inner_mtu_asked: question.inner_mtu,
            timestamps: question.timestamps,
            through: around(question),
            path: path.cloned(),
            conditions: conditions.copied(),
            rows: encapsulations.iter().map(|one| asked.row(one, &plain)).collect(),
            in_depth,
        }
    }

    /// The rows.
    pub fn rows(&self) -> &[CeilingRow] {
        &self.rows
    }

    /// In at most `width` columns of text, with what is supposed above it.
    pub fn terminal(&self, width: u16) -> String {
        if let ([row], Some(depth)) = (self.rows.as_slice(), &self.in_depth) {
            return depth_text::text(self, row, depth, width);
        }
        let mut text = self.supposed(width);
        text.push('\n');
        if self.path.is_none() && self.conditions.is_none() {
            self.tabulate(&mut text, width, &columns::of_one_rate(self, width));
        } else {
            self.tabulate(&mut text, width, &columns::sizes(true));
            self.tabulate_ways(&mut text, width);
        }
        for row in &self.rows {
            if let Some(refused) = &row.refused {
                text.push_str(&table::paragraph(width, "  !", &format!("{}: {refused}", row.key)));
            }
        }
        text.push('\n');
        text.push_str(&table::paragraph(width, "", NOTE));
        text
    }

    fn tabulate(&self, text: &mut String, width: u16, columns: &[Column]) {
        let names: Vec<_> = columns.iter().map(|column| column.name).collect();
        let cells = |row| columns.iter().map(|column| (column.cell)(row)).collect();
        let rows: Vec<_> = self.rows.iter().map(cells).collect();
        text.push_str(&table::lines(width, &names, &rows));
    }

    fn tabulate_ways(&self, text: &mut String, width: u16) {
        let ways = self.rows.iter().map(|row| row.ways.len()).max().unwrap_or(0);
        for at in 0..ways {
            let here = || self.rows.iter().filter_map(|row| row.ways.get(at));
            let toward = here().find_map(ways::toward);
            text.push('\n');
            if let Some(toward) = toward {
                text.push_str(&table::paragraph(width, "", &format!("Toward {toward}")));
            }
            self.tabulate(text, width, &columns::of_way(self, at));
            let short = here().flat_map(Way::short_of_acknowledgements);
            if let Some(link) = short.max_by_key(|link| link.acknowledgements) {
                let warning = format!("up to: {}", ways::short_text(link));
                text.push_str(&table::paragraph(width, "  !", &warning));
            }
        }
    }

    /// One line an encapsulation.
    pub fn csv(&self, out: &mut dyn Write) -> io::Result<()> {
        csv_lines::write(self, out)
    }

    /// One indented document and a newline.
    pub fn json(&self, out: &mut dyn Write) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut *out, self)?;
        writeln!(out)
    }

    /// What the figures are for, as a paragraph, then a line for each link where there are several.
    fn supposed(&self, width: u16) -> String {
        let timestamps = if self.timestamps { "with" } else { "without" };
        let mut facts = vec![
            format!("MTU {}", self.underlay_mtu),
            format!("{} outside", self.outer_family),
            format!("{} inside", self.inner_family),
            format!("TCP {timestamps} timestamps"),
        ];
        facts.extend(self.inner_mtu_asked.map(|mtu| format!("tunnel MTU {mtu}")));
        facts.extend(self.through.iter().map(|tunnel| format!("through {}", tunnel.encapsulation)));
        let lead = self.path.is_none().then(|| ways::link_text(&self.link));
        let facts: Vec<_> = lead.into_iter().chain(facts).collect();
        let mut text = table::paragraph(width, "", &facts.join(", "));
        for link in self.path.iter().flat_map(|path| &path.links) {
            text.push_str(&table::paragraph(width, "  -", &ways::path_link_text(link)));
        }
        if let Some(conditions) = &self.conditions {
            text.push_str(&table::paragraph(width, "", &ways::conditions_text(conditions)));
        }
        text
    }
}

/// Everything that is asked of each encapsulation.
struct Asked<'q, 'a> {
    question: &'q CeilingQuestion<'a>,
    path: Option<&'q Path>,
    conditions: Option<&'q Conditions>,
}

impl Asked<'_, '_> {
    fn row(&self, encapsulation: &Encapsulation, plain: &[Way]) -> CeilingRow {
        let question = of(self.question, encapsulation);
        let answer = ceiling(&question).and_then(|full| {
            let ways = ways::ways(&question, &full, self.path, self.conditions)?;
            Ok((full, ways))
        });
        let refused = answer.as_ref().err().map(ToString::to_string);
        let (full, ways) = answer.map_or((None, Vec::new()), |(full, ways)| (Some(full), ways));
        let ways: Vec<_> =
            ways.into_iter().enumerate().map(|(at, way)| way.beside(plain.get(at))).collect();
        CeilingRow {
            key: encapsulation.key().to_owned(),
            name: encapsulation.name().to_owned(),
            confidentiality: question.protection().0.confidentiality,
            share_of_plain: ways.first().and_then(|way| way.share_of_plain),
            ceiling: full,
            ways,
            refused,
        }
    }

    /// The ways of the path without any tunnel; none when the model refuses them.
    fn plain(&self) -> Vec<Way> {
        let Ok(plain) = find("none") else { return Vec::new() };
        let question =
            CeilingQuestion { through: Vec::new(), inner_mtu: None, ..of(self.question, plain) };
        ceiling(&question)
            .and_then(|full| ways::ways(&question, &full, self.path, None))
            .unwrap_or_default()
    }
}

fn of<'a>(question: &CeilingQuestion<'a>, encapsulation: &'a Encapsulation) -> CeilingQuestion<'a> {
    CeilingQuestion { encapsulation, ..question.clone() }
}

fn around(question: &CeilingQuestion<'_>) -> Vec<Around> {
    let around = question.through.iter().map(|tunnel| Around {
        encapsulation: tunnel.encapsulation.key().to_owned(),
        outer_family: tunnel.outer_family,
        interface_mtu: tunnel.interface_mtu,
    });
    around.collect()
}

const fn secrecy(confidentiality: Confidentiality) -> &'static str {
    match confidentiality {
        Confidentiality::None => "none",
        Confidentiality::Broken => "broken",
        Confidentiality::Sound => "sound",
        Confidentiality::Unknown => "unknown",
    }
}

const NOTE: &str = "~ marks an estimate (a tunnel over TCP), * packets that are split on their way. These are bounds set by \
                    headers alone; no path exceeds them, and many reach less.";
