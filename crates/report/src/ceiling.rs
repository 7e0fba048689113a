//! What the path model says of many encapsulations on one link.

use std::io::{self, Write};

use culvert_pathmodel::{
    Ceiling, CeilingQuestion, Confidentiality, Encapsulation, Family, Link, ceiling,
};
use culvert_units::{BitRate, Fraction, Mtu};
use serde::Serialize;

use crate::{
    cells::spreadsheet,
    figures::{megabits, or_missing, share},
    table,
};

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
    rows: Vec<CeilingRow>,
}

/// One encapsulation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CeilingRow {
    /// Its name in plans and on command lines.
    pub key: String,
    /// Its name for people.
    pub name: String,
    /// Whether strangers can read what it carries.
    pub confidentiality: Confidentiality,
    /// What it allows; `null` when the model refuses.
    pub ceiling: Option<Ceiling>,
    /// TCP goodput as a share of that of the plain path.
    pub share_of_plain: Option<Fraction>,
    /// Why the model refuses.
    pub refused: Option<String>,
}

impl CeilingTable {
    /// Asks `question` of each encapsulation in turn; the one it names itself does not matter.
    pub fn new<'a>(
        question: &CeilingQuestion<'_>,
        encapsulations: impl IntoIterator<Item = &'a Encapsulation>,
    ) -> Self {
        let plain = culvert_pathmodel::find("none")
            .ok()
            .and_then(|plain| ceiling(&of(question, plain)).ok());
        Self {
            schema: CEILING_SCHEMA,
            link: question.link,
            underlay_mtu: question.underlay_mtu,
            outer_family: question.outer_family,
            inner_family: question.inner_family,
            inner_mtu_asked: question.inner_mtu,
            timestamps: question.timestamps,
            rows: encapsulations
                .into_iter()
                .map(|encapsulation| row(question, encapsulation, plain.as_ref()))
                .collect(),
        }
    }

    /// The rows.
    pub fn rows(&self) -> &[CeilingRow] {
        &self.rows
    }

    /// The table in at most `width` columns of text, with what it supposes above it.
    pub fn terminal(&self, width: u16) -> String {
        let mut text = format!("{}\n\n", self.supposed());
        let columns: Vec<_> =
            COLUMNS.iter().filter(|column| column.essential || width >= WIDE).collect();
        let names: Vec<_> = columns.iter().map(|column| column.name).collect();
        let cells = |row| columns.iter().map(|column| (column.cell)(row)).collect();
        let rows: Vec<_> = self.rows.iter().map(cells).collect();
        text.push_str(&table::lines(width, &names, &rows));
        for row in &self.rows {
            if let Some(refused) = &row.refused {
                text.push_str(&table::paragraph(width, "  ! ", &format!("{}: {refused}", row.key)));
            }
        }
        text.push('\n');
        text.push_str(&table::paragraph(width, "", NOTE));
        text
    }

    /// One line an encapsulation.
    pub fn csv(&self, out: &mut dyn Write) -> io::Result<()> {
        let mut csv = csv::Writer::from_writer(out);
        csv.write_record(CSV_COLUMNS)?;
        for row in &self.rows {
            let figure = |figure: fn(&Ceiling) -> String| {
                row.ceiling.as_ref().map(figure).unwrap_or_default()
            };
            csv.write_record([
                CEILING_SCHEMA.to_owned(),
                spreadsheet(&row.key),
                spreadsheet(&row.name),
                confidentiality(row).to_owned(),
                self.link.rate.bits_per_second().to_string(),
                self.underlay_mtu.to_string(),
                figure(|ceiling| ceiling.inner_mtu.to_string()),
                figure(|ceiling| ceiling.largest_inner.to_string()),
                figure(|ceiling| ceiling.mss_clamp.to_string()),
                figure(|ceiling| ceiling.outer_length.to_string()),
                figure(|ceiling| ceiling.wire_length.to_string()),
                figure(|ceiling| ceiling.tcp_payload.to_string()),
                figure(|ceiling| ceiling.tcp.bits_per_second().to_string()),
                figure(|ceiling| ceiling.udp_payload.to_string()),
                figure(|ceiling| ceiling.udp.bits_per_second().to_string()),
                figure(|ceiling| ceiling.packets_per_second.to_string()),
                row.share_of_plain.map(|share| share.get().to_string()).unwrap_or_default(),
                figure(|ceiling| ceiling.fragments().to_string()),
                figure(|ceiling| ceiling.is_estimate.to_string()),
                row.refused.clone().unwrap_or_default(),
            ])?;
        }
        csv.flush()
    }

    /// One indented document and a newline.
    pub fn json(&self, out: &mut dyn Write) -> io::Result<()> {
        serde_json::to_writer_pretty(&mut *out, self)?;
        writeln!(out)
    }

    fn supposed(&self) -> String {
        let timestamps = if self.timestamps { "with" } else { "without" };
        let mtu = self.inner_mtu_asked.map(|mtu| format!(", tunnel MTU {mtu}"));
        format!(
            "{} link, MTU {}, {} outside, {} inside, TCP {timestamps} timestamps{}",
            self.link.rate,
            self.underlay_mtu,
            self.outer_family,
            self.inner_family,
            mtu.unwrap_or_default()
        )
    }
}

