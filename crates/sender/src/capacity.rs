//! One capacity search as the practitioner wants it, and its account as a record.

use std::net::SocketAddr;
use std::time::Duration;

use culvert_pathmodel::Family;
use culvert_record::{
    CAPACITY_SCHEMA, CapacityCaveat, CapacityMethod, CapacityRecord, CapacityVoid, Caveat, Ends,
    Finding, PathTaken,
};
use culvert_session::plan::Target;
use culvert_units::{BitRate, Bytes};
use culvert_wire::capacity::{CapacityEnd, CapacityOutcome, CapacityParameters, Held, Ramp};
use culvert_wire::message::{
    EndReport, Limits, Load, ReceiverReport, SessionRequest, TransmitterReport, Way,
};
use jiff::Timestamp;

use crate::account_record::{broken_reason, caveats_of, end_of};
use crate::dial::{Contact, family_of};
use crate::session::Account;
use crate::wanted::DATAGRAM_BUFFER;

/// RFC 9097's largest tested payload, bytes; headers come on top.
const PAYLOAD_BYTES: u16 = 1222;
/// The longest silence of the receiver that is borne, milliseconds.
const LONGEST_TIMEOUT_MS: u64 = 3_000;
/// Below this a row of RFC 9097's table is more than a twentieth of the rate.
const COARSE_BELOW: BitRate = BitRate::from_megabits(20);
/// A burst is what exceeds the sustained rate by more than this share: a sub-interval itself is true to one percent.
const BURST_SHARE: f64 = 0.02;

/// A search and where it goes.
#[derive(Debug, Clone)]
pub(crate) struct CapacityWanted {
    /// The path, as it is named.
    pub(crate) path: PathTaken,
    /// Whom to dial.
    pub(crate) target: Target,
    /// In which family.
    pub(crate) family: Option<Family>,
    /// The way to load.
    pub(crate) toward: Way,
    /// Which set of parameters.
    pub(crate) method: CapacityMethod,
    /// The parameters, before path and listener are known.
    pub(crate) parameters: CapacityParameters,
    /// How long round trips are measured before data flows.
    pub(crate) baseline: Duration,
}

impl CapacityWanted {
    /// The request for the listener that was reached, within its limits and fit for the round trip.
    pub(crate) fn request(&self, contact: &Contact) -> SessionRequest {
        let parameters = self.fitted(contact.peer, contact.round_trip, &contact.limits);
        SessionRequest {
            ways: vec![self.toward],
            for_ms: parameters.longest_ms(),
            settle_ms: 0,
            step_ms: 100,
            buffer_bytes: Some(DATAGRAM_BUFFER.get()),
            at_most_bytes_each_way: parameters.byte_budget.map(Bytes::get),
            load: Load::Capacity { payload_bytes: PAYLOAD_BYTES, parameters: Box::new(parameters) },
        }
    }

    /// What the search may move, in one sentence, for before it moves it.
    pub(crate) fn volume_sentence(&self) -> String {
        let longest = Duration::from_millis(self.parameters.longest_ms());
        let length = format!("{:.0} s", longest.as_secs_f64());
        match self.parameters.most_bytes() {
            Some(most) => {
                format!("this fills the path for at most {length} and moves at most {most}")
            }
            None => format!(
                "this fills the path for at most {length} (100 Mbit/s would be {}); --at-most and --ceiling cap it",
                BitRate::from_megabits(100).carried_in(longest)
            ),
        }
    }

    fn fitted(
        &self,
        peer: SocketAddr,
        round_trip: Duration,
        limits: &Limits,
    ) -> CapacityParameters {
        let mut parameters = self.parameters.clone();
        parameters.ip_bytes = PAYLOAD_BYTES + if peer.is_ipv4() { 28 } else { 48 };
        let limit = limits.rate_bps.map(BitRate::from_bits_per_second);
        parameters.rate_cap_bps = parameters.rate_cap_bps.into_iter().chain(limit).min();
        let most = limits.bytes.map(Bytes::new);
        parameters.byte_budget = parameters.byte_budget.into_iter().chain(most).min();
        // A report answers what left a round trip ago; w waits for as many more of them (RFC 9097 8.1).
        let round_trip_ms = u64::try_from(round_trip.as_millis()).unwrap_or(u64::MAX);
        parameters.lost_status_extra = round_trip_ms / parameters.feedback_ms.max(1);
        let patience = round_trip_ms.saturating_mul(2).saturating_add(10 * parameters.feedback_ms);
        parameters.feedback_timeout_ms =
            parameters.feedback_timeout_ms.max(patience).min(LONGEST_TIMEOUT_MS);
        parameters
    }
}

