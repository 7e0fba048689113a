//! What a paced run's receiver found beyond counts, and what a run's probe flow says of clocks and queues.

use culvert_stats::Percentiles;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How the losses of one way cluster. Datagrams that the receiver's socket dropped are among them: nobody can tell which.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LossRuns {
    /// Runs of successive losses (RFC 3357: loss periods).
    pub runs: u64,
    /// Their lengths in datagrams; `null` without a loss.
    pub lengths: Option<Percentiles>,
    /// Losses that follow another within `noticeable_within` datagrams (RFC 3357 6.1).
    pub noticeable: u64,
    /// So many datagrams count as close.
    pub noticeable_within: u64,
    /// `noticeable` as a share of all losses.
    pub noticeable_rate: Option<f64>,
    /// Bursts, each ended by 16 received in a row (RFC 3611 4.7.2, Gmin 16).
    pub bursts: u64,
    /// Datagrams in all bursts.
    pub burst_datagrams: u64,
    /// Losses in all bursts.
    pub burst_lost: u64,
    /// Losses as a share of the datagrams in bursts.
    pub burst_density: Option<f64>,
    /// Stretches outside of bursts.
    pub gaps: u64,
    /// Losses as a share of the datagrams in gaps.
    pub gap_density: Option<f64>,
}

/// How far the reordered datagrams of one way were overtaken.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Reordering {
    /// Extents in arrivals (RFC 4737 4.2); `null` without a reordered datagram.
    pub extents: Option<Percentiles>,
    /// Reordered datagrams whose extent was beyond what is remembered.
    pub extents_unknown: u64,
    /// How many were n-reordered, for n from 1 to 8 (RFC 4737 5.3). TCP takes a segment that is 3-reordered for lost.
    pub n_reordered: [u64; 8],
}

/// How fast the receiver's clock gained on the transmitter's, from the delays of one way alone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SkewFacts {
    /// Parts per million: the slope of the line under all delays.
    pub ppm: f64,
    /// Whether enough delays lie on that line, over enough of the run; else it may be a queue's doing.
    pub supported: bool,
    /// PDV with the skew taken off, microseconds; as measured when the skew is not supported.
    pub pdv_us: Option<Percentiles>,
    /// One of so many timed datagrams is among these `n`.
    pub one_in: u64,
}

/// The delay of one way, which two clocks were needed for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct OneWay {
    /// The least delay, microseconds; below zero only when the error is at least as large.
    pub least_us: i64,
    /// The 50th percentile, microseconds.
    pub p50_us: i64,
    /// Both are wrong by at most this, microseconds, and by the same: half of the least round trips that the probes had,
    /// drift and stamps included (RFC 5905 section 8).
    pub error_us: u64,
}

/// What the probe flow says of the two ends' monotonic clocks.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Clocks {
    /// Exchanges that were looked at.
    pub exchanges: u64,
    /// How fast the far clock gained on the near one, parts per million; `null` when the exchanges do not show it.
    pub drift_ppm: Option<f64>,
    /// By how much that may be wrong, or what is believed of any two clocks (RFC 5905: 15 each), parts per million.
    pub drift_error_ppm: f64,
    /// How well their difference is known in the middle of the run, microseconds; `null` when a clock was set.
    pub error_us: Option<u64>,
    /// By how much the far clock was set against the near one, microseconds; `null` when neither was.
    pub step_us: Option<i64>,
}

/// What a transfer added to the round trip of everything beside it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct QueueDelay {
    /// The median round trip during the transfer minus the median before, microseconds.
    pub queue_delay_us: i64,
    /// The mean round trip during the transfer above the median before, as a share of the latter (RFC 6349 4.3: buffer
    /// delay); `null` when the baseline is zero.
    pub buffer_delay: Option<f64>,
}
