//! One capacity search on a terminal.

use culvert_record::{
    CapacityMethod, CapacityRecord, SubInterval, Verification, describe_capacity_caveat,
    describe_capacity_void,
};
use culvert_units::Bytes;

use crate::{
    cells::printable,
    figures::{fine_percent, ms, way},
    table,
};

/// The search in at most `width` columns of text, ending with a newline.
///
/// One that is a part only says so first, and shows what was counted without calling it a capacity.
pub fn capacity_text(record: &CapacityRecord, width: u16) -> String {
    let method = match record.method {
        CapacityMethod::Rfc9097 => "the method of RFC 9097",
        CapacityMethod::Faster => "our faster form of RFC 9097's method",
    };
    let mut text = printable(&format!(
        "IP-layer capacity toward {} · {} · {method} · {}",
        way(record.toward),
        record.target,
        record.id
    ));
    text.push('\n');
    if let Some(void) = &record.void {
        let reason = format!("the result is void or a part only: {}", describe_capacity_void(void));
        text.push_str(&table::paragraph(width, "! ", &reason));
    }
    text.push('\n');
    text.push_str(&table::pairs(width, &figures(record)));
    if !record.caveats.is_empty() {
        text.push_str("\ncaveats\n");
        for caveat in &record.caveats {
            text.push_str(&table::paragraph(width, "  ! ", &describe_capacity_caveat(caveat)));
        }
    }
    text
}

fn figures(record: &CapacityRecord) -> Vec<(&'static str, String)> {
    let mut pairs = Vec::new();
    if record.void.is_none() {
        pairs.push(("maximum", maximum(record)));
        let sustained = record.sustained_bps.map(|rate| rate.to_string());
        pairs.push(("sustained", sustained.unwrap_or_else(|| "not shown".to_owned())));
        pairs.extend(record.verifications.iter().map(|one| ("verification", verification(one))));
    }
    if !record.sub_intervals.is_empty() {
        pairs.push(("sub-intervals", rates(&record.sub_intervals)));
    }
    let longest = record.sub_intervals.iter().filter_map(|one| one.longest_delay_us).max();
    if let Some(longest) = longest {
        pairs.push(("queue delay", format!("up to {} above the least", ms(longest as f64))));
    }
    let round_trip = |p: &culvert_record::Percentiles| ms(p.p50 as f64);
    if let Some(during) = &record.rtt_transfer_us {
        let before = record
            .rtt_baseline_us
            .as_ref()
            .map_or_else(String::new, |before| format!("{} before, ", round_trip(before)));
        pairs.push((
            "round trip",
            format!("{before}{} during the search (median)", round_trip(during)),
        ));
    }
    if let Some(sent) = record.ip_bytes_sent {
        let ip = u64::from(record.parameters.ip_bytes);
        let arrived = record.received.map(|count| Bytes::new(count.saturating_mul(ip)));
        let arrived = arrived.map_or_else(String::new, |bytes| format!(", {bytes} arrived"));
        pairs.push(("moved", format!("{sent} of IP packets{arrived}")));
    }
    pairs
}

fn maximum(record: &CapacityRecord) -> String {
    let p = &record.parameters;
    match &record.maximum {
        Some(best) => format!(
            "{}, the best of {} sub-intervals of {} s, {} lost",
            best.rate_bps,
            record.sub_intervals.len(),
            p.sub_interval_ms as f64 / 1e3,
            lost(best.loss_ratio)
        ),
        None => format!(
            "none: every sub-interval lost more than {}",
            fine_percent(p.search_loss_at_most)
        ),
    }
}

fn verification(one: &Verification) -> String {
    let rise = one
        .delay_rise_us
        .map_or_else(String::new, |rise| format!(", least delay {:+.1} ms", rise as f64 / 1e3));
    let word = if one.passed { "stood" } else { "failed" };
    format!("{word} at {}: {} lost{rise}", one.offered_bps, lost(one.loss_ratio))
}

fn rates(sub_intervals: &[SubInterval]) -> String {
    let rates: Vec<String> =
        sub_intervals.iter().map(|one| format!("{:.1}", one.rate_bps.megabits())).collect();
    format!("{} Mbit/s", rates.join(" "))
}

fn lost(ratio: Option<culvert_units::Fraction>) -> String {
    ratio.map_or_else(|| "unknown".to_owned(), |ratio| fine_percent(ratio.get()))
}
