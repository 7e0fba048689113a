//! The gap between outside and inside, and the part of it that headers explain.

use culvert_stats::mann_whitney;
use serde::Serialize;

use crate::{Bound, Row};

/// A difference below this share is not told apart from chance, however alike the repeats are (common practice, no
/// published source).
pub const NOISE_AT_LEAST: f64 = 0.03;

/// A difference must exceed the spread of repeated identical runs this many times (common practice, no published
/// source).
pub const NOISE_SPREADS: f64 = 2.0;

/// Outside minus inside, all in payload bits per second.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Gap {
    /// Median outside less median inside; negative when inside was faster.
    pub gap_bps: f64,
    /// What the inside path's further headers take from the outside median, `null` when the encapsulation is not
    /// known: outside median × (1 − r), where r is the inside path's ceiling over the outside path's. On one link r
    /// does not depend on the link's rate. Where something other than the line limited the outside path, headers
    /// explain at most this.
    pub headers_bps: Option<f64>,
    /// The gap less the headers' part: not explained by what was measured.
    pub unexplained_bps: Option<f64>,
    /// What is not told apart from chance: the larger of [`NOISE_AT_LEAST`] of the outside median and
    /// [`NOISE_SPREADS`] times the larger interquartile range of the two paths' runs.
    pub noise_bps: f64,
    /// How likely runs as different as these are when the two paths are alike: the two-sided test of Mann and Whitney
    /// on the runs' figures. With three runs of each it is never below 0.1.
    pub chance: Option<f64>,
    /// What it comes to.
    pub verdict: GapVerdict,
}

/// What a gap comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GapVerdict {
    /// The difference is within the noise.
    NoDifference,
    /// What the headers leave of the gap is within the noise.
    Headers,
    /// More is missing than headers and noise explain.
    NotExplained,
    /// Something is missing and what headers take is not known.
    HeadersUnknown,
    /// Inside was faster than outside by more than the noise: the two were not measured under the same conditions.
    InsideFaster,
}

impl Gap {
    /// What the headers take of the gap: never more than the gap itself, which may be smaller than the model has it.
    pub fn headers_share_bps(&self) -> Option<f64> {
        self.headers_bps.map(|headers| headers.min(self.gap_bps.max(0.0)))
    }
}

/// The gap of an inside bulk row; `None` for other rows and without a figure of both.
///
/// A paced session has none: below its ceiling the pace, not the path, sets what is delivered.
pub(crate) fn gap(inside: &Row, outside: &Row) -> Option<Gap> {
    if inside.session.kind.is_datagrams() {
        return None;
    }
    let (in_spread, out_spread) = (inside.goodput_bps.as_ref()?, outside.goodput_bps.as_ref()?);
    let gap_bps = out_spread.median - in_spread.median;
    let spread = (in_spread.q3 - in_spread.q1).max(out_spread.q3 - out_spread.q1);
    let noise_bps = (out_spread.median * NOISE_AT_LEAST).max(spread * NOISE_SPREADS);
    let headers_bps =
        ratio(&inside.ceiling, &outside.ceiling).map(|ratio| out_spread.median * (1.0 - ratio));
    let unexplained_bps = headers_bps.map(|headers| gap_bps - headers);
    let verdict = match unexplained_bps {
        _ if gap_bps.abs() <= noise_bps => GapVerdict::NoDifference,
        _ if gap_bps < 0.0 => GapVerdict::InsideFaster,
        None => GapVerdict::HeadersUnknown,
        Some(rest) if rest <= noise_bps => GapVerdict::Headers,
        Some(_) => GapVerdict::NotExplained,
    };
    let chance = mann_whitney(&inside.repeats_bps, &outside.repeats_bps).map(|test| test.p);
    Some(Gap { gap_bps, headers_bps, unexplained_bps, noise_bps, chance, verdict })
}

/// The inside path's ceiling over the outside path's, by the links' rates where both are known.
fn ratio(inside: &Bound, outside: &Bound) -> Option<f64> {
    let ceilings =
        inside.bps.zip(outside.bps).map(|(inside, outside)| (inside as f64, outside as f64));
    let (inside, outside) = ceilings
        .or_else(|| inside.payload_per_wire_byte.zip(outside.payload_per_wire_byte))
        .filter(|(_, outside)| *outside > 0.0)?;
    Some(inside / outside)
}
