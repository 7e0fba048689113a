//! What each end reports about itself and its part of a session.

use culvert_units::Dscp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::capacity::{CapacityOutcome, SubInterval};

use super::{ClockReport, DepartureReport, HandoverReport, LossReport, OrderReport, words};

/// Facts of one end, told in the welcome. No address in it is ever dialled.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct EndReport {
    /// Program and version.
    #[serde(deserialize_with = "words::text")]
    pub program: String,
    /// Operating system and release.
    #[serde(default, deserialize_with = "words::optional")]
    pub system: Option<String>,
    /// Processor model.
    #[serde(default, deserialize_with = "words::optional")]
    pub processor: Option<String>,
    /// Own address of the control connection.
    #[serde(default, deserialize_with = "words::optional")]
    pub address: Option<String>,
    /// The interface that carries it.
    #[serde(default, deserialize_with = "words::optional")]
    pub interface: Option<String>,
    /// That interface's MTU, bytes.
    pub interface_mtu: Option<u32>,
    /// The peer's address as this end sees it.
    #[serde(default, deserialize_with = "words::optional")]
    pub sees_peer_at: Option<String>,
    /// The largest TCP segment this end sends to the peer, options included, bytes: what the peer's SYN allowed, as it
    /// arrived.
    #[serde(default)]
    pub tcp_mss: Option<u16>,
    /// The host's addresses. Only `--find-inside` dials any, at the listener's port, and the pinned key must prove it.
    #[serde(default, deserialize_with = "words::few")]
    pub addresses: Vec<String>,
}

/// What the host did over the plateau.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct UseReport {
    /// Each core's use.
    pub cores: Option<Vec<CoreUseReport>>,
    /// Processor time of the program itself, seconds.
    pub program_cpu_s: Option<f64>,
    /// The cores that its data threads were kept on; `None` when the system chose.
    #[serde(default)]
    pub data_threads_on: Option<Vec<u32>>,
}

/// What one core did over the plateau, each a share of the time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "CoreUse")]
pub struct CoreUseReport {
    /// The core's number.
    pub core: u32,
    /// Running programs.
    pub user: f64,
    /// In the kernel on behalf of programs.
    pub system: f64,
    /// In software interrupts: much of the network's work.
    pub softirq: f64,
    /// In hardware interrupts; `null` in accounts of earlier versions.
    #[serde(default)]
    pub interrupt: Option<f64>,
    /// Taken by another guest of the same machine.
    pub steal: f64,
    /// Not idle, for whatever reason.
    pub busy: f64,
}

/// A socket buffer, asked for and granted.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "Buffers")]
pub struct BufferReport {
    /// Bytes asked for; `null` when it was left to the system.
    pub asked_bytes: Option<u64>,
    /// Bytes the kernel says it granted (Linux counts its own bookkeeping in).
    pub granted_bytes: Option<u64>,
}

/// A receiver's account of one way.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ReceiverReport {
    /// Payload bytes read, the whole run.
    pub bytes: u64,
    /// Steps of the series that precedes this report, for checking that none was lost.
    pub series_steps: u32,
    /// Its socket buffer, all flows.
    pub buffer: BufferReport,
    /// Datagrams: what their numbers tell; `None` for TCP.
    pub sequence: Option<SequenceReport>,
    /// Datagrams: what their times tell; `None` for TCP or when a clock stepped.
    pub delay: Option<DelayReport>,
    /// TCP: the kernel granted some flow a smaller buffer than was asked for.
    #[serde(default)]
    pub buffer_capped: bool,
    /// TCP: whether the kernel threw the data away without copying it; `None` for datagrams.
    #[serde(default)]
    pub discarded_in_kernel: Option<bool>,
    /// The transmitter sent more than it was allowed to; reading stopped there.
    #[serde(default)]
    pub budget_exceeded: bool,
    /// A step of the wall clock during the run, microseconds, when one was seen.
    pub clock_step_us: Option<i64>,
    /// Datagrams: how they were taken from the system.
    #[serde(default)]
    pub handover: Option<HandoverReport>,
    /// Datagrams: how losses cluster; `None` when the final count did not come, or is more than is remembered.
    #[serde(default)]
    pub losses: Option<LossReport>,
    /// Datagrams: how far they were overtaken.
    #[serde(default)]
    pub order: Option<OrderReport>,
    /// Datagrams: what their times say of the clocks; `None` for TCP or when a clock stepped.
    #[serde(default)]
    pub clock: Option<ClockReport>,
    /// Capacity sessions: what its own status reports amount to, for when the searching end is not heard of again.
    #[serde(default)]
    pub sub_intervals: Vec<SubInterval>,
}