fn of<'a>(question: &CeilingQuestion<'a>, encapsulation: &'a Encapsulation) -> CeilingQuestion<'a> {
    CeilingQuestion { encapsulation, ..question.clone() }
}

fn row(
    question: &CeilingQuestion<'_>,
    encapsulation: &Encapsulation,
    plain: Option<&Ceiling>,
) -> CeilingRow {
    let answer = ceiling(&of(question, encapsulation));
    let tcp = |ceiling: &Ceiling| ceiling.tcp.bits_per_second() as f64;
    let share_of_plain = answer
        .as_ref()
        .ok()
        .zip(plain)
        .and_then(|(ceiling, plain)| Fraction::of(tcp(ceiling), tcp(plain)));
    CeilingRow {
        key: encapsulation.key().to_owned(),
        name: encapsulation.name().to_owned(),
        confidentiality: encapsulation.protection().confidentiality,
        refused: answer.as_ref().err().map(ToString::to_string),
        share_of_plain,
        ceiling: answer.ok(),
    }
}

/// A column of the terminal's table.
struct Column {
    name: &'static str,
    cell: fn(&CeilingRow) -> String,
    /// Shown on narrow terminals too.
    essential: bool,
}

/// From this width on every column fits beside the longest key.
const WIDE: u16 = 112;

const COLUMNS: &[Column] = &[
    Column { name: "encapsulation", cell: |row| row.key.clone(), essential: true },
    Column { name: "secrecy", cell: |row| confidentiality(row).to_owned(), essential: true },
    Column { name: "MTU", cell: |row| figure(row, inner_mtu), essential: true },
    Column {
        name: "largest MTU",
        cell: |row| figure(row, |ceiling| ceiling.largest_inner.to_string()),
        essential: false,
    },
    Column {
        name: "MSS clamp",
        cell: |row| figure(row, |ceiling| ceiling.mss_clamp.to_string()),
        essential: true,
    },
    Column {
        name: "outer bytes",
        cell: |row| figure(row, |ceiling| ceiling.outer_length.to_string()),
        essential: false,
    },
    Column {
        name: "TCP Mbit/s",
        cell: |row| figure(row, |ceiling| estimate(ceiling, ceiling.tcp)),
        essential: true,
    },
    Column { name: "of plain", cell: |row| share(row.share_of_plain), essential: true },
    Column {
        name: "UDP Mbit/s",
        cell: |row| figure(row, |ceiling| estimate(ceiling, ceiling.udp)),
        essential: false,
    },
    Column {
        name: "packets per s",
        cell: |row| figure(row, |ceiling| ceiling.packets_per_second.to_string()),
        essential: false,
    },
];

fn figure(row: &CeilingRow, figure: fn(&Ceiling) -> String) -> String {
    or_missing(row.ceiling.as_ref().map(figure))
}

fn inner_mtu(ceiling: &Ceiling) -> String {
    let mark = if ceiling.fragments() { "*" } else { "" };
    format!("{mark}{}", ceiling.inner_mtu)
}

