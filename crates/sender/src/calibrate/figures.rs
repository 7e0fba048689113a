//! From the sessions to the certificate.

use culvert_pathmodel::{CeilingQuestion, Counted, Framing, Link, ceiling_for_segment, find};
use culvert_record::{
    Between, CERTIFICATE_SCHEMA, Certificate, Direction, Instrument, KnownLine, Percentiles,
    Reached, RunRecord, describe_void,
};
use culvert_units::BitRate;
use jiff::Timestamp;

use super::emulated::{DELAY_EACH_WAY_US, Emulated, LINE_BPS};
use super::loopback::Rates;

/// What was measured.
#[derive(Debug)]
pub(super) struct Measured {
    pub(super) clock_reading_ns: Option<Percentiles>,
    pub(super) rates: Rates,
    /// Or why there is no emulated path.
    pub(super) emulated: Result<Emulated, String>,
    /// What was measured instead.
    pub(super) paced_on_loopback: Option<RunRecord>,
}

/// The certificate of what was measured.
pub(super) fn certificate(
    id: String,
    made_at: Timestamp,
    of: Instrument,
    measured: &Measured,
) -> Certificate {
    let mut notes = Vec::new();
    let tcp = valid(&measured.rates.tcp, "the rate of TCP", &mut notes).and_then(tcp_reached);
    let udp = valid(&measured.rates.udp, "the rate of UDP", &mut notes).and_then(udp_reached);
    let (over, paced, true_us) = match &measured.emulated {
        Ok(emulated) => (Between::EmulatedPath, Some(&emulated.paced), 2 * DELAY_EACH_WAY_US),
        Err(why) => {
            notes.push(format!(
                "no emulated path, so loopback instead, and no line of known rate: {why}"
            ));
            (Between::Loopback, measured.paced_on_loopback.as_ref(), 0)
        }
    };
    let direction = paced.and_then(|run| valid(run, "pacing and delays", &mut notes));
    let emulated = measured.emulated.as_ref().ok();
    let known_line = emulated.and_then(|emulated| line_of(emulated, &mut notes));
    Certificate {
        schema: CERTIFICATE_SCHEMA.to_owned(),
        id,
        made_at,
        of,
        over,
        tcp,
        udp,
        lateness_us: direction
            .and_then(|way| way.departure)
            .and_then(|departure| departure.lateness_us),
        clock_reading_ns: measured.clock_reading_ns,
        round_trip_error_us: direction
            .and_then(|_| paced?.rtt_baseline_us)
            .map(|rtt| above(rtt, true_us)),
        variation_floor_us: direction.and_then(|way| way.pdv_us),
        emulation_lateness: emulated.and_then(|emulated| emulated.lateness),
        known_line,
        notes,
    }
}

/// The line of known rate; one that let packets go later than they travel was none.
fn line_of(emulated: &Emulated, notes: &mut Vec<String>) -> Option<KnownLine> {
    let way = valid(&emulated.line, "the line of known rate", notes)?;
    let late_us = emulated.line_lateness.map(|late| late.p99_us);
    let late = late_us.filter(|late| *late > DELAY_EACH_WAY_US as f64);
    if let Some(late) = late {
        notes.push(format!(
            "no figure for a line of known rate: this machine was too busy to emulate it, 1 of 100 packets going \
             {:.1} ms late or later; calibrate again when nothing else runs",
            late / 1e3
        ));
        return None;
    }
    known_line(way)
}

/// The loaded direction, unless the run is void.
fn valid<'r>(run: &'r RunRecord, what: &str, notes: &mut Vec<String>) -> Option<&'r Direction> {
    match &run.void {
        None => run.toward_far.as_ref(),
        Some(void) => {
            notes.push(format!(
                "{what} is not known, its session being void: {}",
                describe_void(void)
            ));
            None
        }
    }
}

fn tcp_reached(way: &Direction) -> Option<Reached> {
    Some(Reached { bps: way.goodput_bps?, n: steps(way)? })
}

fn udp_reached(way: &Direction) -> Option<Reached> {
    Some(Reached { bps: way.delivered_bps?, n: way.received? })
}

/// Steps of the series on the plateau.
fn steps(way: &Direction) -> Option<u64> {
    let (plateau, step_ms) = (way.plateau?, way.series.as_ref()?.step_ms);
    plateau.to_ms.checked_sub(plateau.from_ms)?.checked_div(u64::from(step_ms))
}

fn above(rtt: Percentiles, true_us: i64) -> Percentiles {
    let Percentiles { n, min, p50, p95, p99, max } = rtt;
    let [min, p50, p95, p99, max] = [min, p50, p95, p99, max].map(|value| value - true_us);
    Percentiles { n, min, p50, p95, p99, max }
}

fn known_line(way: &Direction) -> Option<KnownLine> {
    let tcp = way.tcp.as_ref()?;
    let link = Link {
        rate: BitRate::from_bits_per_second(LINE_BPS),
        framing: Framing::Ethernet,
        counted: Counted::Line,
    };
    let question = CeilingQuestion {
        timestamps: tcp.timestamps?,
        ..CeilingQuestion::new(link, find("none").ok()?)
    };
    let segment = u16::try_from(tcp.segment_payload_bytes?).ok()?;
    let ceiling = ceiling_for_segment(&question, segment).ok()?.goodput;
    KnownLine::new(LINE_BPS, ceiling.bits_per_second(), way.goodput_bps?, steps(way)?)
}

#[cfg(test)]
mod tests {
    use culvert_record::{Lateness, VoidReason};
    use serde_json::{Value, json};