/// What is known of a search besides its account.
#[derive(Debug)]
pub(crate) struct Searched<'a> {
    /// What was wanted.
    pub(crate) wanted: &'a CapacityWanted,
    /// What was asked of the listener.
    pub(crate) request: &'a SessionRequest,
    /// The two ends.
    pub(crate) contact: &'a Contact,
    /// This end's facts.
    pub(crate) near: &'a EndReport,
    /// When the session was asked for.
    pub(crate) started_at: Timestamp,
}

/// What the two ends said of the search.
struct Told<'a> {
    outcome: Option<CapacityOutcome>,
    transmitter: Option<&'a TransmitterReport>,
    receiver: Option<&'a ReceiverReport>,
}

impl Searched<'_> {
    /// The record, whatever is missing.
    pub(crate) fn record(&self, id: String, account: &Account) -> CapacityRecord {
        let parameters = self.parameters();
        let told = self.told(account, &parameters);
        let outcome = told.outcome.as_ref();
        let sequence = told.receiver.and_then(|report| report.sequence);
        let sent = told.transmitter.and_then(|report| report.datagrams);
        let ip_bytes = u64::from(parameters.ip_bytes);
        let far = &self.contact.far;
        CapacityRecord {
            schema: CAPACITY_SCHEMA.to_owned(),
            id,
            started_at: self.started_at,
            target: self.wanted.target.to_string(),
            path: self.wanted.path.clone(),
            family: Some(family_of(self.contact.peer.ip())),
            toward: self.wanted.toward,
            method: self.wanted.method,
            void: self.void(account, &told, &parameters),
            caveats: self.caveats(account, &told, &parameters),
            ends: Ends {
                near: Some(end_of(self.near, far.sees_peer_at.clone(), None)),
                far: Some(end_of(far, Some(self.contact.peer.ip().to_string()), None)),
            },
            end: outcome.map(|outcome| outcome.end),
            maximum: outcome.and_then(|outcome| outcome.maximum),
            sub_intervals: outcome.map(|one| one.sub_intervals.clone()).unwrap_or_default(),
            verifications: outcome.map(|one| one.verifications.clone()).unwrap_or_default(),
            sustained_bps: outcome.and_then(CapacityOutcome::sustained),
            congestion_seen: outcome.map(|outcome| outcome.congestion_seen),
            held: outcome.and_then(|outcome| outcome.held),
            sent,
            received: sequence.map(|sequence| sequence.received),
            host_dropped: sequence.and_then(|sequence| sequence.host_dropped),
            ip_bytes_sent: sent.map(|sent| Bytes::new(sent.saturating_mul(ip_bytes))),
            rtt_baseline_us: account.round_trips.and_then(|trips| trips.baseline),
            rtt_transfer_us: account.round_trips.and_then(|trips| trips.transfer),
            parameters,
        }
    }

    fn parameters(&self) -> CapacityParameters {
        match &self.request.load {
            Load::Capacity { parameters, .. } => (**parameters).clone(),
            Load::Bulk { .. } | Load::Paced { .. } | Load::Sounding {} => {
                self.wanted.parameters.clone()
            }
        }
    }

    fn told<'a>(&self, account: &'a Account, parameters: &CapacityParameters) -> Told<'a> {
        let far = account.far.as_ref();
        let (transmitter, receiver) = match self.wanted.toward {
            Way::Far => {
                (account.transmitted.as_ref(), far.and_then(|report| report.received.as_ref()))
            }
            Way::Near => {
                (far.and_then(|report| report.transmitted.as_ref()), account.received.as_ref())
            }
        };
        let searched = transmitter.and_then(|report| report.capacity.as_deref().cloned());
        let counted = || {
            let sub_intervals = receiver?.sub_intervals.clone();
            Some(CapacityOutcome::unheard(sub_intervals, parameters))
        };
        Told { outcome: searched.or_else(counted), transmitter, receiver }
    }

    fn void(
        &self,
        account: &Account,
        told: &Told<'_>,
        parameters: &CapacityParameters,
    ) -> Option<Finding> {
        if let Some(reason) = broken_reason(account, self.near) {
            return Some(reason.to_finding());
        }
        let Some(outcome) = &told.outcome else {
            return Some(CapacityVoid::NothingCounted {}.to_finding());
        };
        let sent = told.transmitter.and_then(|report| report.datagrams);
        let received = told.receiver.and_then(|report| report.sequence);
        let impossible = sent.zip(received).is_some_and(|(sent, got)| got.received > sent);
        let void = if impossible || !outcome.is_consistent(parameters) {
            CapacityVoid::Contradiction {}
        } else if matches!(outcome.end, CapacityEnd::PeerSilent | CapacityEnd::Stopped) {
            CapacityVoid::ReportsStopped { sub_intervals: outcome.sub_intervals.len() }
        } else if outcome.maximum.is_none() && outcome.sustained().is_none() {
            CapacityVoid::NothingCounted {}
        } else {
            return None;
        };
        Some(void.to_finding())
    }

    fn caveats(
        &self,
        account: &Account,
        told: &Told<'_>,
        parameters: &CapacityParameters,
    ) -> Vec<Finding> {
        let mut caveats = caveats_of(account, self.contact);
        let sequence = told.receiver.and_then(|report| report.sequence);
        let sent = told.transmitter.and_then(|report| report.datagrams);
        if let (Some(sequence), Some(sent)) = (sequence, sent)
            && let Some(host_dropped) = sequence.host_dropped.filter(|dropped| *dropped > 0)
        {
            let lost = sent.saturating_sub(sequence.received);
            let toward = self.wanted.toward;
            caveats.push(Caveat::HostDropped { toward, host_dropped, lost }.to_finding());
        }
        if let Some(outcome) = &told.outcome {
            let own = caveats_of_outcome(outcome, parameters);
            caveats.extend(own.iter().map(CapacityCaveat::to_finding));
        }
        caveats
    }
}