fn estimate(ceiling: &Ceiling, rate: BitRate) -> String {
    let mark = if ceiling.is_estimate { "~" } else { "" };
    format!("{mark}{}", megabits(rate.bits_per_second() as f64))
}

const CSV_COLUMNS: [&str; 20] = [
    "schema",
    "encapsulation",
    "name",
    "confidentiality",
    "link_bps",
    "underlay_mtu_bytes",
    "inner_mtu_bytes",
    "largest_inner_mtu_bytes",
    "mss_clamp_bytes",
    "outer_packet_bytes",
    "wire_bytes",
    "tcp_payload_bytes",
    "tcp_bps",
    "udp_payload_bytes",
    "udp_bps",
    "packets_per_second",
    "tcp_share_of_plain",
    "splits_packets",
    "estimate",
    "refused",
];

const NOTE: &str = "~ marks an estimate (a tunnel over TCP), * packets that are split on their way. These are bounds set by \
                    headers alone; no path exceeds them, and many reach less.";

fn confidentiality(row: &CeilingRow) -> &'static str {
    match row.confidentiality {
        Confidentiality::None => "none",
        Confidentiality::Broken => "broken",
        Confidentiality::Sound => "sound",
        Confidentiality::Unknown => "unknown",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table() -> CeilingTable {
        let rows: Vec<_> = ["none", "wireguard", "pptp-mppe"]
            .map(|key| culvert_pathmodel::find(key).expect("a row"))
            .to_vec();
        let link = Link::ethernet(BitRate::from_megabits(100));
        CeilingTable::new(&CeilingQuestion::new(link, rows[0]), rows)
    }

    // 100 × 1448 / (1500 + 38) = 94.15; WireGuard at MTU 1420: 100 × 1368 / (1480 + 38) = 90.12, 95.7 % of it; PPTP
    // at its largest, 1460: 100 × 1408 / (1500 + 38) = 91.55, 97.2 %.
    #[test]
    fn shows_the_arithmetic() {
        insta::assert_snapshot!("narrow", table().terminal(80));
        insta::assert_snapshot!("wide", table().terminal(120));
    }

    #[test]
    fn csv_has_numbers_without_units_and_empty_cells() {
        let mut table = table();
        table.rows[2].ceiling = None;
        let mut bytes = Vec::new();
        table.csv(&mut bytes).expect("written");
        let text = String::from_utf8(bytes).expect("text");
        let lines: Vec<Vec<&str>> = text.lines().map(|line| line.split(',').collect()).collect();
        let column =
            |name: &str| CSV_COLUMNS.iter().position(|column| *column == name).expect(name);
        assert_eq!(lines[0], CSV_COLUMNS);
        assert_eq!(lines[2][column("tcp_bps")], "90118577");
        assert_eq!(lines[2][column("mss_clamp_bytes")], "1380");
        assert_eq!(lines[3].last(), Some(&""));
        assert!(text.lines().nth(3).expect("pptp").contains(",,,"));
    }

    #[test]
    fn json_carries_its_version_and_the_question() {
        let mut bytes = Vec::new();
        table().json(&mut bytes).expect("written");
        let document: serde_json::Value = serde_json::from_slice(&bytes).expect("JSON");
        assert_eq!(document["schema"], CEILING_SCHEMA);
        assert_eq!(document["link"]["rate"], 100_000_000);
        assert_eq!(document["rows"][1]["ceiling"]["tcp"], 90_118_577);
        assert_eq!(document["rows"][2]["confidentiality"], "broken");
    }

    #[test]
    fn a_refusal_is_a_row_too() {
        let pptp = culvert_pathmodel::find("pptp-mppe").expect("a row");
        let mut question = CeilingQuestion::new(Link::ethernet(BitRate::from_megabits(100)), pptp);
        question.outer_family = Family::Ipv6;
        let table = CeilingTable::new(&question, [pptp]);
        assert_eq!(table.rows()[0].ceiling, None);
        assert!(table.terminal(100).contains("pptp-mppe does not run over IPv6"));
    }
}
