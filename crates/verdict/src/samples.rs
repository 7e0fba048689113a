//! Runs of an invented survey, as short as the format allows.

use culvert_record::{Direction, Percentiles, Place, RunRecord, SurveyHeader, Way};
use serde_json::json;

/// A bulk run toward far at so many Mbit/s over IPv4: from eth0 outside, from wg0 inside.
pub(crate) fn bulk(name: &str, place: Place, megabits: u64) -> RunRecord {
    let mut run = run(name, place, "bulk");
    run.asked.flows = Some(4);
    let bytes = megabits * 125_000 * 14;
    run.toward_far = Some(Direction {
        goodput_bps: Some(megabits * 1_000_000),
        bytes_sent: Some(bytes),
        bytes_received: Some(bytes),
        ..Direction::default()
    });
    run
}

/// A paced run toward far with payloads of 1200 bytes, of which one in a thousand was lost.
pub(crate) fn paced(name: &str, place: Place, megabits: u64) -> RunRecord {
    let mut run = run(name, place, "paced");
    run.asked.pace_bps = Some(megabits * 1_000_000);
    run.asked.payload_bytes = Some(1_200);
    run.toward_far = Some(Direction {
        offered_bps: Some(megabits * 1_000_000),
        delivered_bps: Some(megabits * 999_000),
        sent: Some(50_000),
        received: Some(49_950),
        lost: Some(50),
        loss_ratio: Some(0.001),
        interarrival_jitter_us: Some(85.0),
        ..Direction::default()
    });
    run
}

/// The direction toward far, which every sample has.
pub(crate) fn direction(run: &mut RunRecord) -> &mut Direction {
    run.toward_far.as_mut().expect("data toward far")
}

/// The same run with its data, and its figure, toward near.
pub(crate) fn turned(mut run: RunRecord, megabits: u64) -> RunRecord {
    run.asked.toward = serde_json::from_value(json!("near")).expect("a direction");
    run.toward_near = run.toward_far.take();
    if let Some(direction) = run.toward_near.as_mut() {
        direction.goodput_bps = Some(megabits * 1_000_000);
    }
    run
}

/// The same run with a goodput in bit/s and segments of this payload, timestamps on.
pub(crate) fn exactly(mut run: RunRecord, goodput_bps: u64, segment: u32) -> RunRecord {
    for way in Way::BOTH {
        let direction = match way {
            Way::Far => run.toward_far.as_mut(),
            Way::Near => run.toward_near.as_mut(),
        };
        if let Some(direction) = direction {
            direction.goodput_bps = Some(goodput_bps);
            direction.tcp = Some(culvert_record::TcpFacts {
                segment_payload_bytes: Some(segment),
                timestamps: Some(true),
                ..culvert_record::TcpFacts::default()
            });
        }
    }
    run
}

pub(crate) fn round_trips(p50: i64) -> Percentiles {
    Percentiles { n: 50, min: p50, p50, p95: p50, p99: p50, max: p50 }
}

/// A survey between the cabin (100 down, 20 up) and the workshop (200 both ways), counted as Ethernet does.
pub(crate) fn header() -> SurveyHeader {
    let line = |down: u64, up: u64, metered: bool| json!({"down_bps": down * 1_000_000, "up_bps": up * 1_000_000, "metered": metered, "counted": "ethernet"});
    serde_json::from_value(json!({
        "schema": "culvert/survey/1", "id": "s1", "plan_hash": "aa", "name": "autumn",
        "started_at": "2026-11-20T19:00:00Z",
        "sites": {
            "near": {"name": "cabin", "line": line(100, 20, true)},
            "far": {"name": "workshop", "line": line(200, 200, false)}
        },
        "gateway": {"model": "Fernroute 5", "firmware": null, "processor": null},
        "rounds": 3,
        "paths": [
            {"name": "outside", "place": "outside", "target": "203.0.113.7", "encapsulation": "none", "mtu": 1500},
            {"name": "wg", "place": "inside", "target": "10.8.0.1", "encapsulation": "wireguard", "mtu": 1420},
            {"name": "pptp", "place": "inside", "target": "10.9.0.1", "encapsulation": "pptp-mppe", "mtu": null}
        ],
        "planned_runs": 18
    }))
    .expect("a survey")
}

fn run(name: &str, place: Place, kind: &str) -> RunRecord {
    let (address, interface, seen_from) = match place {
        Place::Outside => ("192.0.2.10:40000", "eth0", "203.0.113.9:40000"),
        Place::Inside => ("10.8.0.2:40000", "wg0", "10.8.0.2:40000"),
    };
    let encapsulation = match name {
        "outside" => Some("none"),
        "wg" => Some("wireguard"),
        "pptp" => Some("pptp-mppe"),
        _ => None,
    };
    serde_json::from_value(json!({
        "schema": "culvert/run/1", "id": "00", "started_at": "2026-11-20T19:10:00Z", "kind": kind,
        "path": {"name": name, "place": place, "target": "192.0.2.1", "encapsulation": encapsulation},
        "family": "ipv4",
        "asked": {"toward": "far", "for_ms": 12_000, "settle_ms": 2_000, "settle_auto": false},
        "survey": {"id": "s1", "plan_hash": "aa", "round": 1, "position": 1},
        "caveats": [],
        "ends": {"near": {
            "program": "culvert 0.1.0", "address": address, "interface": interface, "seen_from": seen_from
        }}
    }))
    .expect("a run")
}
