//! The control messages: JSON objects, one a frame, unknown fields tolerated.
//!
//! The near end asks and drives; the far end grants, counts and reports. No message carries an address to dial: data
//! always goes between the two ends of the control connection.

mod datagrams;
mod handover;
mod report;
mod samples;

mod words;

pub use handover::{DepartureReport, Handover, HandoverReport};

pub use datagrams::{ClockReport, LossReport, OrderReport};
pub use report::{
    BufferReport, CoreUseReport, DelayReport, EndReport, ReceiverReport, SequenceReport,
    TransmitterReport, UseReport,
};
pub use samples::{TCP_SAMPLES_VERSION, TcpSamplesReport};

use culvert_units::Dscp;
use serde::{Deserialize, Serialize};

use crate::capacity::CapacityParameters;

/// The version of this protocol.
pub const PROTOCOL_VERSION: u32 = 1;

/// A way along the path, as the near end sees it.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Way {
    /// Data goes from near to far.
    Far,
    /// Data goes from far to near.
    Near,
}

impl Way {
    /// Both ways, toward far first.
    pub const BOTH: [Self; 2] = [Self::Far, Self::Near];
}

/// What the near end says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum FromNear {
    /// The first message.
    Hello {
        /// [`PROTOCOL_VERSION`] of the near end.
        version: u32,
        /// Program and version.
        #[serde(deserialize_with = "words::text")]
        program: String,
    },
    /// Asks for one session.
    Ask(SessionRequest),
    /// No datagram of the probe flow is answered: its probes shall go over a connection of their own.
    ProbeByTcp {},
    /// All flows stand: data may flow from now on.
    Go {},
    /// The near end has put its last data on the path.
    Sent(SentTotals),
    /// The near end's time as a receiver of bulk data is over.
    Enough {},
    /// Nothing to say, but alive.
    Alive {},
    /// The session ends at once, whatever flows.
    Stop {},
}

/// What the far end says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "type", rename_all = "snake_case")]
pub enum FromFar {
    /// The answer to [`FromNear::Hello`].
    Welcome {
        /// [`PROTOCOL_VERSION`] of the far end.
        version: u32,
        /// The far end's facts.
        end: EndReport,
        /// What it will grant.
        limits: Limits,
    },
    /// The far end will not; the connection closes after it.
    Refused(Refusal),
    /// The session that was asked may begin.
    Granted {
        /// Names the session in preambles and datagrams.
        session: u32,
        /// Part of every key's context; differs between the sessions of one connection.
        run: u32,
    },
    /// A datagram flow's address is proven.
    FlowProven {
        /// Which stream.
        stream: u8,
    },
    /// All TCP flows have arrived.
    FlowsReady {},
    /// The connection of [`FromNear::ProbeByTcp`] may come.
    ProbeAwaited {},
    /// Bytes received so far, for showing.
    Progress {
        /// Total bytes received from the near end.
        received_bytes: u64,
    },
    /// The far end has put its last data on the path.
    Sent(SentTotals),
    /// The far end's time as a receiver of bulk data is over.
    Enough {},
    /// A stretch of a receiver's series; sent before the report it belongs to.
    SeriesPart {
        /// Index of the first step.
        from_step: u32,
        /// Bytes of each step.
        bytes: Vec<u64>,
    },
    /// What the far end's kernel said of the flows while data went `way`; sent before the report it belongs to.
    TcpSamples {
        /// The way the data went.
        way: Way,
        /// The samples.
        samples: TcpSamplesReport,
    },
    /// The far end's whole account; the session is over.
    Report(Box<FarReport>),
}

/// What a session is to be. Durations in milliseconds.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SessionRequest {
    /// TCP or datagrams, with what belongs to each.
    pub load: Load,
    /// The ways to load at the same time: one or both, without repeats.
    pub ways: Vec<Way>,
    /// Length of the plateau.
    pub for_ms: u64,
    /// Time before the plateau.
    pub settle_ms: u64,
    /// Width of a series step.
    pub step_ms: u32,
    /// Socket buffer to ask the kernel for, bytes.
    pub buffer_bytes: Option<u64>,
    /// The most payload each way may move, bytes.
    pub at_most_bytes_each_way: Option<u64>,
}

