//! The searches for a capacity as CSV for a spreadsheet: one line a search.

use std::io::{self, Write};

use culvert_record::{CapacityRecord, describe_capacity_caveat, describe_capacity_void};

use crate::csv_runs::{shown, typed, word};
use crate::{Exporter, Report, cells::spreadsheet};

/// The name and version of the columns.
pub const CAPACITY_CSV_SCHEMA: &str = "culvert/capacities-csv/1";

/// One line a search, void ones included; a void one has no figure.
#[derive(Debug, Clone, Copy)]
pub struct CapacityCsv;

impl Exporter for CapacityCsv {
    fn export(&self, report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
        let mut lines = csv::Writer::from_writer(&mut *out);
        lines.write_record(COLUMNS.iter().map(|(name, _)| name))?;
        for search in &report.contents.capacities {
            lines.write_record(COLUMNS.iter().map(|(_, cell)| cell(search)))?;
        }
        lines.flush()
    }
}

type Cell = fn(&CapacityRecord) -> String;

const COLUMNS: &[(&str, Cell)] = &[
    ("schema", |_| CAPACITY_CSV_SCHEMA.to_owned()),
    ("search_id", |search| spreadsheet(&search.id)),
    ("started_at", |search| search.started_at.to_string()),
    ("path", |search| typed(search.path.name.as_ref())),
    ("place", |search| word(&search.path.place)),
    ("target", |search| spreadsheet(&search.path.target)),
    ("encapsulation", |search| typed(search.path.encapsulation.as_ref())),
    ("family", |search| word(&search.family)),
    ("toward", |search| word(&search.toward)),
    ("method", |search| word(&search.method)),
    ("valid", |search| search.void.is_none().to_string()),
    ("void", |search| {
        shown(search.void.as_ref().map(|void| spreadsheet(&describe_capacity_void(void))))
    }),
    ("caveats", |search| {
        let caveats: Vec<_> = search.caveats.iter().map(describe_capacity_caveat).collect();
        spreadsheet(&caveats.join("; "))
    }),
    ("ip_bytes", |search| search.parameters.ip_bytes.to_string()),
    ("sub_interval_ms", |search| search.parameters.sub_interval_ms.to_string()),
    ("sub_intervals", |search| search.sub_intervals.len().to_string()),
    ("maximum_bps", |search| {
        valid(search, |search| search.maximum.as_ref().map(|best| best.rate_bps.bits_per_second()))
    }),
    ("maximum_loss_ratio", |search| {
        valid(search, |search| {
            search.maximum.as_ref()?.loss_ratio.map(culvert_units::Fraction::get)
        })
    }),
    ("sustained_bps", |search| {
        valid(search, |search| search.sustained_bps.map(culvert_units::BitRate::bits_per_second))
    }),
    ("sent", |search| shown(search.sent)),
    ("received", |search| shown(search.received)),
    ("host_dropped", |search| shown(search.host_dropped)),
    ("rtt_baseline_p50_us", |search| {
        valid(search, |search| search.rtt_baseline_us.map(|rtt| rtt.p50))
    }),
    ("rtt_transfer_p50_us", |search| {
        valid(search, |search| search.rtt_transfer_us.map(|rtt| rtt.p50))
    }),
    ("rtt_transfer_p99_us", |search| {
        valid(search, |search| search.rtt_transfer_us.map(|rtt| rtt.p99))
    }),
];

fn valid<T: ToString>(
    search: &CapacityRecord,
    figure: impl Fn(&CapacityRecord) -> Option<T>,
) -> String {
    shown(Some(search).filter(|search| search.void.is_none()).and_then(figure))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    #[test]
    fn a_line_a_search_and_no_figure_of_a_void_one() {
        let mut contents = samples::ledger();
        contents.capacities = vec![samples::capacity(), samples::capacity()];
        contents.capacities[1].void =
            Some(culvert_record::CapacityVoid::NothingCounted {}.to_finding());
        contents.capacities[1].path.name = Some("=1+1".to_owned());
        let mut bytes = Vec::new();
        CapacityCsv.export_ledger(&contents, &mut bytes).expect("written");
        let mut reader = csv::Reader::from_reader(bytes.as_slice());
        let names = reader.headers().expect("names").clone();
        let lines: Vec<_> = reader.records().map(|line| line.expect("a line")).collect();
        let cell = |line: usize, name: &str| {
            let at = names.iter().position(|column| column == name).expect("a column");
            lines[line][at].to_owned()
        };
        assert_eq!(lines.len(), 2);
        assert_eq!(cell(0, "sustained_bps"), "39990000");
        assert_eq!(
            (cell(0, "toward"), cell(0, "method")),
            ("far".to_owned(), "rfc9097".to_owned())
        );
        assert_eq!((cell(1, "valid"), cell(1, "maximum_bps")), ("false".to_owned(), String::new()));
        assert_eq!(cell(1, "path"), "'=1+1", "typed names cannot become formulas");
    }
}
