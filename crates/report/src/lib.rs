//! Results as tables and files: terminal, Markdown, CSV, JSON.
//!
//! Everything here words what `record` and `verdict` found; it computes no figure of its own. An [`Exporter`] writes a
//! whole [`Report`] in one format: [`Terminal`], [`Markdown`], [`Csv`] or [`Json`]. [`run_text()`] shows a single run,
//! [`CeilingTable`] the path model alone. Units stand in every column's name, and what is missing is an empty cell or
//! `null`, never `0`.

mod calls;
mod capacity_csv;
mod capacity_table;
mod capacity_text;
mod ceiling;
mod cells;
mod certificate_text;
mod csv_runs;
mod exporter;
mod figures;
mod instrument;
mod json;
mod markdown;
pub mod preflight;
mod run_text;
#[cfg(test)]
mod samples;
mod stream_text;
mod sweep;
mod table;
mod terminal;

pub use calls::{CALLS_SCHEMA, CallsPart, CallsReport};
pub use capacity_csv::{CAPACITY_CSV_SCHEMA, CapacityCsv};
pub use capacity_text::capacity_text;
pub use ceiling::{CEILING_SCHEMA, CeilingRow, CeilingTable};
pub use certificate_text::certificate_text;
pub use csv_runs::{CSV_SCHEMA, Csv};
pub use exporter::{Exporter, Report};
pub use json::{Json, REPORT_SCHEMA};
pub use markdown::Markdown;
pub use run_text::run_text;
pub use sweep::{SWEEP_SCHEMA, SweepAsked, SweepCaveat, SweepReport, SweepTrial};
pub use terminal::Terminal;
