//! Ledger lines typed by hand from the format's description, and the records they stand for.

use crate::{CapacityRecord, RunRecord, SurveyHeader};

pub(crate) const BULK: &str = include_str!("samples/bulk.json");
pub(crate) const PACED: &str = include_str!("samples/paced.json");
pub(crate) const CAPACITY: &str = include_str!("samples/capacity.json");
pub(crate) const CERTIFICATE: &str = include_str!("samples/certificate.json");
pub(crate) const SURVEY: &str = include_str!("samples/survey.json");

pub(crate) fn run() -> RunRecord {
    serde_json::from_str(BULK).expect("a bulk run")
}

pub(crate) fn header() -> SurveyHeader {
    serde_json::from_str(SURVEY).expect("a survey")
}

pub(crate) fn capacity() -> CapacityRecord {
    serde_json::from_str(CAPACITY).expect("a capacity")
}