fn caveats_of_outcome(
    outcome: &CapacityOutcome,
    parameters: &CapacityParameters,
) -> Vec<CapacityCaveat> {
    let sustained = outcome.sustained();
    let maximum = outcome.maximum.map(|maximum| maximum.rate_bps);
    let mut caveats = Vec::new();
    if outcome.end == CapacityEnd::Budget
        && let Some(budget) = parameters.byte_budget
    {
        caveats.push(CapacityCaveat::BudgetSpent { at_most_bytes: budget.get() });
    }
    if sustained.is_none() {
        caveats.push(CapacityCaveat::NotVerified { tried: outcome.verifications.len() });
    }
    match outcome.held {
        Some(Held::RateCap) => caveats.push(CapacityCaveat::HeldByCeiling {
            ceiling_bps: parameters.rate_cap_bps.map(BitRate::bits_per_second),
        }),
        Some(Held::Transmitter) => caveats.push(CapacityCaveat::HeldByTransmitter {}),
        None if !outcome.congestion_seen => caveats.push(CapacityCaveat::NeverFull {}),
        None => {}
    }
    if let Some((maximum, sustained)) = maximum.zip(sustained) {
        let (maximum_bps, sustained_bps) = (maximum.bits_per_second(), sustained.bits_per_second());
        if maximum_bps as f64 > sustained_bps as f64 * (1.0 + BURST_SHARE) {
            caveats.push(CapacityCaveat::Burst { maximum_bps, sustained_bps });
        }
    }
    let rate = sustained.or(maximum).filter(|rate| *rate < COARSE_BELOW);
    if let Some(rate) = rate.filter(|_| parameters.ramp == Ramp::TenRows) {
        caveats.push(CapacityCaveat::CoarseRows { rate_bps: rate.bits_per_second() });
    }
    caveats.extend(loss_without_queue(outcome, parameters));
    caveats
}

/// Losses, and never a delay that alone would have stopped the rise.
fn loss_without_queue(
    outcome: &CapacityOutcome,
    parameters: &CapacityParameters,
) -> Option<CapacityCaveat> {
    let lossy = outcome.sub_intervals.iter().any(|one| one.lost > 0);
    let longest_delay_us =
        outcome.sub_intervals.iter().filter_map(|one| one.longest_delay_us).max()?;
    (lossy && longest_delay_us < parameters.low_delay_us)
        .then_some(CapacityCaveat::LossWithoutQueue { longest_delay_us })
}
