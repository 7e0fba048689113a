//! One run on a terminal: what was asked, what came of it, what weakens it.

use std::time::Duration;

use culvert_record::{
    Direction, End, Handover, Kind, Percentiles, RunRecord, TcpFacts, Transport, Way,
    describe_caveat, describe_void,
};
use culvert_units::{Bytes, Fraction, format_duration};
use culvert_verdict::{PathKey, Session, protection_caution};

use crate::{
    cells::printable,
    figures::{bps, fine_percent, ms, path_label, way},
    instrument, stream_text, table,
};

/// The run in at most `width` columns of text, ending with a newline.
///
/// A void run says so first and shows no figure but what was moved, which may have cost something.
pub fn run_text(run: &RunRecord, width: u16) -> String {
    let mut text = printable(&heading(run));
    text.push('\n');
    if let Some(void) = &run.void {
        let reason = format!("the result is void: {}", describe_void(void));
        text.push_str(&table::paragraph(width, "! ", &reason));
    }
    for toward in Way::BOTH {
        let pairs = run.direction(toward).map(|direction| direction_pairs(run, direction));
        if let Some(pairs) = pairs.filter(|pairs| !pairs.is_empty()) {
            text.extend(["\ntoward ", way(toward), "\n"]);
            text.push_str(&table::pairs(width, &pairs));
        }
    }
    for (title, pairs) in [("round-trip time", round_trip_pairs(run)), ("hosts", host_pairs(run))] {
        if !pairs.is_empty() {
            text.extend(["\n", title, "\n"]);
            text.push_str(&table::pairs(width, &pairs));
        }
    }
    if !run.caveats.is_empty() {
        text.push_str("\ncaveats\n");
        for caveat in &run.caveats {
            text.push_str(&table::paragraph(width, "  ! ", &describe_caveat(caveat)));
        }
    }
    if let Some(line) = instrument::of_run(run) {
        text.push_str("\ninstrument\n");
        text.push_str(&table::paragraph(width, "  ", &line));
    }
    if let Some(caution) = protection_caution(&PathKey::of(run)) {
        text.push('\n');
        text.push_str(&table::paragraph(width, "! ", &caution));
    }
    text
}