/// What loads the path.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum Load {
    /// TCP, as much as the path takes.
    Bulk {
        /// Flows each way.
        flows: u16,
        /// Congestion control both ends shall use.
        congestion_control: String,
        /// The largest segment, bytes, options included; missing leaves it to the MTU.
        #[serde(default)]
        mss_bytes: Option<u16>,
        /// The codepoint both ends shall mark their packets with; missing leaves it to the hosts.
        #[serde(default)]
        dscp: Option<Dscp>,
    },
    /// Datagrams at a chosen rate.
    Paced {
        /// UDP payload bits per second; 0 when `unlimited`, so that an end that does not know that refuses.
        pace_bps: u64,
        /// UDP payload of each datagram, bytes.
        payload_bytes: u16,
        /// As fast as the transmitter's host can; the time is the only schedule.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        unlimited: bool,
        /// The longest burst, nanoseconds at the pace; missing leaves it to the transmitter.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        burst_ns: Option<u64>,
        /// How datagrams are handed to and taken from the systems.
        #[serde(default, skip_serializing_if = "Handover::is_auto")]
        handover: Handover,
    },
    /// No data: the probe flow alone, for round trips and the sizes that pass each way. Its socket never fragments; the
    /// budget bounds what far sends of it.
    Sounding {},
    /// Datagrams at a rate that looks for the highest the path carries; the transmitter searches.
    Capacity {
        /// UDP payload of each datagram, bytes: what its headers leave of `parameters.ip_bytes`.
        payload_bytes: u16,
        /// How it is searched, and within which bounds.
        parameters: Box<CapacityParameters>,
    },
}

/// The stream numbers of a session's datagrams.
pub mod stream {
    /// Paced data toward far.
    pub const TOWARD_FAR: u8 = 0;
    /// Paced data toward near.
    pub const TOWARD_NEAR: u8 = 1;
    /// The probe flow.
    pub const PROBE: u8 = 2;
    /// Its number among TCP flows, where UDP does not pass: beyond those of any session.
    pub const PROBE_BY_TCP: u16 = u16::MAX;
}

/// What a listener grants at most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Limits {
    /// Settle and plateau together, milliseconds.
    pub duration_ms: u64,
    /// Payload bits per second of a paced session each way.
    pub rate_bps: Option<u64>,
    /// Payload bytes of one session, both ways together.
    pub bytes: Option<u64>,
    /// TCP flows each way.
    pub flows: u16,
}

/// A refusal, with its reason in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Refusal {
    /// Why.
    pub reason: RefusalReason,
    /// One sentence fragment with the values.
    #[serde(deserialize_with = "words::text")]
    pub text: String,
}

/// Why a listener refuses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum RefusalReason {
    /// The invite's time is over.
    Expired,
    /// The invite was revoked.
    Revoked,
    /// Another session is running.
    Busy,
    /// The request exceeds a limit.
    Limit,
    /// The request makes no sense, or came at the wrong moment.
    Malformed,
    /// The two programs speak different versions.
    Version,
    /// Data comes from another address than the control connection.
    OtherAddress,
    /// The listener's own host failed: its reason is in the text.
    Local,
    /// A reason that this version does not know.
    #[serde(other)]
    Unknown,
}

/// What a transmitter has put on the path, told when it has finished.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct SentTotals {
    /// Datagrams, numbered from 0; 0 for TCP.
    pub datagrams: u64,
}

/// The far end's account of a session.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FarReport {
    /// As the receiver of what went toward far.
    pub received: Option<ReceiverReport>,
    /// As the transmitter of what went toward near.
    pub transmitted: Option<TransmitterReport>,
    /// What its host did over the plateau.
    pub host: UseReport,
    /// How often a peer's port changed (NAT rebinding).
    pub port_changes: u32,
}
