//! The shape of one run record.

use culvert_stats::{Percentiles, Plateau, Series};
use culvert_units::Dscp;
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{
    Buffers, CallFacts, Clocks, CoreUse, Finding, Handover, HandoverFacts, LossRuns, OneWay,
    QueueDelay, QuotedCertificate, Reordering, SkewFacts, TcpSamples, Way,
};

/// The name and version of this format, the value of [`RunRecord::schema`].
pub const SCHEMA: &str = "culvert/run/1";

/// One session with its result, host facts and caveats: one line of the ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunRecord {
    /// The name and version of the format: [`SCHEMA`].
    pub schema: String,
    /// Identifies the run: 32 hexadecimal digits.
    pub id: String,
    /// When the session was granted, on the near end's wall clock (RFC 3339).
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started_at: Timestamp,
    /// What kind of session it was.
    pub kind: Kind,
    /// The path it was asked to take.
    pub path: PathTaken,
    /// The address family the session used: `ipv4` or `ipv6`.
    pub family: Option<culvert_pathmodel::Family>,
    /// Every parameter as resolved.
    pub asked: Asked,
    /// Its place in a survey; `null` for a single session.
    pub survey: Option<SurveyPosition>,
    /// Why the result is worthless; `null` for a valid run.
    pub void: Option<Finding>,
    /// What weakens the result.
    pub caveats: Vec<Finding>,
    /// What each end said about itself.
    pub ends: Ends,
    /// The data that went from near to far.
    pub toward_far: Option<Direction>,
    /// The data that went from far to near.
    pub toward_near: Option<Direction>,
    /// Round trips of the probe flow before data flowed, microseconds (RFC 6349: baseline RTT).
    pub rtt_baseline_us: Option<Percentiles>,
    /// Round trips of the probe flow while data flowed, microseconds.
    pub rtt_transfer_us: Option<Percentiles>,
    /// What carried the probes; `null` when none was answered. What TCP carries it sends again when it is lost, so that a
    /// lost probe shows as a late one.
    #[serde(default)]
    pub round_trips_by: Option<Transport>,
    /// What the round trips during a bulk transfer had on top of those before; `null` when either is missing.
    #[serde(default)]
    pub queue_delay: Option<QueueDelay>,
    /// What the probe flow says of the two ends' clocks; `null` when no probe was answered.
    #[serde(default)]
    pub clocks: Option<Clocks>,
    /// Whether the datagrams of the session could be fragmented on their way; `null` for TCP.
    pub fragmentation_allowed: Option<bool>,
    /// What the near end's instrument can do and see; `null` without a certificate of that host, kernel and version.
    #[serde(default)]
    pub instrument: Option<QuotedCertificate>,
    /// What a call session found besides; `null` for every other kind.
    #[serde(default)]
    pub call: Option<CallFacts>,
}

/// The kinds of session.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Timed TCP with as much as the path takes.
    Bulk,
    /// UDP at a chosen rate.
    Paced,
    /// UDP as of a call, both ways: 50 packets of about 200 bytes a second.
    Calls,
}

impl Kind {
    /// Whether it is made of datagrams on a schedule, rather than of TCP.
    pub const fn is_datagrams(self) -> bool {
        matches!(self, Self::Paced | Self::Calls)
    }
}

/// The path a run was asked to take.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PathTaken {
    /// The practitioner's name for it.
    pub name: Option<String>,
    /// Without or through a tunnel; `null` when it was not said.
    pub place: Option<Place>,
    /// The address that was dialled.
    pub target: String,
    /// The key of the encapsulation it is believed to use.
    pub encapsulation: Option<String>,
}

/// A protocol that carries payload over IP.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Transport {
    /// Datagrams.
    Udp,
    /// A connection.
    Tcp,
}

/// Whether a path goes through a tunnel.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Place {
    /// Without a tunnel (underlay).
    Outside,
    /// Through a tunnel (overlay).
    Inside,
}

/// The ways a session was asked to load.
#[derive(
    Debug,
    Clone,
    Copy,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    JsonSchema,
)]
#[serde(rename_all = "lowercase")]
pub enum Toward {
    /// Data goes from near to far.
    #[default]
    Far,
    /// Data goes from far to near.
    Near,
    /// Data goes both ways at the same time.
    Both,
}

