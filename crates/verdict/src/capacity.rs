//! IP-layer capacities of paths side by side, and what the headers let one expect.

use culvert_record::{
    CapacityMethod, CapacityRecord, Kind, SurveyHeader, Way, describe_capacity_caveat,
    describe_capacity_void,
};
use culvert_stats::{Summary, median};
use culvert_units::Fraction;
use serde::Serialize;

use crate::bound::{Bound, Subject, bound};
use crate::comparison::{distinct, planned_place};
use crate::{PathKey, Session};

/// One path, method and direction whose capacity was searched. Rates count IP packets (RFC 9097 5.3): inside a tunnel its
/// inner ones.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CapacityRow {
    /// The path.
    pub path: PathKey,
    /// The way that was searched.
    pub toward: Way,
    /// Which parameters the searches began with.
    pub method: CapacityMethod,
    /// The IP packets' length, bytes.
    pub ip_bytes: u16,
    /// How many searches count.
    pub valid: usize,
    /// How many are void or a part only.
    pub void: usize,
    /// Why, each reason once.
    pub void_reasons: Vec<String>,
    /// What weakens those that count, each caveat once.
    pub caveats: Vec<String>,
    /// The maximum of each search (RFC 9097 6.3), bit/s.
    pub maximum_bps: Option<Summary>,
    /// What stood each search's verification, bit/s.
    pub sustained_bps: Option<Summary>,
    /// Median of the round trips before, microseconds.
    pub rtt_baseline_us: Option<f64>,
    /// Median of those during the search, microseconds.
    pub rtt_transfer_us: Option<f64>,
    /// What the model allows for IP packets of this length, bit/s; `null` when the line's rate is not stated.
    pub ceiling_bps: Option<f64>,
    /// The outside path it is held against.
    pub outside: Option<String>,
    /// Its sustained median, or else its maximum, as a share of the outside path's.
    pub share_of_outside: Option<Fraction>,
    /// The share that the headers alone leave.
    pub share_by_headers: Option<Fraction>,
}

struct Group<'a> {
    row: CapacityRow,
    bound: Bound,
    valid: Vec<&'a CapacityRecord>,
}

/// A row for each path, method and direction: those outside first, then as the survey's plan orders them.
pub(crate) fn rows(header: Option<&SurveyHeader>, searches: &[CapacityRecord]) -> Vec<CapacityRow> {
    let mut keys = distinct(searches.iter().map(key_of));
    keys.sort_by_key(|key| {
        (key.toward != Way::Far, !key.path.is_outside(), planned_place(header, &key.path))
    });
    let underlay = keys.iter().find(|key| key.path.is_outside()).map(|key| key.path.clone());
    let groups: Vec<Group<'_>> =
        keys.into_iter().map(|key| group(header, underlay.as_ref(), key, searches)).collect();
    groups.iter().map(|group| held_against_outside(group, &groups)).collect()
}

#[derive(Debug, Clone, PartialEq)]
struct Key {
    path: PathKey,
    toward: Way,
    method: CapacityMethod,
    ip_bytes: u16,
}

impl Key {
    /// The UDP payload of each packet, bytes.
    fn payload_bytes(&self) -> u16 {
        let headers = self.path.family.map_or(0, |family| family.header_length() + UDP_HEADER);
        self.ip_bytes.saturating_sub(u16::try_from(headers).unwrap_or(u16::MAX))
    }
}

fn key_of(search: &CapacityRecord) -> Key {
    Key {
        path: PathKey::taken(&search.path, search.family),
        toward: search.toward,
        method: search.method,
        ip_bytes: search.parameters.ip_bytes,
    }
}

fn group<'a>(
    header: Option<&SurveyHeader>,
    underlay: Option<&PathKey>,
    key: Key,
    searches: &'a [CapacityRecord],
) -> Group<'a> {
    let of_key = |search: &&CapacityRecord| key_of(search) == key;
    let (void, valid): (Vec<_>, Vec<_>) =
        searches.iter().filter(of_key).partition(|search| search.void.is_some());
    let figures = |figure: fn(&CapacityRecord) -> Option<f64>| -> Vec<f64> {
        valid.iter().filter_map(|search| figure(search)).collect()
    };
    let bound = bound_of(header, underlay, &key);
    let payload = key.payload_bytes();
    let row = CapacityRow {
        void_reasons: distinct(
            void.iter().filter_map(|search| search.void.as_ref().map(describe_capacity_void)),
        ),
        caveats: distinct(
            valid.iter().flat_map(|search| search.caveats.iter().map(describe_capacity_caveat)),
        ),
        maximum_bps: Summary::of(&figures(|search| {
            search.maximum.as_ref().map(|best| best.rate_bps.bits_per_second() as f64)
        })),
        sustained_bps: Summary::of(&figures(|search| {
            search.sustained_bps.map(|rate| rate.bits_per_second() as f64)
        })),
        rtt_baseline_us: median(&figures(|search| {
            search.rtt_baseline_us.map(|rtt| rtt.p50 as f64)
        })),
        rtt_transfer_us: median(&figures(|search| {
            search.rtt_transfer_us.map(|rtt| rtt.p50 as f64)
        })),
        ceiling_bps: bound
            .bps
            .filter(|_| payload > 0)
            .map(|bps| bps as f64 * f64::from(key.ip_bytes) / f64::from(payload)),
        path: key.path,
        toward: key.toward,
        method: key.method,
        ip_bytes: key.ip_bytes,
        valid: valid.len(),
        void: void.len(),
        outside: None,
        share_of_outside: None,
        share_by_headers: None,
    };
    Group { row, bound, valid }
}

/// RFC 768.
const UDP_HEADER: u32 = 8;

/// The model's ceiling for the UDP payload of such packets.
fn bound_of(header: Option<&SurveyHeader>, underlay: Option<&PathKey>, key: &Key) -> Bound {
    let session = Session {
        kind: Kind::Paced,
        flows: None,
        congestion_control: None,
        mss_bytes: None,
        dscp: None,
        buffer_bytes: None,
        pace_bps: None,
        payload_bytes: Some(key.payload_bytes()),
        burst_ns: None,
        handover: None,
        beside: None,
        both_ways: false,
    };
    bound(Subject {
        header,
        path: &key.path,
        outside: underlay,
        session: &session,
        toward: key.toward,
        runs: &[],
    })
}

fn held_against_outside(group: &Group<'_>, groups: &[Group<'_>]) -> CapacityRow {
    let mut row = group.row.clone();
    let alike = |other: &&Group<'_>| {
        other.row.path.is_outside()
            && other.row.toward == row.toward
            && other.row.method == row.method
            && other.row.path.family == row.path.family
            && !other.valid.is_empty()
    };
    let Some(outside) = groups.iter().find(alike).filter(|_| row.path.is_inside()) else {
        return row;
    };
    let sustained = row.sustained_bps.as_ref().zip(outside.row.sustained_bps.as_ref());
    let maximum = row.maximum_bps.as_ref().zip(outside.row.maximum_bps.as_ref());
    row.outside = Some(outside.row.path.name.clone());
    row.share_of_outside =
        sustained.or(maximum).and_then(|(inside, out)| Fraction::of(inside.median, out.median));
    row.share_by_headers = group
        .bound
        .payload_per_wire_byte
        .zip(outside.bound.payload_per_wire_byte)
        .and_then(|(inside, out)| Fraction::of(inside, out));
    row
}

#[cfg(test)]
mod tests;
