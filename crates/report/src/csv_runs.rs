//! The runs as CSV for a spreadsheet: one line a run and direction.

use std::io::{self, Write};

use culvert_record::{
    CoreUse, Direction, End, Percentiles, RunRecord, Toward, Way, describe_caveat, describe_void,
};
use serde::Serialize;

use crate::{Exporter, Report, cells::spreadsheet};

/// The name and version of the columns, in each line's first cell.
pub const CSV_SCHEMA: &str = "culvert/runs-csv/1";

/// Every run, void ones marked and without figures; columns carry their unit, what is missing is an empty cell.
#[derive(Debug, Clone, Copy)]
pub struct Csv;

impl Exporter for Csv {
    fn export(&self, report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
        let mut names = csv::Writer::from_writer(&mut *out);
        names.write_record(COLUMNS.iter().map(|column| column.name))?;
        for run in &report.contents.runs {
            for toward in Way::BOTH {
                if let Some(line) = Line::of(run, toward) {
                    names.write_record(COLUMNS.iter().map(|column| (column.cell)(&line)))?;
                }
            }
        }
        names.flush()
    }
}

struct Line<'a> {
    run: &'a RunRecord,
    toward: Way,
    direction: Option<&'a Direction>,
}

struct Column {
    name: &'static str,
    cell: fn(&Line<'_>) -> String,
}

impl<'a> Line<'a> {
    /// A direction that was neither asked for nor measured has no line.
    fn of(run: &'a RunRecord, toward: Way) -> Option<Self> {
        let direction = run.direction(toward);
        let asked = matches!(
            (run.asked.toward, toward),
            (Toward::Both, _) | (Toward::Far, Way::Far) | (Toward::Near, Way::Near)
        );
        (asked || direction.is_some()).then_some(Self { run, toward, direction })
    }

    /// A figure of this way; a void run has none that a spreadsheet could count by mistake.
    fn number<T: ToString>(&self, figure: impl Fn(&Direction) -> Option<T>) -> String {
        shown(self.direction.filter(|_| self.run.void.is_none()).and_then(figure))
    }

    fn near(&self) -> Option<&'a End> {
        self.run.ends.near.as_ref()
    }
}

const fn column(name: &'static str, cell: fn(&Line<'_>) -> String) -> Column {
    Column { name, cell }
}

