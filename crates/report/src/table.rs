//! Tables for the terminal.

use comfy_table::{
    Cell, CellAlignment, ColumnConstraint, ContentArrangement, ContentLineStyle, LineStyle, Table,
    TableStyle,
};

use crate::cells::printable;

/// One line under the names of the columns, space between them, nothing else.
const STYLE: TableStyle = TableStyle::new()
    .header_lines(ContentLineStyle::none().junction(' '))
    .header_separator(LineStyle::none().fill('─').junction(' '))
    .content_lines(ContentLineStyle::none().junction(' '));

/// Below this no figure with its unit stays on one line.
const NARROWEST: u16 = 40;

/// What a column of figures takes, a name of two words in its head.
const COLUMN: u16 = 16;

/// A table of at most `width` columns of text, a line a row; the first column is never broken.
pub(crate) fn lines(width: u16, header: &[&str], rows: &[Vec<String>]) -> String {
    let mut table = bare(width);
    table.set_header(header.iter().map(Cell::new));
    for row in rows {
        table.add_row(row.iter().map(|text| Cell::new(printable(text))));
    }
    align(&mut table);
    if let Some(names) = table.column_mut(0) {
        names.set_constraint(ColumnConstraint::ContentWidth);
    }
    text(&table)
}

/// The same figures standing: what each is on the left, a column a row of `rows`, as many beside each other as fit.
///
/// The first cell of each row heads its column.
pub(crate) fn columns(width: u16, names: &[&str], rows: &[Vec<String>]) -> String {
    let width = width.max(NARROWEST);
    let longest = names.iter().map(|name| name.chars().count()).max().unwrap_or(0);
    let left = width.saturating_sub(u16::try_from(longest).unwrap_or(width));
    let beside = usize::from((left / COLUMN).max(1));
    let tables: Vec<_> = rows.chunks(beside).map(|some| standing(width, names, some)).collect();
    tables.join("\n")
}

fn standing(width: u16, names: &[&str], rows: &[Vec<String>]) -> String {
    let mut table = bare(width);
    let mut turned = names.iter().enumerate().map(|(at, name)| {
        let figures = rows.iter().map(move |row| row.get(at).map_or("", String::as_str));
        std::iter::once(*name).chain(figures).map(|text| Cell::new(printable(text)))
    });
    if let Some(heads) = turned.next() {
        table.set_header(heads);
    }
    for line in turned {
        table.add_row(line);
    }
    align(&mut table);
    text(&table)
}

/// Names and what they stand for, in two columns.
pub(crate) fn pairs(width: u16, rows: &[(&str, String)]) -> String {
    let mut table = bare(width);
    for (name, value) in rows {
        table.add_row([Cell::new(name), Cell::new(printable(value))]);
    }
    if let Some(names) = table.column_mut(0) {
        names.set_padding((2, 1));
    }
    text(&table)
}

/// A paragraph of at most `width` columns, hanging behind `bullet` when there is one.
pub(crate) fn paragraph(width: u16, bullet: &str, content: &str) -> String {
    let mut table = bare(width);
    let bullet = Some(bullet).filter(|bullet| !bullet.is_empty());
    table.add_row(bullet.map(Cell::new).into_iter().chain([Cell::new(printable(content))]));
    for column in table.column_iter_mut() {
        column.set_padding((0, 0));
    }
    text(&table)
}

fn bare(width: u16) -> Table {
    let mut table = Table::new();
    table
        .load_style(STYLE)
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(width.max(NARROWEST));
    table
}

/// Names to the left, figures to the right.
fn align(table: &mut Table) {
    for column in table.column_iter_mut() {
        column.set_padding((0, 1));
    }
    for column in table.column_iter_mut().skip(1) {
        column.set_cell_alignment(CellAlignment::Right);
    }
}

fn text(table: &Table) -> String {
    let mut text = String::new();
    for line in table.lines() {
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}
