//! One trial: the session it is, and what its two accounts say of the path.

use std::time::Duration;

use culvert_pathmodel::Family;
use culvert_record::{PathTaken, RunRecord, Way};
use culvert_report::SweepTrial;
use culvert_session::plan::{PlannedLoad, Settle, Target, Toward};
use culvert_session::sweep::{Trial, TrialResult};
use culvert_units::{BitRate, Bytes};
use culvert_wire::message::{Handover, ReceiverReport, TransmitterReport};

use crate::session::Account;
use crate::wanted::{BASELINE, Wanted};

/// What all trials of a sweep share.
#[derive(Debug)]
pub(super) struct TrialFlow {
    /// Whom to dial.
    pub(super) target: Target,
    /// The family of the packets.
    pub(super) family: Family,
    /// Where they go.
    pub(super) toward: Way,
    /// IP and UDP headers of each.
    pub(super) header_bytes: u16,
    /// How long a trial lasts.
    pub(super) length: Duration,
    /// Whether the listener wants to be told how much a session moves.
    pub(super) is_budgeted: bool,
}

impl TrialFlow {
    /// The session that a trial is: its first quarter settles, the rest is looked at.
    pub(super) fn wanted(&self, trial: &Trial) -> Wanted {
        let payload = trial.ip_bytes.saturating_sub(self.header_bytes);
        let pace = culvert_verdict::rate(trial.packets_per_second * f64::from(payload) * 8.0);
        // What a pace carries in a time is rounded to whole packets, upward.
        let volume = pace.carried_in(self.length).saturating_add(Bytes::new(payload.into()));
        Wanted {
            target: self.target.clone(),
            family: Some(self.family),
            path: PathTaken {
                name: None,
                place: None,
                target: self.target.to_string(),
                encapsulation: None,
            },
            survey: None,
            toward: match self.toward {
                Way::Far => Toward::Far,
                Way::Near => Toward::Near,
            },
            load: PlannedLoad::Paced {
                pace: Some(at_least_one(pace)),
                payload,
                burst: None,
                handover: Handover::default(),
            },
            plateau: self.length * 3 / 4,
            settle: Settle::Fixed(self.length / 4),
            at_most: self.is_budgeted.then_some(volume),
            buffer: None,
            // What the first one found is not asked again.
            baseline: if trial.number == 0 { BASELINE } else { Duration::ZERO },
        }
    }

    /// What a trial gave, for the planner and for the document.
    pub(super) fn weigh(
        &self,
        trial: &Trial,
        record: &RunRecord,
        account: &Account,
    ) -> (TrialResult, SweepTrial) {
        let far = account.far.as_ref();
        let (transmitter, receiver) = match self.toward {
            Way::Far => (account.transmitted.as_ref(), far.and_then(|far| far.received.as_ref())),
            Way::Near => (far.and_then(|far| far.transmitted.as_ref()), account.received.as_ref()),
        };
        let sent = transmitter.and_then(|report| report.datagrams).unwrap_or(0);
        let sequence = receiver.and_then(|report| report.sequence);
        let host_dropped = sequence.and_then(|sequence| sequence.host_dropped);
        let received = sequence.map_or(0, |sequence| sequence.received);
        // The path has carried also what the host then dropped.
        let reached = received.saturating_add(host_dropped.unwrap_or(0)).min(sent);
        let arrived_per_second = receiver.and_then(arrival_rate);
        let delay_rise_us = transmitter.zip(receiver).and_then(|(from, to)| delay_rise(from, to));
        let result = TrialResult {
            sent,
            sent_in_ns: transmitter.and_then(|report| report.whole_ns).unwrap_or(0),
            received: reached,
            arrived_per_second,
            delay_rise_us,
            disturbed: host_dropped.is_some_and(|dropped| dropped > 0)
                || transmitter.is_some_and(was_late),
        };
        let row = SweepTrial {
            id: record.id.clone(),
            ip_bytes: trial.ip_bytes,
            packets_per_second: trial.packets_per_second,
            sent,
            reached,
            host_dropped,
            arrived_per_second,
            delay_rise_us,
            disturbed: result.disturbed,
        };
        (result, row)
    }
}

/// A burst that left later than this was followed by what caught up with it, at twice the rate: small queues and a
/// policer's bucket take that for too much, microseconds. Our own bound.
const LATE_AT_MOST_US: i64 = 2_000;

fn was_late(transmitter: &TransmitterReport) -> bool {
    let latest = transmitter.departure.and_then(|report| report.lateness_us);
    transmitter.debt_dropped_ns > 0 || latest.is_some_and(|[.., max]| max > LATE_AT_MOST_US)
}

/// Packets per second between the first and the last that arrived of the plateau.
fn arrival_rate(receiver: &ReceiverReport) -> Option<f64> {
    let sequence = receiver.sequence?;
    let steps = sequence.received_plateau.checked_sub(1).filter(|steps| *steps > 0)?;
    let span = sequence.plateau_arrival_ns.filter(|span| *span > 0)?;
    Some(steps as f64 * 1e9 / span as f64)
}

/// By how much the plateau took longer to arrive than to be sent: a queue that grew.
///
/// A host that looks away at the end makes a few packets late, a queue makes all of them: it is no more than what
/// nineteen of twenty stay below.
fn delay_rise(transmitter: &TransmitterReport, receiver: &ReceiverReport) -> Option<i64> {
    let sent_ns = i64::try_from(transmitter.plateau_ns?).ok()?;
    let arrived_ns = i64::try_from(receiver.sequence?.plateau_arrival_ns?).ok()?;
    let longer_us = arrived_ns.saturating_sub(sent_ns) / 1_000;
    let most_us = receiver.delay.and_then(|delay| delay.pdv_us).map(|[_, _, _, p95, ..]| p95);
    Some(most_us.map_or(longer_us, |most| longer_us.min(most)))
}

/// A session has a pace above zero.
fn at_least_one(pace: BitRate) -> BitRate {
    pace.max(BitRate::from_bits_per_second(1))
}