/// Every parameter of the session as resolved.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Asked {
    /// The ways loaded.
    pub toward: Toward,
    /// Length of the plateau, milliseconds.
    pub for_ms: u64,
    /// Time cut away before the plateau, milliseconds; the upper bound when `settle_auto`.
    pub settle_ms: u64,
    /// Whether the plateau's start was chosen from the series.
    pub settle_auto: bool,
    /// TCP flows each way; `null` for datagrams.
    pub flows: Option<u16>,
    /// The congestion control both ends were asked to use; `null` for datagrams.
    pub congestion_control: Option<String>,
    /// The largest TCP segment asked for, bytes, options included (the MSS of RFC 9293); `null` leaves it to the MTU.
    #[serde(default)]
    pub mss_bytes: Option<u16>,
    /// The codepoint that both ends were asked to mark TCP packets with (RFC 2474); `null` leaves it to the hosts.
    #[serde(default)]
    pub dscp: Option<Dscp>,
    /// How long round trips were measured before data flowed, milliseconds; 0 when that was left out.
    #[serde(default)]
    pub baseline_ms: Option<u64>,
    /// UDP payload bits per second; `null` for TCP, and for datagrams as fast as the transmitter's host can.
    pub pace_bps: Option<u64>,
    /// UDP payload of each datagram, bytes; `null` for TCP.
    pub payload_bytes: Option<u16>,
    /// The most data the session was allowed to move, bytes, both ways together.
    pub at_most_bytes: Option<u64>,
    /// The socket buffer asked for, bytes; `null` leaves it to the system.
    pub buffer_bytes: Option<u64>,
    /// The longest burst of datagrams, nanoseconds at the pace; `null` for TCP, or when it was left to the program.
    #[serde(default)]
    pub burst_ns: Option<u64>,
    /// How datagrams were to be handed to the systems; `null` for TCP.
    #[serde(default)]
    pub handover: Option<Handover>,
}

/// Where a run stands in its survey.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SurveyPosition {
    /// Identifies the survey.
    pub id: String,
    /// The plan's SHA-256 in hexadecimal digits, so that a changed plan is noticed.
    pub plan_hash: String,
    /// The round, from 1.
    pub round: u32,
    /// The place in the survey's running order, from 1.
    pub position: u32,
}

/// Both ends.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Ends {
    /// Where `culvert` ran.
    pub near: Option<End>,
    /// The listener.
    pub far: Option<End>,
}

/// Facts of one end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct End {
    /// The program and its version.
    pub program: String,
    /// The operating system and its release.
    pub system: Option<String>,
    /// The processor's model name.
    pub processor: Option<String>,
    /// Its own address of the session.
    pub address: Option<String>,
    /// The name of the interface that carries the session.
    pub interface: Option<String>,
    /// That interface's MTU, bytes.
    pub interface_mtu: Option<u32>,
    /// The address the other end saw.
    pub seen_from: Option<String>,
    /// The processor's use over the plateau, one entry a core.
    pub cores: Option<Vec<CoreUse>>,
    /// Processor time the program itself used over the plateau, seconds.
    pub program_cpu_s: Option<f64>,
    /// The cores that its data threads were kept on; `null` when the system chose.
    #[serde(default)]
    pub data_threads_on: Option<Vec<u32>>,
}

