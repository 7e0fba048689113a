//! Few repeated figures side by side: five numbers of a sample, and how sure its median is.

#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

use crate::percentile::{median, sorted};

/// The share of samples whose rank interval contains the true median, at least.
const CONFIDENCE: f64 = 0.95;

/// Five numbers of a sample, in the unit of its values.
///
/// The quartiles are type 7 of Hyndman and Fan (The American Statistician 50(4), 1996), linear between the order
/// statistics at `(n − 1)·p`: what spreadsheets and most statistics programs give by default, so a reader can check
/// them. At one half this is the median of RFC 2330.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Summary {
    /// How many values there were.
    pub n: u64,
    /// The smallest value.
    pub min: f64,
    /// The lower quartile.
    pub q1: f64,
    /// The middle value, or the mean of the middle two.
    pub median: f64,
    /// The upper quartile.
    pub q3: f64,
    /// The largest value.
    pub max: f64,
}

/// Two values of a sample between which the true median lies with at least 95 % confidence.
///
/// It supposes independent values of one distribution, of whatever shape.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct MedianInterval {
    /// The value of rank `low_rank`.
    pub low: f64,
    /// The value of rank `high_rank`.
    pub high: f64,
    /// Counted from 1 in ascending order.
    pub low_rank: u64,
    /// `n + 1 − low_rank`.
    pub high_rank: u64,
    /// The exact confidence, from the binomial distribution with n and one half.
    pub coverage: f64,
}

impl Summary {
    /// The summary of values in any order; `None` without a value or when one is not a number.
    pub fn of(values: &[f64]) -> Option<Self> {
        let sorted = sorted(values)?;
        Some(Self {
            n: sorted.len() as u64,
            min: *sorted.first()?,
            q1: quantile_linear(&sorted, 0.25)?,
            median: median(&sorted)?,
            q3: quantile_linear(&sorted, 0.75)?,
            max: *sorted.last()?,
        })
    }
}

/// The quantile of type 7 (Hyndman and Fan 1996) at the share `p` of values in ascending order: linear between the
/// order statistics next to `(n − 1)·p`, counted from 0. `None` without a value or for `p` outside 0..=1.
pub fn quantile_linear(sorted: &[f64], p: f64) -> Option<f64> {
    if !(0.0..=1.0).contains(&p) {
        return None;
    }
    let place = sorted.len().checked_sub(1)? as f64 * p;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "the place is an index of the slice, rounded down"
    )]
    let below = place as usize;
    let low = *sorted.get(below)?;
    let high = *sorted.get(below + 1).unwrap_or(&low);
    Some(low + (high - low) * place.fract())
}

/// The narrowest interval of order statistics, symmetric in rank, that covers the true median with at least 95 %
/// confidence; `None` for fewer than six values, where none does, or when a value is not a number.
///
/// The values of ranks `r` and `n + 1 − r` enclose the median unless fewer than `r` values lie on one side of it,
/// so the coverage is `P(r <= X <= n − r)` for X binomial with n and one half.
pub fn median_interval(values: &[f64]) -> Option<MedianInterval> {
    let sorted = sorted(values)?;
    let (low_rank, coverage) = median_ranks(sorted.len() as u64)?;
    let high_rank = sorted.len() as u64 + 1 - low_rank;
    let at = |rank: u64| sorted.get(usize::try_from(rank - 1).ok()?).copied();
    Some(MedianInterval { low: at(low_rank)?, high: at(high_rank)?, low_rank, high_rank, coverage })
}

/// The largest `r` with `P(r <= X <= n − r)` of at least the confidence, and that probability.
///
/// It is summed from the middle outward, where the terms are largest: the outermost vanish for a large n.
fn median_ranks(n: u64) -> Option<(u64, f64)> {
    let mut rank = n / 2;
    let mut term = middle_term(n);
    let mut coverage = if n.is_multiple_of(2) { term } else { 2.0 * term };
    while coverage < CONFIDENCE {
        // C(n, r − 1) = C(n, r)·r / (n − r + 1), and the same on the other side.
        term *= rank as f64 / (n - rank + 1) as f64;
        rank = rank.checked_sub(1)?;
        coverage += 2.0 * term;
    }
    (rank > 0).then_some((rank, coverage))
}

/// `C(n, n/2) / 2^n` with n/2 rounded down, as a product that neither overflows nor vanishes.
fn middle_term(n: u64) -> f64 {
    (1..=n.div_ceil(2)).map(|i| (2 * i - 1) as f64 / (2 * i) as f64).product()
}