const COLUMNS: &[Column] = &[
    column("schema", |_| CSV_SCHEMA.to_owned()),
    column("run_id", |line| spreadsheet(&line.run.id)),
    column("started_at", |line| line.run.started_at.to_string()),
    column("survey_id", |line| typed(line.run.survey.as_ref().map(|survey| &survey.id))),
    column("round", |line| shown(line.run.survey.as_ref().map(|survey| survey.round))),
    column("position", |line| shown(line.run.survey.as_ref().map(|survey| survey.position))),
    column("kind", |line| word(&line.run.kind)),
    column("path", |line| typed(line.run.path.name.as_ref())),
    column("place", |line| word(&line.run.path.place)),
    column("target", |line| spreadsheet(&line.run.path.target)),
    column("encapsulation", |line| typed(line.run.path.encapsulation.as_ref())),
    column("family", |line| word(&line.run.family)),
    column("toward", |line| word(&line.toward)),
    column("both_ways", |line| (line.run.asked.toward == Toward::Both).to_string()),
    column("valid", |line| line.run.void.is_none().to_string()),
    column("void", |line| {
        shown(line.run.void.as_ref().map(|void| spreadsheet(&describe_void(void))))
    }),
    column("caveats", |line| {
        let caveats: Vec<_> = line.run.caveats.iter().map(describe_caveat).collect();
        spreadsheet(&caveats.join("; "))
    }),
    column("flows", |line| shown(line.run.asked.flows)),
    column("congestion_control", |line| {
        let used = line
            .direction
            .and_then(|direction| direction.tcp.as_ref()?.congestion_control.as_ref());
        typed(used)
    }),
    column("pace_bps", |line| shown(line.run.asked.pace_bps)),
    column("payload_bytes", |line| shown(line.run.asked.payload_bytes)),
    column("asked_for_ms", |line| line.run.asked.for_ms.to_string()),
    column("plateau_from_ms", |line| line.number(|data| data.plateau.map(|part| part.from_ms))),
    column("plateau_to_ms", |line| line.number(|data| data.plateau.map(|part| part.to_ms))),
    column("goodput_bps", |line| line.number(|data| data.goodput_bps)),
    column("bytes_sent", |line| line.number(|data| data.bytes_sent)),
    column("bytes_received", |line| line.number(|data| data.bytes_received)),
    column("retransmitted_bytes", |line| {
        line.number(|data| data.tcp.as_ref()?.retransmitted_bytes)
    }),
    column("segment_payload_bytes", |line| {
        line.number(|data| data.tcp.as_ref()?.segment_payload_bytes)
    }),
    column("offered_bps", |line| line.number(|data| data.offered_bps)),
    column("delivered_bps", |line| line.number(|data| data.delivered_bps)),
    column("sent", |line| line.number(|data| data.sent)),
    column("received", |line| line.number(|data| data.received)),
    column("lost", |line| line.number(|data| data.lost)),
    column("loss_ratio", |line| line.number(|data| data.loss_ratio)),
    column("reordered", |line| line.number(|data| data.reordered)),
    column("reordered_ratio", |line| line.number(|data| data.reordered_ratio)),
    column("duplicates", |line| line.number(|data| data.duplicates)),
    column("host_dropped", |line| line.number(|data| data.host_dropped)),
    column("replicated", |line| line.number(|data| data.replicated)),
    column("loss_runs", |line| line.number(|data| data.loss_runs.map(|runs| runs.runs))),
    column("loss_run_longest", |line| {
        line.number(|data| data.loss_runs?.lengths.map(|lengths| lengths.max))
    }),
    column("loss_noticeable_rate", |line| line.number(|data| data.loss_runs?.noticeable_rate)),
    column("loss_bursts", |line| line.number(|data| data.loss_runs.map(|runs| runs.bursts))),
    column("loss_burst_density", |line| line.number(|data| data.loss_runs?.burst_density)),
    column("loss_gap_density", |line| line.number(|data| data.loss_runs?.gap_density)),
    column("reordering_extent_p50", |line| {
        line.number(|data| data.reordering?.extents.map(|extents| extents.p50))
    }),
    column("reordering_extent_max", |line| {
        line.number(|data| data.reordering?.extents.map(|extents| extents.max))
    }),
    column("reordered_3", |line| {
        line.number(|data| data.reordering.map(|order| order.n_reordered[2]))
    }),
    column("departure_late_p99_us", |line| {
        line.number(|data| data.departure?.lateness_us.map(|late| late.p99))
    }),
    column("sent_by", |line| {
        word(&line.direction.and_then(|data| data.sent_by).map(|by| by.ended))
    }),
    column("received_by", |line| {
        word(&line.direction.and_then(|data| data.received_by).map(|by| by.ended))
    }),
    column("interarrival_jitter_us", |line| line.number(|data| data.interarrival_jitter_us)),
    column("ipdv_p50_us", |line| line.number(|data| data.ipdv_us.map(|delay| delay.p50))),
    column("ipdv_p99_us", |line| line.number(|data| data.ipdv_us.map(|delay| delay.p99))),
    column("pdv_n", |line| line.number(|data| data.pdv_us.map(|delay| delay.n))),
    column("pdv_p50_us", |line| line.number(|data| data.pdv_us.map(|delay| delay.p50))),
    column("pdv_p99_us", |line| line.number(|data| data.pdv_us.map(|delay| delay.p99))),
    column("clock_skew_ppm", |line| line.number(|data| data.clock_skew.map(|skew| skew.ppm))),
    column("clock_skew_supported", |line| {
        line.number(|data| data.clock_skew.map(|skew| skew.supported))
    }),
    column("pdv_without_skew_p99_us", |line| {
        line.number(|data| data.clock_skew?.pdv_us.map(|delay| delay.p99))
    }),
    column("one_way_least_us", |line| {
        line.number(|data| data.one_way_delay.map(|delay| delay.least_us))
    }),
    column("one_way_p50_us", |line| {
        line.number(|data| data.one_way_delay.map(|delay| delay.p50_us))
    }),
    column("one_way_error_us", |line| {
        line.number(|data| data.one_way_delay.map(|delay| delay.error_us))
    }),
    column("round_trips_by", |line| word(&line.run.round_trips_by)),
    column("rtt_baseline_n", |line| rtt(line, line.run.rtt_baseline_us, |rtt| rtt.n.to_string())),
    column("rtt_baseline_p50_us", |line| {
        rtt(line, line.run.rtt_baseline_us, |rtt| rtt.p50.to_string())
    }),
    column("rtt_baseline_p99_us", |line| {
        rtt(line, line.run.rtt_baseline_us, |rtt| rtt.p99.to_string())
    }),
    column("rtt_transfer_n", |line| rtt(line, line.run.rtt_transfer_us, |rtt| rtt.n.to_string())),
    column("rtt_transfer_p50_us", |line| {
        rtt(line, line.run.rtt_transfer_us, |rtt| rtt.p50.to_string())
    }),
    column("rtt_transfer_p99_us", |line| {
        rtt(line, line.run.rtt_transfer_us, |rtt| rtt.p99.to_string())
    }),
    column("queue_delay_us", |line| {
        let valid = line.run.void.is_none();
        shown(line.run.queue_delay.filter(|_| valid).map(|delay| delay.queue_delay_us))
    }),
    column("buffer_delay", |line| {
        let valid = line.run.void.is_none();
        shown(line.run.queue_delay.filter(|_| valid).and_then(|delay| delay.buffer_delay))
    }),
    column("near_interface", |line| typed(line.near().and_then(|end| end.interface.as_ref()))),
    column("near_address", |line| typed(line.near().and_then(|end| end.address.as_ref()))),
    column("near_seen_from", |line| typed(line.near().and_then(|end| end.seen_from.as_ref()))),
    column("near_busiest_core_share", |line| busiest(line.near())),
    column("far_busiest_core_share", |line| busiest(line.run.ends.far.as_ref())),
];