/// What went one way, counted at its receiver and confirmed by its transmitter.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Direction {
    /// Payload delivered per second over the plateau, bit/s (RFC 2647 3.17).
    pub goodput_bps: Option<u64>,
    /// The part of the run that is reported, in the receiver's time since its first byte.
    pub plateau: Option<Plateau>,
    /// Payload bytes by the time they were read, at the receiver.
    pub series: Option<Series>,
    /// TCP: bytes that were acknowledged. Datagrams: payload bytes sent. The whole run.
    pub bytes_sent: Option<u64>,
    /// Payload bytes read by the receiver, the whole run.
    pub bytes_received: Option<u64>,
    /// What TCP did; `null` for datagrams.
    pub tcp: Option<TcpFacts>,
    /// The receiver's socket buffer (summed over TCP flows).
    pub receive_buffer: Option<Buffers>,
    /// The transmitter's socket buffer (summed over TCP flows).
    pub send_buffer: Option<Buffers>,
    /// Datagrams: payload bits per second put on the path over the plateau.
    pub offered_bps: Option<u64>,
    /// Datagrams: payload bits per second that arrived, of those offered over the plateau.
    pub delivered_bps: Option<u64>,
    /// Datagrams put on the path.
    pub sent: Option<u64>,
    /// Datagrams that arrived, first copies only.
    pub received: Option<u64>,
    /// Datagrams that did not arrive: sent − received. Those the receiver's socket dropped are among them.
    pub lost: Option<u64>,
    /// `lost` as a share of `sent` (RFC 7680).
    pub loss_ratio: Option<f64>,
    /// Datagrams that arrived after one with a higher number (RFC 4737).
    pub reordered: Option<u64>,
    /// `reordered` as a share of `received` (RFC 4737).
    pub reordered_ratio: Option<f64>,
    /// Further copies that arrived (RFC 5560).
    pub duplicates: Option<u64>,
    /// Datagrams that arrived too far behind the newest to be told from further copies; they count as lost.
    #[serde(default)]
    pub late: Option<u64>,
    /// Datagrams the receiver refused: wrong tag, length or number.
    #[serde(default)]
    pub refused: Option<u64>,
    /// Datagrams that reached the host and were dropped by the receiver's own socket.
    pub host_dropped: Option<u64>,
    /// Interarrival jitter at the end of the run, microseconds (RFC 3550).
    pub interarrival_jitter_us: Option<f64>,
    /// Delay differences of consecutive datagrams, microseconds (RFC 3393).
    pub ipdv_us: Option<Percentiles>,
    /// Delay above the smallest one, microseconds (RFC 5481).
    pub pdv_us: Option<Percentiles>,
    /// Whether jitter, IPDV and PDV are those of the first datagram of each burst alone: the others left, or arrived, at
    /// one instant with it.
    #[serde(default)]
    pub delay_of_burst_heads: Option<bool>,
    /// Datagrams that came more than once (RFC 5560); `duplicates` counts their further copies.
    #[serde(default)]
    pub replicated: Option<u64>,
    /// How losses cluster; `null` when the transmitter's final count did not come.
    #[serde(default)]
    pub loss_runs: Option<LossRuns>,
    /// How far the reordered ones were overtaken.
    #[serde(default)]
    pub reordering: Option<Reordering>,
    /// How fast the receiver's clock gained on the transmitter's, and the delays without that.
    #[serde(default)]
    pub clock_skew: Option<SkewFacts>,
    /// The delay of this way alone, with its error; `null` when the clocks' difference is not known.
    #[serde(default)]
    pub one_way_delay: Option<OneWay>,
    /// How datagrams were handed to the transmitter's system.
    #[serde(default)]
    pub sent_by: Option<HandoverFacts>,
    /// How datagrams were taken from the receiver's system.
    #[serde(default)]
    pub received_by: Option<HandoverFacts>,
    /// How true to their schedule datagrams left; `null` without a schedule.
    #[serde(default)]
    pub departure: Option<Departure>,
    /// How often a queue of the transmitter's host was full, so that it took no datagram (ENOBUFS).
    #[serde(default)]
    pub queue_full: Option<u64>,
    /// How often the transmitter's socket buffer stayed full for as long as a send waits (EAGAIN).
    #[serde(default)]
    pub buffer_full: Option<u64>,
}

/// How true to their schedule the datagrams of a paced session left.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Departure {
    /// Datagrams that were due together: one, or what the pace carries in the longest burst.
    pub burst_datagrams: u64,
    /// How long after they were due bursts left, microseconds.
    pub lateness_us: Option<Percentiles>,
    /// Whole steps of 100 ms.
    pub steps: u64,
    /// Those in which what left missed the pace by more than 0.5 %, and by more than a burst.
    pub uneven_steps: u64,
    /// Time that was taken out of the schedule because the transmitter stalled, nanoseconds: what was due in it never left.
    #[serde(default)]
    pub dropped_ns: Option<u64>,
    /// How long before a deadline the transmitter woke and spun in the end, nanoseconds; `null` when it never slept.
    pub spin_ns: Option<u64>,
}

/// What TCP did in one direction, at its transmitter unless it is said otherwise.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TcpFacts {
    /// Congestion control in use.
    pub congestion_control: Option<String>,
    /// Payload of a full segment, bytes (options already subtracted).
    pub segment_payload_bytes: Option<u32>,
    /// Whether segments carried timestamps (RFC 7323).
    pub timestamps: Option<bool>,
    /// Bytes sent again, all flows.
    pub retransmitted_bytes: Option<u64>,
    /// The codepoint that packets left the transmitter with; what the network made of it is not known.
    #[serde(default)]
    pub dscp: Option<Dscp>,
    /// Whether the receiver's kernel threw the data away without copying it.
    #[serde(default)]
    pub discarded_in_kernel: Option<bool>,
    /// What the transmitter's kernel said of the connections while data flowed.
    #[serde(default)]
    pub transmitter_samples: Option<TcpSamples>,
    /// What the receiver's kernel said of them.
    #[serde(default)]
    pub receiver_samples: Option<TcpSamples>,
}

impl RunRecord {
    /// What went this way, if anything was asked to.
    pub const fn direction(&self, way: Way) -> Option<&Direction> {
        match way {
            Way::Far => self.toward_far.as_ref(),
            Way::Near => self.toward_near.as_ref(),
        }
    }
}
