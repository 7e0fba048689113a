//! What the figures of a call session mean for a call.

use culvert_stats::{ClassOutcome, Kept};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What a call session found besides its counts and delays.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CallFacts {
    /// What else loaded the path.
    pub beside: Beside,
    /// Goodput of the bulk flow beside it, bit/s; `null` without one, and when it has no valid figure.
    pub bulk_goodput_bps: Option<u64>,
    /// What was heard at the far end.
    pub toward_far: Option<CallOutcome>,
    /// What was heard at the near end.
    pub toward_near: Option<CallOutcome>,
}

/// What else loads the path while a call runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Beside {
    /// Nothing.
    Alone,
    /// A bulk flow from near to far.
    BulkTowardFar,
    /// A bulk flow from far to near.
    BulkTowardNear,
}

/// One direction of a call held against the objectives.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CallOutcome {
    /// Whether it is fit for a call: delay, loss, loss runs and delay variation together.
    pub fit: Kept,
    /// One-way delay within 150 ms (ITU-T G.114; from memory).
    pub delay_good: Kept,
    /// One-way delay within 400 ms (ITU-T G.114, by a summary of its 2003 draft).
    pub delay_bearable: Kept,
    /// Loss within 1 % (common practice), by the exact 95 % interval of the ratio.
    pub loss: Kept,
    /// No longer run of lost packets than 3 (common practice).
    pub loss_run: Kept,
    /// The 99th percentile of PDV within 40 ms (common practice).
    pub variation: Kept,
    /// The classes of ITU-T Y.1541, as RFC 5976 section 2.1 summarises them.
    pub classes: Vec<ClassOutcome>,
    /// Packets that were counted: the N of the loss ratio.
    pub sent: u64,
    /// Those of them that the path lost; what the host dropped is not among them.
    pub lost_on_path: u64,
    /// The N of the PDV percentiles; `null` when delays were not measured.
    pub timed: Option<u64>,
    /// The one-way delay in use, milliseconds.
    pub delay_ms: Option<f64>,
    /// By how much it may be wrong, milliseconds.
    pub delay_error_ms: Option<f64>,
    /// Whether half a median round trip stood in for it, since the clocks do not tell.
    pub delay_from_round_trip: bool,
    /// What the E-model makes of it; `null` without a delay.
    pub e_model: Option<CallRatingFacts>,
}

/// Figures of the E-model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CallRatingFacts {
    /// R.
    pub rating: f64,
    /// The mean opinion score that follows.
    pub opinion: f64,
    /// Where formulas and constants are from.
    pub source: String,
}