    use super::*;

    fn run(kind: &str, direction: &Value) -> RunRecord {
        serde_json::from_value(json!({
            "schema": "culvert/run/1", "id": "0", "started_at": "2026-11-20T18:00:00Z", "kind": kind,
            "path": {"name": null, "place": null, "target": "127.0.0.1", "encapsulation": null}, "family": "ipv4",
            "asked": {"toward": "far", "for_ms": 4000, "settle_ms": 1000, "settle_auto": false},
            "survey": null, "void": null, "caveats": [], "ends": {"near": null, "far": null},
            "toward_far": direction, "toward_near": null,
            "rtt_baseline_us": {"n": 50, "min": 10_030, "p50": 10_100, "p95": 10_200, "p99": 10_300, "max": 10_400},
            "rtt_transfer_us": null, "fragmentation_allowed": null
        }))
        .expect("a run")
    }

    fn bulk(goodput_bps: u64) -> RunRecord {
        run(
            "bulk",
            &json!({"goodput_bps": goodput_bps, "plateau": {"from_ms": 2000, "to_ms": 6000},
                    "series": {"step_ms": 100, "bytes": []},
                    "tcp": {"segment_payload_bytes": 1448, "timestamps": true}}),
        )
    }

    fn paced() -> RunRecord {
        let spread = json!({"n": 3750, "min": 0, "p50": 12, "p95": 30, "p99": 70, "max": 500});
        run(
            "paced",
            &json!({"delivered_bps": 12_000_000, "received": 3750, "pdv_us": spread,
                    "departure": {"burst_datagrams": 1, "lateness_us": spread, "steps": 40, "uneven_steps": 0, "spin_ns": 5}}),
        )
    }

    #[expect(clippy::unnecessary_wraps, reason = "it stands where there may be none")]
    const fn late(p99_us: f64) -> Option<Lateness> {
        Some(Lateness { n: 5000, p50_us: 1.0, p99_us })
    }

    fn measured(emulated: Result<Emulated, String>) -> Measured {
        let paced_on_loopback = emulated.is_err().then(paced);
        let rates = Rates { tcp: bulk(9_000_000_000), udp: paced() };
        Measured { clock_reading_ns: Percentiles::of([20, 30]), rates, emulated, paced_on_loopback }
    }

    fn certified(measured: &Measured) -> Certificate {
        let of = Instrument {
            program: "culvert".to_owned(),
            host: None,
            system: None,
            processor: None,
            processors: None,
        };
        certificate("1".to_owned(), Timestamp::UNIX_EPOCH, of, measured)
    }

    /// 1448 of 1538 bytes (RFC 6349 section 4.1.1) of 100 Mbit/s are 94.148 Mbit/s; the path takes 10 ms there and back.
    #[test]
    fn over_an_emulated_path_its_truth_is_taken_off() {
        let emulated = Emulated {
            paced: paced(),
            line: bulk(93_206_762),
            lateness: late(25.0),
            line_lateness: late(5_000.0),
        };
        let made = certified(&measured(Ok(emulated)));
        assert_eq!(made.over, Between::EmulatedPath);
        assert_eq!(made.tcp, Some(Reached { bps: 9_000_000_000, n: 40 }));
        assert_eq!(made.udp, Some(Reached { bps: 12_000_000, n: 3750 }));
        let line = made.known_line.expect("a line");
        assert!(
            line.ceiling_bps.abs_diff(94_148_244) <= 1 && (line.off + 0.01).abs() < 1e-6,
            "{line:?}"
        );
        let error = made.round_trip_error_us.expect("round trips");
        assert_eq!((error.n, error.min, error.p50, error.max), (50, 30, 100, 400));
        assert_eq!(made.variation_floor_us.map(|floor| (floor.n, floor.p99)), Some((3750, 70)));
        assert_eq!(
            (made.lateness_us.map(|late| late.p99), made.emulation_lateness),
            (Some(70), late(25.0))
        );
        assert_eq!(made.notes, Vec::<String>::new());
    }

    #[test]
    fn a_line_that_was_late_itself_is_no_known_one() {
        let emulated = Emulated {
            paced: paced(),
            line: bulk(80_000_000),
            lateness: None,
            line_lateness: late(5_001.0),
        };
        let made = certified(&measured(Ok(emulated)));
        assert_eq!(made.known_line, None);
        assert!(made.notes.iter().any(|note| note.contains("too busy")), "{:?}", made.notes);
    }

    #[test]
    fn without_one_nothing_is_said_of_a_line() {
        let made = certified(&measured(Err("not allowed".to_owned())));
        assert_eq!(
            (made.over, made.known_line, made.emulation_lateness),
            (Between::Loopback, None, None)
        );
        assert_eq!(made.round_trip_error_us.map(|error| error.p50), Some(10_100));
        assert!(made.notes.iter().any(|note| note.contains("not allowed")), "{:?}", made.notes);
    }

    #[test]
    fn a_void_session_gives_no_figure_and_a_reason() {
        let mut emulated =
            Emulated { paced: paced(), line: bulk(1), lateness: None, line_lateness: None };
        emulated.paced.void = Some(VoidReason::Interrupted {}.to_finding());
        let made = certified(&measured(Ok(emulated)));
        assert_eq!(
            (made.lateness_us, made.variation_floor_us, made.round_trip_error_us),
            (None, None, None)
        );
        assert_eq!(made.notes.len(), 1, "{:?}", made.notes);
        assert!(made.tcp.is_some() && made.known_line.is_some());
    }
}
