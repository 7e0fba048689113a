//! What a receiver of datagrams tells beyond counts: how losses cluster, how far datagrams were overtaken, and what the
//! delays say of the two clocks.

use serde::{Deserialize, Serialize};

/// How the losses of a stream cluster, datagrams dropped by the receiver's socket among them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct LossReport {
    /// How many datagrams the transmitter had told it sent: the end of the stream, lost or not, is among them.
    pub sent: u64,
    /// Of these, lost.
    pub lost: u64,
    /// Runs of successive losses (RFC 3357: loss periods).
    pub runs: u64,
    /// Their lengths in datagrams: n, min, p50, p95, p99, max.
    pub lengths: Option<[i64; 6]>,
    /// Losses that follow another closely (RFC 3357 6.1).
    pub noticeable: u64,
    /// So many datagrams are close.
    pub noticeable_within: u64,
    /// Bursts (RFC 3611 4.7.2, Gmin 16).
    pub bursts: u64,
    /// Datagrams in all bursts.
    pub burst_packets: u64,
    /// Losses in all bursts.
    pub burst_lost: u64,
    /// Stretches outside of bursts.
    pub gaps: u64,
}

/// How far datagrams were overtaken, and how many came more than once.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct OrderReport {
    /// Extents of the reordered ones in arrivals (RFC 4737 4.2): n, min, p50, p95, p99, max.
    pub extents: Option<[i64; 6]>,
    /// Reordered ones whose extent is beyond what is remembered.
    pub beyond: u64,
    /// How many are n-reordered, for n from 1 to 8 (RFC 4737 5.3).
    pub n_reordered: [u64; 8],
    /// Datagrams that came more than once (RFC 5560 5.2).
    pub replicated: u64,
}

/// What the delays of a stream say of the two clocks.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ClockReport {
    /// When the datagram with the least delay was received, nanoseconds of the receiver's monotonic clock.
    pub least_at_ns: i64,
    /// Its delay: that time minus the sending time it carries, nanoseconds.
    pub least_delay_ns: i64,
    /// How fast the receiver's clock gains on the transmitter's by the line under the delays, parts per million.
    pub skew_ppm: f64,
    /// Whether enough delays lie on that line, over enough of the run.
    pub skew_supported: bool,
    /// PDV with the skew taken off, microseconds: n, min, p50, p95, p99, max.
    pub level_pdv_us: Option<[i64; 6]>,
    /// One of so many timed datagrams is among these n.
    pub one_in: u64,
}