type Pairs = Vec<(&'static str, String)>;

fn heading(run: &RunRecord) -> String {
    let path = path_label(&PathKey::of(run));
    let target =
        run.path.name.as_ref().map_or_else(String::new, |_| format!(" at {}", run.path.target));
    format!("{} · {path}{target} · run {}", Session::of(run), run.id)
}

fn direction_pairs(run: &RunRecord, direction: &Direction) -> Pairs {
    if run.void.is_some() {
        return moved(direction, "sent").map(|moved| ("moved", moved)).into_iter().collect();
    }
    let mut pairs = match run.kind {
        Kind::Bulk => bulk_pairs(direction),
        Kind::Paced | Kind::Calls => paced_pairs(direction),
    };
    let buffer = direction.receive_buffer.and_then(|buffer| buffer.granted_bytes);
    pairs.extend(buffer.map(|bytes| ("receive buffer", format!("{} granted", Bytes::new(bytes)))));
    pairs
}

fn bulk_pairs(direction: &Direction) -> Pairs {
    let mut pairs = Pairs::new();
    pairs.extend(rate_over(direction, direction.goodput_bps).map(|rate| ("goodput", rate)));
    pairs.extend(moved(direction, "acknowledged").map(|moved| ("moved", moved)));
    pairs.extend(direction.tcp.as_ref().into_iter().flat_map(|tcp| tcp_pairs(tcp, direction)));
    pairs
}

fn tcp_pairs(tcp: &TcpFacts, direction: &Direction) -> Pairs {
    let mut pairs = Pairs::new();
    if let Some(again) = tcp.retransmitted_bytes {
        let share = direction.bytes_sent.and_then(|sent| Fraction::of(again as f64, sent as f64));
        let share =
            share.map(|share| format!(", {} of what was acknowledged", fine_percent(share.get())));
        pairs.push(("sent again", format!("{}{}", Bytes::new(again), share.unwrap_or_default())));
    }
    if let Some(bytes) = tcp.segment_payload_bytes {
        let timestamps = match tcp.timestamps {
            Some(true) => ", with timestamps",
            Some(false) => ", without timestamps",
            None => "",
        };
        pairs.push(("full segment", format!("{bytes} B of payload{timestamps}")));
    }
    pairs.extend(tcp.congestion_control.clone().map(|name| ("congestion control", name)));
    pairs
}

fn paced_pairs(direction: &Direction) -> Pairs {
    let mut pairs = Pairs::new();
    pairs.extend(rate_over(direction, direction.offered_bps).map(|rate| ("offered", rate)));
    pairs.extend(rate_over(direction, direction.delivered_bps).map(|rate| ("delivered", rate)));
    pairs.extend(
        counted(direction.lost, direction.sent, direction.loss_ratio, "sent")
            .map(|text| ("lost", text)),
    );
    pairs.extend(stream_text::loss_runs(direction).map(|text| ("loss runs", text)));
    pairs.extend(departure(direction).map(|text| ("left", text)));
    let dropped = direction.host_dropped.map(|dropped| dropped.to_string());
    pairs.extend(
        dropped.map(|dropped| ("dropped by the host", format!("{dropped}, among the lost"))),
    );
    let reordered =
        counted(direction.reordered, direction.received, direction.reordered_ratio, "received");
    pairs.extend(reordered.map(|text| ("reordered", text)));
    pairs.extend(stream_text::reordering(direction).map(|text| ("overtaken", text)));
    pairs.extend(stream_text::duplicates(direction).map(|text| ("duplicates", text)));
    pairs
        .extend(direction.interarrival_jitter_us.map(|jitter| ("interarrival jitter", ms(jitter))));
    pairs.extend(
        direction.pdv_us.map(|delay| ("PDV", format!("{}, above the least delay", spread(&delay)))),
    );
    pairs.extend(stream_text::skew(direction).map(|text| ("clock skew", text)));
    pairs.extend(stream_text::one_way(direction).map(|text| ("one-way delay", text)));
    pairs
}

/// How true to the schedule, and by what means.
fn departure(direction: &Direction) -> Option<String> {
    let lateness = direction.departure.and_then(|departure| departure.lateness_us);
    let late =
        lateness.map(|late| format!("99 % within {} of when it was due", ms(late.p99 as f64)));
    let together = direction.departure.map(|departure| departure.burst_datagrams);
    let bursts = together.filter(|count| *count > 1).map(|count| format!("{count} at once"));
    let by = direction.sent_by.map(|sent_by| handed_over(sent_by.ended).to_owned());
    let parts: Vec<_> = late.into_iter().chain(bursts).chain(by).collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

const fn handed_over(by: Handover) -> &'static str {
    match by {
        Handover::Segmented => "as segments",
        Handover::Batched => "in batches",
        Handover::Single => "one by one",
        Handover::Auto => "in an unknown way",
    }
}

/// A rate with the stretch it holds for.
fn rate_over(direction: &Direction, rate: Option<u64>) -> Option<String> {
    let rate = rate?;
    let over = direction.plateau.map(|plateau| {
        let length = Duration::from_millis(plateau.to_ms.saturating_sub(plateau.from_ms));
        let before = Duration::from_millis(plateau.from_ms);
        format!(" over {}, after {} to settle", format_duration(length), format_duration(before))
    });
    Some(format!("{}{}", bps(rate as f64), over.unwrap_or_default()))
}

fn moved(direction: &Direction, sent_word: &str) -> Option<String> {
    let received = direction.bytes_received.map(|bytes| format!("{} received", Bytes::new(bytes)));
    let sent = direction.bytes_sent.map(|bytes| format!("{} {sent_word}", Bytes::new(bytes)));
    let parts: Vec<_> = received.into_iter().chain(sent).collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

fn counted(
    part: Option<u64>,
    whole: Option<u64>,
    ratio: Option<f64>,
    word: &str,
) -> Option<String> {
    let mut text = part?.to_string();
    text.extend(whole.map(|whole| format!(" of {whole} {word}")));
    text.extend(ratio.map(|ratio| format!(", {}", fine_percent(ratio))));
    Some(text)
}

fn round_trip_pairs(run: &RunRecord) -> Pairs {
    if run.void.is_some() {
        return Pairs::new();
    }
    let baseline = run.rtt_baseline_us.as_ref().map(|rtt| ("baseline", spread(rtt)));
    let transfer = run.rtt_transfer_us.as_ref().map(|rtt| ("during transfer", spread(rtt)));
    let queue = run.queue_delay.as_ref().map(|delay| ("queue delay", stream_text::queue(delay)));
    let by_tcp = (run.round_trips_by == Some(Transport::Tcp))
        .then(|| ("measured", "over TCP, since UDP does not pass".to_owned()));
    by_tcp.into_iter().chain(baseline).chain(transfer).chain(queue).collect()
}

pub(crate) fn spread(values: &Percentiles) -> String {
    let shown = [values.p50, values.min, values.p99].map(|value| ms(value as f64));
    let [median, least, most] = shown;
    format!("half within {median}, least {least}, 99 % within {most} ({} values)", values.n)
}

fn host_pairs(run: &RunRecord) -> Pairs {
    [("near", &run.ends.near), ("far", &run.ends.far)]
        .into_iter()
        .filter_map(|(name, end)| end.as_ref().map(|end| (name, host(end))))
        .collect()
}

fn host(end: &End) -> String {
    let at = match (&end.address, &end.interface) {
        (Some(address), Some(interface)) => Some(format!("{address} by {interface}")),
        (Some(address), None) => Some(address.clone()),
        (None, Some(interface)) => Some(format!("by {interface}")),
        (None, None) => None,
    };
    let seen = end.seen_from.as_ref().map(|seen| format!("seen from {seen}"));
    let cores = end.cores.as_deref().unwrap_or_default();
    let busiest = cores
        .iter()
        .max_by(|a, b| a.busy.total_cmp(&b.busy))
        .map(|core| format!("busiest core {:.0} %", core.busy * 100.0));
    let facts: Vec<_> = at.into_iter().chain(seen).chain(busiest).collect();
    if facts.is_empty() { end.program.clone() } else { facts.join(", ") }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    #[test]
    fn a_bulk_run() {
        insta::assert_snapshot!(run_text(&samples::bulk(), 100));
    }

    #[test]
    fn a_paced_run() {
        insta::assert_snapshot!(run_text(&samples::paced(), 100));
    }

    #[test]
    fn a_void_run_shows_no_rate() {
        let mut run = samples::bulk();
        run.void = Some(culvert_record::VoidReason::Interrupted {}.to_finding());
        let text = run_text(&run, 100);
        assert!(text.contains("the result is void: it was stopped before it was complete"));
        assert!(!text.contains("goodput") && !text.contains("bit/s"), "{text}");
    }

    #[test]
    fn a_name_cannot_steer_the_terminal() {
        let mut run = samples::bulk();
        run.path.name = Some("\u{1b}[31mred".to_owned());
        assert!(!run_text(&run, 80).contains('\u{1b}'));
    }
}
