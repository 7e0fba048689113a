//! How datagrams pass between a program and its system, and how true to their schedule they left.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// How datagrams are handed to the system and taken from it.
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
pub enum Handover {
    /// Large ones that the system or the interface cuts, and that arrive joined.
    Segmented,
    /// Many by one call.
    Batched,
    /// One by one.
    Single,
    /// Each end chooses; also what this version does not know.
    #[default]
    #[serde(other)]
    Auto,
}

impl Handover {
    /// Whether each end chooses.
    pub const fn is_auto(&self) -> bool {
        matches!(self, Self::Auto)
    }
}

/// How the datagrams of one way were handed over at one end.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(rename = "HandoverFacts")]
#[serde(default)]
pub struct HandoverReport {
    /// How it began: `segmented`, `batched` or `single`.
    pub began: Handover,
    /// How it ended: the kernel or the interface may refuse segments, and what gains nothing is given up.
    pub ended: Handover,
    /// The most datagrams that went by one call.
    pub most_together: u32,
    /// What a datagram cost by segments at the start, nanoseconds; `null` when that was not tried.
    pub segmented_ns: Option<f64>,
    /// What a datagram cost by batches at the start, nanoseconds; `null` when that was not tried.
    pub batched_ns: Option<f64>,
    /// Datagrams that arrived joined to one before them, with its receive time; `null` at the transmitter.
    pub joined: Option<u64>,
}

/// How true to their schedule datagrams left.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct DepartureReport {
    /// Datagrams that were due together: one, or what the pace carries in the longest burst.
    pub burst_datagrams: u64,
    /// How long after they were due bursts left, microseconds: n, min, p50, p95, p99, max.
    pub lateness_us: Option<[i64; 6]>,
    /// Whole steps of 100 ms.
    pub steps: u64,
    /// Those in which what left missed the pace by more than 0.5 %, and by more than a burst.
    pub uneven_steps: u64,
    /// How long before a deadline the transmitter woke and spun in the end, nanoseconds.
    pub spin_ns: Option<u64>,
}
