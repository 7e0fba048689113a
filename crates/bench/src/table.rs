//! What was found, as a table or as JSON.

use comfy_table::{ContentLineStyle, LineStyle, Table, TableStyle};
use serde::Serialize;

use crate::ratio::{Bar, Comparison, Figure};

/// One line under the names of the columns, space between them, nothing else.
const STYLE: TableStyle = TableStyle::new()
    .header_lines(ContentLineStyle::none().junction(' '))
    .header_separator(LineStyle::none().fill('─').junction(' '))
    .content_lines(ContentLineStyle::none().junction(' '));

/// One figure and what it is to reach.
#[derive(Debug, Clone, Serialize)]
pub(crate) struct Row {
    /// What was measured.
    pub(crate) what: String,
    /// The unit of the figure, empty for a ratio.
    pub(crate) unit: &'static str,
    /// What it is to reach; `None` for a figure that stands beside another.
    pub(crate) bar: Option<Bar>,
    /// What was found; `None` when it cannot be measured here.
    pub(crate) figure: Option<Figure>,
    /// The reference against itself.
    pub(crate) control: Option<Figure>,
    /// Whether the bar is met.
    pub(crate) met: Option<bool>,
    /// What else must be known.
    pub(crate) note: String,
}

impl Row {
    /// A figure without a reference to hold it against.
    pub(crate) fn plain(what: impl Into<String>, unit: &'static str, values: &[f64]) -> Self {
        let figure = Figure::of(values);
        Self {
            what: what.into(),
            unit,
            bar: None,
            figure,
            control: None,
            met: None,
            note: String::new(),
        }
    }

    /// A ratio to a reference.
    pub(crate) fn ratio(what: impl Into<String>, comparison: Option<Comparison>) -> Self {
        let (figure, control) = comparison.map(|found| (found.ratio, found.control)).unzip();
        Self { figure, control, ..Self::plain(what, "", &[]) }
    }

    /// With the bar that it is to reach.
    pub(crate) fn bar(mut self, bar: Bar) -> Self {
        self.bar = Some(bar);
        self.met =
            self.figure.as_ref().map(|figure| bar.is_met(figure.median, self.control.as_ref()));
        self
    }

    /// With a word on the side.
    pub(crate) fn note(mut self, note: impl Into<String>) -> Self {
        self.note = note.into();
        self
    }
}

/// Shows the rows on standard output as one JSON document.
#[expect(clippy::print_stdout, reason = "standard output is for the result")]
pub(crate) fn show_json(rows: &[Row]) {
    // Rows are numbers and texts: they have a form in JSON.
    println!("{}", serde_json::to_string_pretty(rows).unwrap_or_default());
}

/// Shows the rows on standard output.
#[expect(clippy::print_stdout, reason = "standard output is for the result")]
pub(crate) fn show(rows: &[Row]) {
    let mut table = Table::new();
    table.load_style(STYLE);
    table.set_header(["what", "bar", "median", "interval", "A/A", "n", "met", "note"]);
    for row in rows {
        table.add_row(cells(row));
    }
    println!("{}", table.trim_fmt());
}

/// Says something on standard error.
#[expect(clippy::print_stderr, reason = "standard error is for talk")]
pub(crate) fn say(text: &str) {
    eprintln!("{text}");
}

fn cells(row: &Row) -> [String; 8] {
    let unit = if row.unit.is_empty() { String::new() } else { format!(" {}", row.unit) };
    let bar = row.bar.map_or_else(String::new, |bar| match bar {
        Bar::AtLeast(value) => format!(">= {value}{unit}"),
        Bar::AtMost(value) => format!("<= {value}{unit}"),
    });
    let met = match (row.bar, row.met) {
        (_, Some(true)) => "yes",
        (_, Some(false)) => "no",
        (Some(_), None) => "not measured",
        (None, None) => "",
    };
    let interval = |figure: &Figure| {
        let sure = if figure.confident { "" } else { " (range)" };
        format!("{} .. {}{sure}", number(figure.low), number(figure.high))
    };
    [
        row.what.clone(),
        bar,
        row.figure.map_or_else(String::new, |figure| format!("{}{unit}", number(figure.median))),
        row.figure.as_ref().map_or_else(String::new, interval),
        row.control.as_ref().map_or_else(String::new, |control| {
            format!("{} ({})", number(control.median), interval(control))
        }),
        row.figure.map_or_else(String::new, |figure| figure.n.to_string()),
        met.to_owned(),
        row.note.clone(),
    ]
}

/// Three digits behind the point, and more only where nothing else is left of a small number.
fn number(value: f64) -> String {
    if value != 0.0 && value.abs() < 0.01 { format!("{value:.5}") } else { format!("{value:.3}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bar_without_a_figure_is_not_met_and_not_missed() {
        let row = Row::ratio("a", None).bar(Bar::AtLeast(0.9));
        assert_eq!(row.met, None);
        assert_eq!(cells(&row)[6], "not measured");
        let met = Row::plain("b", "ms", &[39.0]).bar(Bar::AtMost(40.0));
        assert_eq!((met.met, cells(&met)[1].as_str()), (Some(true), "<= 40 ms"));
        assert_eq!(cells(&met)[3], "39.000 .. 39.000 (range)");
    }
}
