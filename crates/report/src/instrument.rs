//! What the instrument's certificate says of results, in a line.

use culvert_record::{Between, Direction, Kind, QuotedCertificate, RunRecord, Way};

use crate::figures::{bps, fine_percent, ms};

/// From this share of what the programs reach a rate may be theirs and not the path's. Our own choice: what the two
/// reach together varies by some tenths with what else a host does.
const NEAR: f64 = 0.8;

/// What the certificate says of one run; `None` when none is quoted, or when the run is void.
pub(crate) fn of_run(run: &RunRecord) -> Option<String> {
    let quoted = run.instrument.as_ref().filter(|_| run.void.is_none())?;
    let remarks: Vec<_> = Way::BOTH
        .into_iter()
        .filter_map(|way| run.direction(way).map(|direction| (way, direction)))
        .flat_map(|(way, direction)| {
            let toward = crate::figures::way(way);
            [
                is_unseen(direction, quoted).then(|| {
                    format!("toward {toward} PDV lies below what it can see: the path's may be anything from 0 to that")
                }),
                is_near(run.kind, direction, quoted).then(|| {
                    format!("toward {toward} the rate is near what the programs reach, which may be the limit")
                }),
            ]
        })
        .flatten()
        .collect();
    Some(sentence(quoted, &remarks))
}

/// What the certificates say of the valid runs of a ledger, a line each.
pub(crate) fn of_runs(runs: &[RunRecord]) -> Vec<String> {
    let mut seen: Vec<&QuotedCertificate> = Vec::new();
    for quoted in
        runs.iter().filter(|run| run.void.is_none()).filter_map(|run| run.instrument.as_ref())
    {
        if !seen.iter().any(|other| other.certificate == quoted.certificate) {
            seen.push(quoted);
        }
    }
    seen.into_iter().map(|quoted| of_certificate(quoted, runs)).collect()
}

fn of_certificate(quoted: &QuotedCertificate, runs: &[RunRecord]) -> String {
    let quoting = |run: &&RunRecord| {
        run.void.is_none()
            && run.instrument.as_ref().is_some_and(|other| other.certificate == quoted.certificate)
    };
    let count = |holds: fn(Kind, &Direction, &QuotedCertificate) -> bool| {
        let directions = |run: &RunRecord| {
            Way::BOTH
                .into_iter()
                .filter_map(|way| run.direction(way))
                .filter(|direction| holds(run.kind, direction, quoted))
                .count()
        };
        runs.iter().filter(quoting).map(directions).sum::<usize>()
    };
    let unseen = count(|_, direction, quoted| is_unseen(direction, quoted));
    let near = count(is_near);
    let remarks: Vec<_> = [
        (unseen > 0).then(|| format!("PDV lies below what it can see in {}", results(unseen))),
        (near > 0)
            .then(|| format!("the rate is near what the programs reach in {}", results(near))),
    ]
    .into_iter()
    .flatten()
    .collect();
    sentence(quoted, &remarks)
}

fn results(count: usize) -> String {
    if count == 1 { "1 result".to_owned() } else { format!("{count} results") }
}

fn sentence(quoted: &QuotedCertificate, remarks: &[String]) -> String {
    let id = quoted.certificate.get(..8).unwrap_or(&quoted.certificate);
    let day = quoted.made_at.strftime("%Y-%m-%d");
    let bounds: Vec<_> = [
        quoted
            .variation_floor_p99_us
            .map(|floor| format!("sees PDV above {} ({})", ms(floor as f64), between(quoted.over))),
        quoted.tcp_bps.map(|rate| format!("reaches {} by TCP", bps(rate as f64))),
        quoted.udp_bps.map(|rate| format!("{} by UDP", bps(rate as f64))),
        quoted
            .lateness_p99_us
            .map(|late| format!("sends within {} of when it is due", ms(late as f64))),
        quoted.known_line_off.map(|off| {
            let side = if off < 0.0 { "below" } else { "above" };
            format!("finds a known line's goodput {} {side} its ceiling", fine_percent(off.abs()))
        }),
    ]
    .into_iter()
    .flatten()
    .collect();
    let mut text = format!("near's certificate {id} of {day}: {}", bounds.join(", "));
    if bounds.is_empty() {
        text.push_str("nothing was measured");
    }
    for remark in remarks {
        text.push_str("; ");
        text.push_str(remark);
    }
    crate::cells::printable(&text)
}