/// What the sequence numbers of a stream tell.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SequenceReport {
    /// First copies.
    pub received: u64,
    /// First copies within the plateau's range of numbers.
    pub received_plateau: u64,
    /// From the first arrival within the plateau's range to the last, nanoseconds.
    #[serde(default)]
    pub plateau_arrival_ns: Option<u64>,
    /// Further copies.
    pub duplicates: u64,
    /// First copies that came after a higher number (RFC 4737).
    pub reordered: u64,
    /// Datagrams refused: wrong tag, length or kind.
    pub refused: u64,
    /// Datagrams older than the window that tells first copies from further ones.
    pub late: u64,
    /// Datagrams the socket dropped; `None` where the kernel does not tell.
    pub host_dropped: Option<u64>,
}

/// What the times of a stream tell. Microseconds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DelayReport {
    /// RFC 3550 interarrival jitter at the end.
    pub interarrival_jitter_us: f64,
    /// RFC 3393 delay variation of consecutive datagrams: n, min, p50, p95, p99, max.
    pub ipdv_us: Option<[i64; 6]>,
    /// RFC 5481 delay above the minimum: n, min, p50, p95, p99, max.
    pub pdv_us: Option<[i64; 6]>,
    /// Only the first datagram of each burst was timed: the others leave, and may arrive, at one instant with it.
    #[serde(default)]
    pub of_burst_heads: bool,
}

/// A transmitter's account of one way.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct TransmitterReport {
    /// TCP: payload bytes acknowledged. Datagrams: payload bytes sent.
    pub bytes: u64,
    /// TCP: payload bytes handed to the kernel.
    pub bytes_written: u64,
    /// Whether the system did not say what was acknowledged: `bytes` then counts what was handed to it.
    #[serde(default)]
    pub acknowledged_unknown: bool,
    /// Its socket buffer, all flows.
    pub buffer: BufferReport,
    /// Datagrams sent.
    pub datagrams: Option<u64>,
    /// Datagrams sent within the plateau's range of numbers.
    pub datagrams_plateau: Option<u64>,
    /// Time over which the plateau's range was sent, nanoseconds.
    pub plateau_ns: Option<u64>,
    /// Time over which all datagrams were sent, nanoseconds.
    #[serde(default)]
    pub whole_ns: Option<u64>,
    /// Time that was taken out of the schedule because the transmitter stalled, nanoseconds.
    #[serde(default)]
    pub debt_dropped_ns: u64,
    /// Whether the byte budget was used up.
    #[serde(default)]
    pub budget_spent: bool,
    /// Datagrams the system refused to send because they were too large for the path.
    pub refused_datagrams: u64,
    /// Datagrams: the zero of their sending times, nanoseconds of the transmitter's monotonic clock.
    #[serde(default)]
    pub zero_ns: Option<u64>,
    /// Datagrams: how they were handed to the system.
    #[serde(default)]
    pub handover: Option<HandoverReport>,
    /// Datagrams: how true to their schedule they left; `None` without a schedule.
    #[serde(default)]
    pub departure: Option<DepartureReport>,
    /// Datagrams: how often a queue of this host was full, so that it took nothing (ENOBUFS).
    #[serde(default)]
    pub queue_full: u64,
    /// Datagrams: how often the socket's buffer stayed full for as long as a send waits (EAGAIN).
    #[serde(default)]
    pub buffer_full: u64,
    /// Capacity sessions: what the search found.
    #[serde(default)]
    pub capacity: Option<Box<CapacityOutcome>>,
    /// TCP: congestion control in use.
    #[serde(default, deserialize_with = "words::optional")]
    pub congestion_control: Option<String>,
    /// TCP: payload of a full segment, bytes.
    pub segment_payload_bytes: Option<u32>,
    /// TCP: whether segments carried timestamps.
    pub timestamps: Option<bool>,
    /// TCP: the mark that packets left with.
    #[serde(default)]
    pub dscp: Option<Dscp>,
    /// TCP: the kernel granted some flow a smaller buffer than was asked for.
    #[serde(default)]
    pub buffer_capped: bool,
    /// TCP: bytes sent again.
    pub retransmitted_bytes: Option<u64>,
    /// What went wrong locally, if the transmitter had to stop early.
    #[serde(default, deserialize_with = "words::optional")]
    pub fault: Option<String>,
}
