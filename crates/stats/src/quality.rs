//! What a path must keep for calls: the network objectives of ITU-T Y.1541 and the delays of G.114.

#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

use crate::proportion_interval;

/// One class of ITU-T Y.1541 as RFC 5976 2.1 summarises it; the text of Y.1541 itself was not at hand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QualityClass {
    /// Its number.
    pub class: u8,
    /// The mean one-way delay may be at most this, milliseconds.
    pub mean_delay_ms: Option<f64>,
    /// The delay variation may be at most this, milliseconds: the 99.9th percentile less the minimum (that reading is
    /// from memory).
    pub delay_variation_ms: Option<f64>,
    /// The loss ratio may be at most this.
    pub loss_ratio: Option<f64>,
}

/// The classes 0 to 7; `None` is an objective that the class leaves unspecified.
pub const QUALITY_CLASSES: [QualityClass; 8] = [
    class(0, Some(100.0), Some(50.0), Some(1e-3)),
    class(1, Some(400.0), Some(50.0), Some(1e-3)),
    class(2, Some(100.0), None, Some(1e-3)),
    class(3, Some(400.0), None, Some(1e-3)),
    class(4, Some(1000.0), None, Some(1e-3)),
    class(5, None, None, None),
    class(6, Some(100.0), Some(50.0), Some(1e-5)),
    class(7, Some(400.0), Some(50.0), Some(1e-5)),
];

/// One-way delay up to which most applications do well, milliseconds (G.114; from memory).
pub const GOOD_DELAY_MS: f64 = 150.0;

/// One-way delay that is not to be exceeded in planning, milliseconds (G.114, by a summary of its 2003 draft).
pub const LONGEST_DELAY_MS: f64 = 400.0;

/// What was measured of one direction of a call.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CallFigures {
    /// Packets sent.
    pub sent: u64,
    /// Packets lost.
    pub lost: u64,
    /// The mean one-way delay in milliseconds and by how much it may be wrong; `None` when the clocks do not tell.
    pub mean_delay_ms: Option<(f64, f64)>,
    /// The 99.9th percentile of PDV (RFC 5481), milliseconds, which is that of the delay less the minimum.
    pub pdv_p999_ms: Option<f64>,
}

/// Whether an objective is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Kept {
    /// It is, within the error of the measurement.
    Yes,
    /// It is not, within the error of the measurement.
    No,
    /// The error is too large or the sample too small to tell, or the figure is missing.
    Unknown,
}

/// What became of the objectives of one class.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct ClassOutcome {
    /// The number of the class.
    pub class: u8,
    /// The mean delay.
    pub mean_delay: Kept,
    /// The delay variation.
    pub delay_variation: Kept,
    /// The loss ratio.
    pub loss: Kept,
}

/// Percentiles mean nothing finer than one over their number (RFC 2330 11.3): the 99.9th needs this many.
const LEAST_FOR_P999: u64 = 1000;

impl QualityClass {
    /// Holds the figures against the objectives. An objective that the class leaves open is kept.
    pub fn outcome(&self, figures: &CallFigures) -> ClassOutcome {
        let enough = figures.sent.saturating_sub(figures.lost) >= LEAST_FOR_P999;
        let variation = figures.pdv_p999_ms.filter(|_| enough).map(|ms| (ms, 0.0));
        ClassOutcome {
            class: self.class,
            mean_delay: kept(self.mean_delay_ms, figures.mean_delay_ms),
            delay_variation: kept(self.delay_variation_ms, variation),
            loss: self.loss_ratio.map_or(Kept::Yes, |most| loss_kept(most, figures)),
        }
    }
}

impl ClassOutcome {
    /// Whether the class as a whole is kept: no as soon as one objective is not, yes only when all are.
    pub fn kept(&self) -> Kept {
        let all = [self.mean_delay, self.delay_variation, self.loss];
        if all.contains(&Kept::No) {
            Kept::No
        } else if all.contains(&Kept::Unknown) {
            Kept::Unknown
        } else {
            Kept::Yes
        }
    }
}

/// Where a one-way delay lies among the bounds of G.114, given by how much it may be wrong.
pub fn delay_within(bound_ms: f64, delay_ms: Option<(f64, f64)>) -> Kept {
    kept(Some(bound_ms), delay_ms)
}

/// A value ± its error against the most it may be.
fn kept(most: Option<f64>, measured: Option<(f64, f64)>) -> Kept {
    match (most, measured) {
        (None, _) => Kept::Yes,
        (Some(most), Some((value, error))) if value + error <= most => Kept::Yes,
        (Some(most), Some((value, error))) if value - error > most => Kept::No,
        _ => Kept::Unknown,
    }
}

/// The exact 95 % interval of the loss ratio against the most it may be.
fn loss_kept(most: f64, figures: &CallFigures) -> Kept {
    match proportion_interval(figures.lost, figures.sent, 0.95) {
        Some(ratio) if ratio.high <= most => Kept::Yes,
        Some(ratio) if ratio.low > most => Kept::No,
        _ => Kept::Unknown,
    }
}

const fn class(
    class: u8,
    mean_delay_ms: Option<f64>,
    delay_variation_ms: Option<f64>,
    loss_ratio: Option<f64>,
) -> QualityClass {
    QualityClass { class, mean_delay_ms, delay_variation_ms, loss_ratio }
}