const fn between(over: Between) -> &'static str {
    match over {
        Between::EmulatedPath => "99 % on an emulated path without any",
        Between::Loopback => "99 % on loopback",
    }
}

fn is_unseen(direction: &Direction, quoted: &QuotedCertificate) -> bool {
    direction
        .pdv_us
        .zip(quoted.variation_floor_p99_us)
        .is_some_and(|(measured, floor)| measured.p99 <= floor)
}

fn is_near(kind: Kind, direction: &Direction, quoted: &QuotedCertificate) -> bool {
    let (rate, reached) = match kind {
        Kind::Bulk => (direction.goodput_bps, quoted.tcp_bps),
        Kind::Paced | Kind::Calls => (direction.delivered_bps, quoted.udp_bps),
    };
    rate.zip(reached).is_some_and(|(rate, reached)| rate as f64 >= NEAR * reached as f64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    fn quoted() -> QuotedCertificate {
        serde_json::from_value(serde_json::json!({
            "certificate": "0123456789abcdef0123456789abcdef", "made_at": "2026-11-20T18:00:00Z", "over": "emulated_path",
            "tcp_bps": 9_000_000_000_u64, "udp_bps": 3_000_000_000_u64, "lateness_p99_us": 15, "clock_reading_p99_ns": 40,
            "variation_floor_p50_us": 20, "variation_floor_p99_us": 90, "known_line_off": -0.0025
        }))
        .expect("a quoted certificate")
    }

    fn with(mut run: RunRecord, change: impl FnOnce(&mut QuotedCertificate)) -> RunRecord {
        let mut quoted = quoted();
        change(&mut quoted);
        run.instrument = Some(quoted);
        run
    }

    const BOUNDS: &str = "near's certificate 01234567 of 2026-11-20: sees PDV above 0.090 ms (99 % on an emulated path \
                          without any), reaches 9.000 Gbit/s by TCP, 3.000 Gbit/s by UDP, sends within 0.015 ms of when it is \
                          due, finds a known line's goodput 0.2500 % below its ceiling";

    #[test]
    fn far_from_every_bound_it_only_says_them() {
        assert_eq!(of_run(&samples::bulk()), None);
        assert_eq!(of_run(&with(samples::bulk(), |_| ())).as_deref(), Some(BOUNDS));
        assert_eq!(of_run(&with(samples::paced(), |_| ())).as_deref(), Some(BOUNDS));
    }

    /// The sample's PDV: 99 % within 700 us.
    #[test]
    fn a_variation_below_the_floor_is_not_called_seen() {
        let below = |floor| {
            let run = with(samples::paced(), |quoted| quoted.variation_floor_p99_us = Some(floor));
            of_run(&run).expect("a line").contains("PDV lies below what it can see")
        };
        assert!(below(700) && !below(699));
        let unknown = with(samples::paced(), |quoted| quoted.variation_floor_p99_us = None);
        assert!(!of_run(&unknown).expect("a line").contains("PDV"));
    }

    /// The sample's goodput: 90.12 Mbit/s, eight tenths of 112.65.
    #[test]
    fn a_rate_near_what_is_reached_says_so() {
        let near = |reached| {
            let run = with(samples::bulk(), |quoted| quoted.tcp_bps = Some(reached));
            of_run(&run).expect("a line").contains("the rate is near what the programs reach")
        };
        assert!(near(112_600_000) && !near(112_700_000));
    }

    #[test]
    fn a_void_run_is_not_judged() {
        let mut run = with(samples::bulk(), |_| ());
        run.void = Some(culvert_record::VoidReason::Interrupted {}.to_finding());
        assert_eq!(of_run(&run), None);
        assert_eq!(of_runs(&[run]), Vec::<String>::new());
    }

    #[test]
    fn a_ledger_has_a_line_for_each_certificate() {
        let low = |quoted: &mut QuotedCertificate| {
            "fedcba98".clone_into(&mut quoted.certificate);
            quoted.variation_floor_p99_us = Some(800);
        };
        let runs = [with(samples::bulk(), |_| ()), with(samples::paced(), low), samples::bulk()];
        let lines = of_runs(&runs);
        assert_eq!(lines.len(), 2, "{lines:?}");
        assert_eq!(lines.first().map(String::as_str), Some(BOUNDS));
        assert!(
            lines
                .get(1)
                .is_some_and(|line| line.ends_with("; PDV lies below what it can see in 1 result")),
            "{lines:?}"
        );
    }
}
