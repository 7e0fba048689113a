//! The instrument's certificate on a terminal.

use culvert_record::{Between, Certificate, KnownLine, Percentiles, Reached};

use crate::{
    cells::printable,
    figures::{bps, fine_percent, ms},
    table,
};

/// The certificate in at most `width` columns of text, ending with a newline; N stands beside each figure.
pub fn certificate_text(certificate: &Certificate, width: u16) -> String {
    let of = &certificate.of;
    let facts: Vec<_> =
        [&of.host, &of.system, &of.processor].into_iter().filter_map(Option::as_deref).collect();
    let title = format!(
        "instrument's certificate {} · {} · {}",
        certificate.id,
        of.program,
        facts.join(", ")
    );
    let mut text = table::paragraph(width, "", &printable(&title));
    for (heading, rows) in [
        ("over loopback, both programs on this host", rates(certificate)),
        (between(certificate.over), delays(certificate)),
    ] {
        if !rows.is_empty() {
            text.extend(["\n", heading, "\n"]);
            text.push_str(&table::pairs(width, &rows));
        }
    }
    for note in &certificate.notes {
        text.push_str(&table::paragraph(width, "! ", &printable(note)));
    }
    text
}

type Pairs = Vec<(&'static str, String)>;

const fn between(over: Between) -> &'static str {
    match over {
        Between::EmulatedPath => "over an emulated path",
        Between::Loopback => "over loopback, for want of an emulated path",
    }
}

fn rates(certificate: &Certificate) -> Pairs {
    let rate =
        |reached: Reached, of: &str| format!("{} ({} {of})", bps(reached.bps as f64), reached.n);
    let tcp = certificate.tcp.map(|tcp| ("TCP reaches", rate(tcp, "steps")));
    let udp = certificate.udp.map(|udp| ("UDP reaches", rate(udp, "datagrams")));
    tcp.into_iter().chain(udp).collect()
}

fn delays(certificate: &Certificate) -> Pairs {
    let mut rows = Pairs::new();
    let spread = |values: Percentiles| {
        let [half, most] = [values.p50, values.p99].map(|value| ms(value as f64));
        format!("half within {half}, 99 % within {most} ({} values)", values.n)
    };
    rows.extend(certificate.lateness_us.map(|late| ("datagrams leave late by", spread(late))));
    rows.extend(certificate.clock_reading_ns.map(|error| {
        let Percentiles { n, p50, p99, .. } = error;
        (
            "clock readings err by",
            format!("half within {p50} ns, 99 % within {p99} ns ({n} values)"),
        )
    }));
    rows.extend(
        certificate.round_trip_error_us.map(|error| ("round trips exceed truth by", spread(error))),
    );
    rows.extend(
        certificate.variation_floor_us.map(|floor| ("PDV where there is none", spread(floor))),
    );
    rows.extend(certificate.emulation_lateness.map(|late| {
        let [half, most] = [late.p50_us, late.p99_us].map(ms);
        let text = format!("half within {half}, 99 % within {most} ({} packets)", late.n);
        ("the emulation itself", text)
    }));
    rows.extend(certificate.known_line.map(|line| ("TCP on a known line", known(line))));
    rows
}

fn known(line: KnownLine) -> String {
    let side = if line.off < 0.0 { "below" } else { "above" };
    format!(
        "{} of {}, {} {side} its ceiling ({} steps)",
        bps(line.goodput_bps as f64),
        bps(line.line_bps as f64),
        fine_percent(line.off.abs()),
        line.n
    )
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn certificate() -> Certificate {
        let spread = json!({"n": 3000, "min": 0, "p50": 20, "p95": 60, "p99": 90, "max": 400});
        serde_json::from_value(json!({
            "schema": "culvert/certificate/1", "id": "00112233445566778899aabbccddeeff",
            "made_at": "2026-11-20T18:00:00Z",
            "of": {"program": "culvert 0.1.0", "host": "cab\u{1b}in", "system": "linux 6.1.0", "processor": null,
                   "processors": 2},
            "over": "emulated_path", "tcp": {"bps": 9_000_000_000_u64, "n": 30}, "udp": null, "lateness_us": spread,
            "clock_reading_ns": {"n": 1000, "min": 20, "p50": 25, "p95": 30, "p99": 40, "max": 900},
            "round_trip_error_us": spread, "variation_floor_us": spread, "emulation_lateness": {"n": 5000, "p50_us": 3.5, "p99_us": 45.5},
            "known_line": {"line_bps": 100_000_000, "ceiling_bps": 94_000_000, "goodput_bps": 93_765_000, "off": -0.0025,
                           "n": 40},
            "notes": ["the rate of UDP is not known"]
        }))
        .expect("a certificate")
    }

    #[test]
    fn every_figure_stands_with_its_n() {
        insta::assert_snapshot!(certificate_text(&certificate(), 100));
    }

    #[test]
    fn what_was_not_measured_has_no_line() {
        let text = certificate_text(&certificate(), 100);
        assert!(!text.contains("UDP reaches") && !text.contains('\u{1b}'), "{text}");
    }
}
