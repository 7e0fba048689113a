//! The columns of the terminal's table.

use culvert_pathmodel::Ceiling;
use culvert_units::BitRate;

use super::{CeilingRow, CeilingTable, secrecy, ways};
use crate::figures::{MISSING, megabits, or_missing, share};

/// A column: its name, and what it says of a row.
pub(super) struct Column {
    pub(super) name: &'static str,
    pub(super) cell: Box<dyn Fn(&CeilingRow) -> String>,
}

/// From this width on every column fits beside the longest key.
const WIDE: u16 = 112;

/// The columns for a `table` of one rate in a terminal of `width` columns of text.
pub(super) fn of_one_rate(table: &CeilingTable, width: u16) -> Vec<Column> {
    let wide = width >= WIDE;
    let mut columns = sizes(wide);
    columns.extend(passing(table, 0).into_iter().take(if wide { 3 } else { 2 }));
    if wide {
        columns.push(figure("packets per s", |ceiling| ceiling.packets_per_second.to_string()));
    }
    columns
}

/// The columns that are the same for every way.
pub(super) fn sizes(wide: bool) -> Vec<Column> {
    let mut columns = vec![
        column("encapsulation", |row| row.key.clone()),
        column("secrecy", |row| secrecy(row.confidentiality).to_owned()),
        figure("MTU", inner_mtu),
    ];
    if wide {
        columns.push(figure("largest MTU", |ceiling| ceiling.largest_inner.to_string()));
    }
    columns.push(figure("MSS clamp", |ceiling| ceiling.mss_clamp.to_string()));
    if wide {
        columns.push(figure("outer bytes", |ceiling| ceiling.outer_length.to_string()));
    }
    columns
}

/// What passes in the way `at`: TCP, its share, UDP; then the limit, and one connection, where they are known.
pub(super) fn passing(table: &CeilingTable, at: usize) -> Vec<Column> {
    let mut columns = vec![
        column("TCP Mbit/s", move |row| way(row, at, |ceiling, way| estimate(ceiling, way.tcp))),
        column("of plain", move |row| way(row, at, |_, way| share(way.share_of_plain))),
        column("UDP Mbit/s", move |row| way(row, at, |ceiling, way| estimate(ceiling, way.udp))),
    ];
    if table.path.as_ref().is_some_and(|path| path.links.len() > 1) {
        columns.push(column("limit", move |row| {
            way(row, at, |_, way| or_missing(way.tcp_bound_by.clone()))
        }));
    }
    if table.conditions.is_some() {
        columns.push(column("connection", move |row| {
            way(row, at, |ceiling, way| {
                or_missing(way.outlook.as_ref().map(|found| estimate(ceiling, found.tcp)))
            })
        }));
        columns.push(column("bound by", move |row| {
            way(row, at, |_, way| {
                or_missing(way.outlook.as_ref().map(|found| ways::bound(found.smallest).to_owned()))
            })
        }));
    }
    columns
}

/// The name of the encapsulation, then what passes in the way `at`.
pub(super) fn of_way(table: &CeilingTable, at: usize) -> Vec<Column> {
    std::iter::once(column("encapsulation", |row| row.key.clone()))
        .chain(passing(table, at))
        .collect()
}

fn column(name: &'static str, cell: impl Fn(&CeilingRow) -> String + 'static) -> Column {
    Column { name, cell: Box::new(cell) }
}

fn figure(name: &'static str, figure: fn(&Ceiling) -> String) -> Column {
    column(name, move |row| or_missing(row.ceiling.as_ref().map(figure)))
}

fn way(row: &CeilingRow, at: usize, say: impl Fn(&Ceiling, &ways::Way) -> String) -> String {
    row.ceiling
        .as_ref()
        .zip(row.ways.get(at))
        .map_or_else(|| MISSING.to_owned(), |(ceiling, way)| say(ceiling, way))
}

fn inner_mtu(ceiling: &Ceiling) -> String {
    let mark = if ceiling.fragments() { "*" } else { "" };
    format!("{mark}{}", ceiling.inner_mtu)
}

pub(super) fn estimate(ceiling: &Ceiling, rate: BitRate) -> String {
    let mark = if ceiling.is_estimate { "~" } else { "" };
    format!("{mark}{}", megabits(rate.bits_per_second() as f64))
}
