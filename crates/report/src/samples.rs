//! An invented survey whose figures are easy to check by hand.

use culvert_record::{CapacityRecord, LedgerContents, RunRecord, SurveyHeader};
use culvert_verdict::{Comparison, compare_ledger};
use serde_json::{Value, json};

/// The tunnel toward far: 151.9 MB arrived, of 152.0 MB 15.2 kB were sent again, which is 0.01 %.
pub(crate) fn bulk() -> RunRecord {
    let mut run = run("wireguard", "bulk", 1);
    run["toward_far"] = json!({
        "goodput_bps": 90_120_000, "plateau": {"from_ms": 1_500, "to_ms": 13_500},
        "bytes_sent": 152_000_000, "bytes_received": 151_900_000,
        "tcp": {"congestion_control": "cubic", "segment_payload_bytes": 1368, "timestamps": true,
            "retransmitted_bytes": 15_200}
    });
    run["rtt_baseline_us"] = rtt(20_000);
    run["rtt_transfer_us"] = rtt(31_500);
    run["caveats"] = json!([{"code": "same_host", "values": {}}]);
    record(run)
}

/// 102 of 68000 lost: 0.15 %; 17 of 67898 reordered: 0.0250 %.
pub(crate) fn paced() -> RunRecord {
    let mut run = run("wireguard", "paced", 2);
    run["asked"] = json!({"toward": "near", "for_ms": 12_000, "settle_ms": 1_000, "settle_auto": false,
        "pace_bps": 50_000_000, "payload_bytes": 1_200});
    run["toward_near"] = json!({
        "plateau": {"from_ms": 1_000, "to_ms": 13_000}, "offered_bps": 50_000_000, "delivered_bps": 49_925_000,
        "sent": 68_000, "received": 67_898, "lost": 102, "loss_ratio": 0.0015, "reordered": 17,
        "reordered_ratio": 17.0 / 67_898.0, "duplicates": 0, "host_dropped": 12, "interarrival_jitter_us": 85.0,
        "pdv_us": {"n": 67_898, "min": 0, "p50": 150, "p95": 400, "p99": 700, "max": 1_500},
        "receive_buffer": {"asked_bytes": 4_194_304, "granted_bytes": 425_984}
    });
    record(run)
}

/// A search outside: 39.99 Mbit/s stood the verification.
pub(crate) fn capacity() -> CapacityRecord {
    serde_json::from_str(include_str!("../../record/src/samples/capacity.json"))
        .expect("a capacity")
}

/// Three rounds outside and through two tunnels toward far, one of them void, and a torn last line.
pub(crate) fn ledger() -> LedgerContents {
    let mut runs = Vec::new();
    for (round, [outside, wireguard, pptp]) in
        [[94_140, 90_100, 91_500], [94_150, 90_110, 80_000], [94_160, 90_120, 91_500]]
            .into_iter()
            .enumerate()
    {
        for (name, kilobits, segment) in
            [("outside", outside, 1_448), ("wireguard", wireguard, 1_368), ("pptp", pptp, 1_408)]
        {
            let mut run = run(name, "bulk", round * 3 + runs.len());
            run["id"] = json!(format!("{:032x}", runs.len()));
            run["toward_far"] = json!({
                "goodput_bps": kilobits * 1_000,
                "tcp": {"segment_payload_bytes": segment, "timestamps": true}
            });
            if name == "pptp" && round == 1 {
                run["void"] = json!({"code": "interrupted", "values": {}});
            }
            runs.push(record(run));
        }
    }
    runs.push(paced());
    let lines: Vec<_> =
        runs.iter().map(|run| serde_json::to_string(run).expect("a line")).collect();
    let text = format!(
        "{}\n{}\n{{\"schema\":",
        serde_json::to_string(&header()).expect("a line"),
        lines.join("\n")
    );
    culvert_record::parse_ledger(text.as_bytes())
}

pub(crate) fn comparison() -> Comparison {
    compare_ledger(&ledger())
}

fn header() -> SurveyHeader {
    let line = json!({"down_bps": 100_000_000, "up_bps": 100_000_000, "metered": false, "counted": "ethernet"});
    serde_json::from_value(json!({
        "schema": "culvert/survey/1", "id": "s1", "plan_hash": "aa", "name": "autumn evening",
        "started_at": "2026-11-20T19:00:00Z",
        "sites": {"near": {"name": "cabin", "line": line}, "far": {"name": "=workshop", "line": line}},
        "gateway": {"model": "Fernroute 5", "firmware": "3.1_4", "processor": null},
        "rounds": 3,
        "paths": [
            {"name": "outside", "place": "outside", "target": "203.0.113.7", "encapsulation": "none", "mtu": 1500},
            {"name": "wireguard", "place": "inside", "target": "10.8.0.1", "encapsulation": "wireguard", "mtu": 1420},
            {"name": "pptp", "place": "inside", "target": "10.9.0.1", "encapsulation": "pptp-mppe", "mtu": 1460}
        ],
        "planned_runs": 9
    }))
    .expect("a survey")
}

fn run(name: &str, kind: &str, position: usize) -> Value {
    let (place, encapsulation) = match name {
        "outside" => ("outside", "none"),
        "pptp" => ("inside", "pptp-mppe"),
        _ => ("inside", "wireguard"),
    };
    json!({
        "schema": "culvert/run/1", "id": "0123456789abcdef0123456789abcdef",
        "started_at": format!("2026-11-20T19:{position:02}:00Z"), "kind": kind,
        "path": {"name": name, "place": place, "target": "10.8.0.1:28460", "encapsulation": encapsulation},
        "family": "ipv4",
        "asked": {"toward": "far", "for_ms": 12_000, "settle_ms": 2_000, "settle_auto": true, "flows": 4},
        "survey": {"id": "s1", "plan_hash": "aa", "round": 1, "position": position},
        "caveats": [],
        "ends": {"near": {
            "program": "culvert 0.1.0", "address": "10.8.0.2:40000", "interface": "wg0", "seen_from": "10.8.0.2:40000",
            "cores": [{"core": 0, "user": 0.2, "system": 0.2, "softirq": 0.04, "steal": 0.0, "busy": 0.44}]
        }, "far": null}
    })
}

fn rtt(p50: i64) -> Value {
    json!({"n": 50, "min": 19_000, "p50": p50, "p95": 40_000, "p99": 41_000, "max": 42_000})
}

fn record(value: Value) -> RunRecord {
    serde_json::from_value(value).expect("a run")
}
