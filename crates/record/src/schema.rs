//! The published shape of what the ledger holds, as JSON Schema (draft 2020-12).

use schemars::{JsonSchema, Schema, generate::SchemaSettings};

use crate::{CapacityRecord, Certificate, RunRecord, SurveyHeader};

/// The schema of a run record as this version writes it: every field is there, and `null` where it is missing.
pub fn run_schema() -> Schema {
    written::<RunRecord>()
}

/// The schema of a survey's head as this version writes it.
pub fn survey_schema() -> Schema {
    written::<SurveyHeader>()
}

/// The schema of a capacity record as this version writes it.
pub fn capacity_schema() -> Schema {
    written::<CapacityRecord>()
}

/// The schema of an instrument's certificate as this version writes it.
pub fn certificate_schema() -> Schema {
    written::<Certificate>()
}

fn written<T: JsonSchema>() -> Schema {
    SchemaSettings::draft2020_12().for_serialize().into_generator().into_root_schema_for::<T>()
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use serde_json::Value;

    use super::*;
    use crate::samples;

    /// The spine: these names, with these units, stay through every version of the format.
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
        "/ends/near",
        "/ends/far",
        "/toward_far",
        "/toward_near",
        "/rtt_baseline_us",
        "/rtt_transfer_us",
        "/survey",
        "/family",
        "/fragmentation_allowed",
    ];
    const DIRECTION_SPINE: &[&str] = &[
        "goodput_bps",
        "plateau",
        "series",
        "bytes_sent",
        "bytes_received",
        "offered_bps",
        "delivered_bps",
        "sent",
        "received",
        "lost",
        "loss_ratio",
        "reordered",
        "reordered_ratio",
        "duplicates",
        "host_dropped",
        "interarrival_jitter_us",
        "ipdv_us",
        "pdv_us",
    ];

    #[test]
    fn hand_typed_lines_survive_the_round_trip() {
        for text in [samples::BULK, samples::PACED] {
            let typed: Value = serde_json::from_str(text).expect("JSON");
            let run: RunRecord = serde_json::from_str(text).expect("a run");
            assert_eq!(serde_json::to_value(&run).expect("JSON"), typed);
        }
        let typed: Value = serde_json::from_str(samples::SURVEY).expect("JSON");
        assert_eq!(serde_json::to_value(samples::header()).expect("JSON"), typed);
    }

    #[test]
    fn the_spine_is_written_with_null_for_what_is_missing() {
        let run: RunRecord = serde_json::from_str(samples::PACED).expect("a run");
        let written = serde_json::to_value(&run).expect("JSON");
        for pointer in SPINE {
            assert!(written.pointer(pointer).is_some(), "{pointer}");
        }
        for pointer in
            ["/path/name", "/path/place", "/family", "/survey", "/ends/near", "/toward_far"]
        {
            assert_eq!(written.pointer(pointer), Some(&Value::Null), "{pointer}");
        }
        let empty = serde_json::to_value(crate::Direction::default()).expect("JSON");
        for name in DIRECTION_SPINE {
            assert_eq!(empty.get(name), Some(&Value::Null), "{name}");
        }
        for (pointer, names) in [
            ("/rtt_baseline_us", &["n", "min", "p50", "p95", "p99", "max"][..]),
            ("/survey", &["id", "plan_hash", "round", "position"][..]),
            ("/toward_far/plateau", &["from_ms", "to_ms"][..]),
            ("/toward_far/series", &["step_ms", "bytes"][..]),
            ("/ends/near", &["address", "interface", "seen_from", "cores"][..]),
        ] {
            let written = serde_json::to_value(samples::run()).expect("JSON");
            for name in names {
                let pointer = format!("{pointer}/{name}");
                assert!(written.pointer(&pointer).is_some(), "{pointer}");
            }
        }
    }

    #[test]
    fn the_checked_in_schemas_are_current() {
        compare("run.json", &run_schema());
        compare("survey.json", &survey_schema());
        compare("capacity.json", &capacity_schema());
        compare("certificate.json", &certificate_schema());
    }

    fn compare(name: &str, schema: &Schema) {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("schema").join(name);
        let current = serde_json::to_string_pretty(schema).expect("JSON") + "\n";
        if std::env::var_os("CULVERT_REGENERATE").is_some_and(|value| value == "1") {
            std::fs::write(&path, &current).expect("the schema is written");
        }
        let checked_in = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            checked_in == current,
            "crates/record/schema/{name} is stale: run `CULVERT_REGENERATE=1 cargo test -p culvert-record` and look \
             at what changed before checking it in"
        );
    }
}
