//! The facts of a path for the terminal.

use std::fmt::Write as _;
use std::net::IpAddr;

use culvert_session::path_mtu::PathMtuVerdict;
use culvert_units::{BitRate, Bytes, format_duration};

use super::{EndFacts, Preflight, WayFacts};

/// Columns of the names.
const NAMES: usize = 22;

/// One line a fact, then one a remark with its hint.
pub fn preflight_text(facts: &Preflight) -> String {
    let mut out = String::new();
    let mut line = |name: &str, value: &str| {
        let _ = writeln!(out, "{name:<NAMES$}{value}");
    };
    line("target", &target(facts));
    line("reached", &reached(facts));
    line("near", &end(&facts.near));
    line("far", &end(&facts.far));
    line("baseline RTT", &round_trips(facts));
    line("clock offset", &clock(facts));
    line("path MTU toward far", &path_mtu(&facts.toward_far));
    line("path MTU toward near", &path_mtu(&facts.toward_near));
    line("MSS toward far, near", &segments(facts));
    if let Some(model) = &facts.model {
        let (mtu, mss) = (number(model.tunnel_mtu), number(model.tcp_mss));
        let name = &model.encapsulation;
        line("model", &format!("{name} over {}: MTU {mtu}, MSS {mss}", model.underlay_mtu));
    }
    line("listener allows", &limits(facts));
    if let Some(plan) = &facts.plan {
        let volume = plan.bytes.map_or_else(
            || "an unknown amount: it does not state the lines of its bulk sessions".to_owned(),
            |bytes| format!("up to {} of payload", Bytes::new(bytes)),
        );
        line("plan moves", &format!("{volume} ({})", plan.name));
    }
    for remark in &facts.remarks {
        let _ = writeln!(out, "- {}", remark.sentence);
        if let Some(hint) = remark.hint {
            let _ = writeln!(out, "  try: {hint}");
        }
    }
    if !facts.complete {
        let _ = writeln!(out, "incomplete: not every question has its answer");
    }
    out
}

const UNKNOWN: &str = "not known";

fn number<T: ToString>(value: Option<T>) -> String {
    value.map_or_else(|| UNKNOWN.to_owned(), |value| value.to_string())
}

fn target(facts: &Preflight) -> String {
    let dialled = facts.dialled.map_or_else(String::new, |address| {
        let family = facts.family.map_or_else(String::new, |family| format!(", {family}"));
        format!(" ({address}{family})")
    });
    let others: Vec<String> = facts
        .resolved
        .iter()
        .filter(|address| Some(**address) != facts.dialled)
        .map(IpAddr::to_string)
        .collect();
    let others =
        if others.is_empty() { String::new() } else { format!("; also {}", others.join(", ")) };
    format!("{}{dialled}{others}", facts.target)
}

fn reached(facts: &Preflight) -> String {
    let word = |reached| match reached {
        Some(true) => "yes",
        Some(false) => "no",
        None => UNKNOWN,
    };
    format!("TCP {}, UDP {}", word(facts.tcp_reached), word(facts.udp_reached))
}

fn end(end: &EndFacts) -> String {
    let Some(address) = end.address else { return UNKNOWN.to_owned() };
    let mut text = address.to_string();
    if let Some(interface) = &end.interface {
        let kind =
            end.interface_kind.as_ref().map_or_else(String::new, |kind| format!(" ({kind})"));
        let _ = write!(text, ", {interface}{kind}, MTU {}", number(end.interface_mtu));
    }
    if let Some(gateway) = end.gateway {
        let _ = write!(text, ", by router {gateway}");
    }
    if let Some(seen) = end.seen_from {
        let _ = write!(text, ", seen as {seen}");
    }
    text
}

fn round_trips(facts: &Preflight) -> String {
    let Some(rtt) = facts.rtt_baseline_us else { return UNKNOWN.to_owned() };
    let ms = |us: i64| us as f64 / 1_000.0;
    format!(
        "{:.3} ms median, {:.3} to {:.3} (N {} of {} probes)",
        ms(rtt.p50),
        ms(rtt.min),
        ms(rtt.max),
        rtt.n,
        number(facts.rtt_probes)
    )
}

fn clock(facts: &Preflight) -> String {
    facts.clock_error_us.map_or_else(
        || UNKNOWN.to_owned(),
        |error| format!("can be known to {:.3} ms", error / 1_000.0),
    )
}

fn path_mtu(way: &WayFacts) -> String {
    let Some(outcome) = way.path_mtu else { return UNKNOWN.to_owned() };
    let passing = number(outcome.largest_passing);
    match outcome.verdict {
        PathMtuVerdict::Exact => format!("{passing} bytes"),
        PathMtuVerdict::AtCeiling => format!("{passing} bytes, the interface's own"),
        PathMtuVerdict::Silent => "not known: no probe was answered".to_owned(),
        PathMtuVerdict::Unfinished | PathMtuVerdict::Unstable => {
            let below = outcome
                .smallest_failing
                .map_or_else(String::new, |size| format!(", less than {size}"));
            format!("not known: {passing} bytes passed{below}, the search did not end")
        }
    }
}

fn segments(facts: &Preflight) -> String {
    format!("{}, {} bytes", number(facts.toward_far.tcp_mss), number(facts.toward_near.tcp_mss))
}

fn limits(facts: &Preflight) -> String {
    let Some(limits) = facts.limits else { return UNKNOWN.to_owned() };
    let mut text = format_duration(std::time::Duration::from_millis(limits.duration_ms));
    let _ = write!(text, " a session, {} flows each way", limits.flows);
    if let Some(rate) = limits.rate_bps {
        let _ = write!(text, ", {}", BitRate::from_bits_per_second(rate));
    }
    if let Some(bytes) = limits.bytes {
        let _ = write!(text, ", {} a session", Bytes::new(bytes));
    }
    text
}