pub(crate) fn shown<T: ToString>(figure: Option<T>) -> String {
    figure.map(|figure| figure.to_string()).unwrap_or_default()
}

pub(crate) fn typed(text: Option<&String>) -> String {
    shown(text.map(|text| spreadsheet(text)))
}

/// A value of a fixed set as the record writes it.
pub(crate) fn word(value: &impl Serialize) -> String {
    serde_json::to_value(value)
        .ok()
        .and_then(|value| value.as_str().map(str::to_owned))
        .unwrap_or_default()
}

fn rtt(
    line: &Line<'_>,
    percentiles: Option<Percentiles>,
    figure: fn(&Percentiles) -> String,
) -> String {
    let valid = line.run.void.is_none();
    percentiles.as_ref().filter(|_| valid).map(figure).unwrap_or_default()
}

fn busiest(end: Option<&End>) -> String {
    let cores = end.and_then(|end| end.cores.as_deref()).unwrap_or_default();
    let busiest = cores.iter().max_by(|a: &&CoreUse, b| a.busy.total_cmp(&b.busy));
    shown(busiest.map(|core| core.busy))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    fn lines(contents: &culvert_record::LedgerContents) -> Vec<csv::StringRecord> {
        let mut bytes = Vec::new();
        Csv.export_ledger(contents, &mut bytes).expect("written");
        csv::ReaderBuilder::new()
            .has_headers(false)
            .from_reader(bytes.as_slice())
            .records()
            .map(|record| record.expect("a line"))
            .collect()
    }

    fn cell<'a>(lines: &'a [csv::StringRecord], line: usize, name: &str) -> &'a str {
        let at = lines[0].iter().position(|column| column == name).expect("a column");
        &lines[line][at]
    }

    #[test]
    fn a_line_a_run_and_direction() {
        let lines = lines(&samples::ledger());
        // Nine bulk runs and a paced one, each with one direction.
        assert_eq!(lines.len(), 1 + 10);
        assert_eq!(cell(&lines, 1, "goodput_bps"), "94140000");
        assert_eq!((cell(&lines, 1, "toward"), cell(&lines, 1, "valid")), ("far", "true"));
        assert_eq!(cell(&lines, 6, "void"), "it was stopped before it was complete");
        assert_eq!(cell(&lines, 6, "goodput_bps"), "", "a void run has no figure");
        assert_eq!(cell(&lines, 10, "lost"), "102");
        assert_eq!(cell(&lines, 10, "duplicates"), "0");
        assert_eq!(cell(&lines, 10, "toward"), "near");
    }

    #[test]
    fn what_is_missing_is_empty_and_never_zero() {
        let lines = lines(&samples::ledger());
        for name in
            ["lost", "bytes_sent", "rtt_baseline_p50_us", "far_busiest_core_share", "pace_bps"]
        {
            assert_eq!(cell(&lines, 1, name), "", "{name}");
        }
    }

    #[test]
    fn an_asked_direction_without_a_result_has_a_line() {
        let mut contents = samples::ledger();
        contents.runs.truncate(1);
        contents.runs[0].asked.toward = Toward::Both;
        contents.runs[0].toward_far = None;
        let lines = lines(&contents);
        assert_eq!(lines.len(), 1 + 2);
        assert_eq!(cell(&lines, 2, "goodput_bps"), "");
    }

    #[test]
    fn typed_names_cannot_become_formulas() {
        let mut contents = samples::ledger();
        contents.runs[0].path.name = Some("=HYPERLINK(\"x\")".to_owned());
        contents.runs[0].path.target = "@1.2.3.4".to_owned();
        let lines = lines(&contents);
        assert_eq!(cell(&lines, 1, "path"), "'=HYPERLINK(\"x\")");
        assert_eq!(cell(&lines, 1, "target"), "'@1.2.3.4");
    }
}
