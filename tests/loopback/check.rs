//! What holds for the record of any session on loopback.

use std::net::IpAddr;
use std::path::Path;

use culvert_record::{Caveat, CoreUse, Direction, End, RunRecord, Toward, VoidReason, Way};
use serde_json::Value;

use crate::common::{Pair, schema};

/// The fields of a run record that keep their names for ever, as RFC 6901 pointers.
const SPINE: &[&str] = &[
    "/schema",
    "/id",
    "/started_at",
    "/kind",
    "/path/name",
    "/path/place",
    "/path/target",
    "/path/encapsulation",
    "/asked",
    "/void",
    "/caveats",
    "/ends/near/address",
    "/ends/near/interface",
    "/ends/near/seen_from",
    "/ends/far/address",
    "/ends/far/interface",
    "/ends/far/seen_from",
    "/toward_far",
    "/toward_near",
    "/rtt_baseline_us",
    "/rtt_transfer_us",
    "/survey",
    "/family",
    "/fragmentation_allowed",
];
/// Those of a loaded direction.
const DIRECTION_SPINE: &[&str] = &[
    "/goodput_bps",
    "/plateau/from_ms",
    "/plateau/to_ms",
    "/series/step_ms",
    "/series/bytes",
    "/bytes_sent",
    "/bytes_received",
    "/offered_bps",
    "/delivered_bps",
    "/sent",
    "/received",
    "/lost",
    "/loss_ratio",
    "/reordered",
    "/reordered_ratio",
    "/duplicates",
    "/host_dropped",
    "/interarrival_jitter_us",
    "/ipdv_us",
    "/pdv_us",
];
/// Those of delays.
const DELAY_SPINE: [&str; 6] = ["/n", "/min", "/p50", "/p95", "/p99", "/max"];

/// The record of a session that must be valid, checked for what holds for any on loopback.
pub(crate) fn record(pair: &Pair, asked: &[&str], length: &[&str]) -> RunRecord {
    let json: &[&str] = if asked.contains(&"--json") { &[] } else { &["--json"] };
    let done = pair.run(&[asked, json].concat(), length);
    done.expect_code(0);
    check_shape(&done.json());
    let record = done.record();
    assert_eq!(record.void, None);
    check_ends(pair, &record);
    record
}

fn check_ends(pair: &Pair, record: &RunRecord) {
    let ip = pair.listener().address().ip();
    assert_eq!(record.path.target, pair.listener().target());
    let caveats: Vec<_> = record.caveats.iter().filter_map(Caveat::from_finding).collect();
    assert!(caveats.contains(&Caveat::SameHost {}), "{caveats:?}");
    for end in [&record.ends.near, &record.ends.far] {
        check_end(end.as_ref().expect("an end"), ip);
    }
    for delays in [record.rtt_baseline_us, record.rtt_transfer_us] {
        let delays = delays.expect("round trips");
        assert!(delays.n > 0 && delays.min >= 0 && delays.min <= delays.p50, "{delays:?}");
        assert!(delays.p50 <= delays.p99 && delays.p99 <= delays.max, "{delays:?}");
    }
}

fn check_end(end: &End, ip: IpAddr) {
    let ip = ip.to_string();
    assert_eq!(end.address.as_deref(), Some(ip.as_str()));
    assert_eq!(end.seen_from.as_deref(), Some(ip.as_str()));
    assert_eq!(end.interface.as_deref(), Some("lo"));
    let mtu = std::fs::read_to_string("/sys/class/net/lo/mtu").expect("the MTU of lo");
    assert_eq!(end.interface_mtu, mtu.trim().parse().ok());
    let release = std::fs::read_to_string("/proc/sys/kernel/osrelease").expect("the kernel");
    assert!(end.system.as_ref().is_some_and(|system| system.ends_with(release.trim())));
    let cores = end.cores.as_ref().expect("the use of each core");
    assert!(!cores.is_empty());
    for core in cores {
        let CoreUse { user, system, softirq, steal, busy, .. } = *core;
        assert!(
            [user, system, softirq, steal, busy].iter().all(|share| (0.0..=1.0).contains(share))
        );
        assert!(user + system + softirq + steal <= busy + 1e-9, "{core:?}");
    }
    assert!(end.program_cpu_s.is_some_and(|time| time >= 0.0));
}

/// The record keeps its spine and the published schema.
fn check_shape(record: &Value) {
    for pointer in SPINE {
        assert!(record.pointer(pointer).is_some(), "{pointer} is missing");
    }
    for direction in ["/toward_far", "/toward_near"] {
        let Some(direction) = record.pointer(direction).filter(|value| !value.is_null()) else {
            continue;
        };
        for pointer in DIRECTION_SPINE {
            assert!(direction.pointer(pointer).is_some(), "{pointer} is missing");
        }
    }
    for delays in ["/rtt_baseline_us", "/rtt_transfer_us"] {
        for pointer in DELAY_SPINE {
            assert!(record.pointer(&format!("{delays}{pointer}")).is_some(), "{delays}{pointer}");
        }
    }
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("crates/record/schema/run.json");
    let schema = std::fs::read_to_string(path).expect("the published schema");
    let schema: Value = serde_json::from_str(&schema).expect("JSON");
    assert_eq!(schema::problems(&schema, record), Vec::<String>::new());
}

/// The ways that were asked for, after checking that exactly these were loaded.
pub(crate) fn ways(record: &RunRecord, toward: &str) -> Vec<Way> {
    let (ways, asked) = match toward {
        "far" => (vec![Way::Far], Toward::Far),
        "near" => (vec![Way::Near], Toward::Near),
        _ => (Way::BOTH.to_vec(), Toward::Both),
    };
    assert_eq!(record.asked.toward, asked);
    for way in Way::BOTH {
        assert_eq!(record.direction(way).is_some(), ways.contains(&way), "{way:?}");
    }
    ways
}

/// What went this way.
pub(crate) fn loaded(record: &RunRecord, way: Way) -> &Direction {
    record.direction(way).expect("this way was loaded")
}

/// Why it is void.
pub(crate) fn reason(record: &RunRecord) -> VoidReason {
    let void = record.void.as_ref().expect("a void run");
    VoidReason::from_finding(void).expect("a known reason")
}

#[test]
fn the_schema_check_notices_what_is_wrong() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("crates/record/schema/run.json");
    let schema: Value =
        serde_json::from_str(&std::fs::read_to_string(path).expect("it")).expect("JSON");
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("crates/record/src/samples/bulk.json");
    let sample: Value =
        serde_json::from_str(&std::fs::read_to_string(sample).expect("it")).expect("JSON");
    assert_eq!(schema::problems(&schema, &sample), Vec::<String>::new());
    let spoilt = |pointer: &str, value: Value| {
        let mut record = sample.clone();
        *record.pointer_mut(pointer).expect("there") = value;
        schema::problems(&schema, &record).len()
    };
    assert!(spoilt("/kind", "other".into()) > 0);
    assert!(spoilt("/toward_far/goodput_bps", (-1).into()) > 0);
    assert!(spoilt("/ends/near/cores", 3.into()) > 0);
    assert!(spoilt("/asked", serde_json::json!({})) > 0);
}
