//! A share that was counted, and how far the true one may lie from it.

#[cfg(test)]
mod tests;

use statrs::distribution::{Beta, ContinuousCDF};

use crate::{Interval, bisect::first_reached};

/// The exact interval of a share of `hits` among `trials` independent ones (C. J. Clopper and E. S. Pearson, Biometrika
/// 26(4), 1934; from memory); `None` without a trial, with more hits than trials, or for a confidence not between 0 and 1.
///
/// Lost packets come in runs, so a loss ratio is less certain than this says.
pub fn proportion_interval(hits: u64, trials: u64, confidence: f64) -> Option<Interval> {
    if trials == 0 || hits > trials || !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let tail = (1.0 - confidence) / 2.0;
    let (hit, missed) = (hits as f64, (trials - hits) as f64);
    let low = if hits == 0 {
        0.0
    } else {
        let least = Beta::new(hit, missed + 1.0).ok()?;
        first_reached(0.0, 1.0, |share| least.cdf(share) >= tail)
    };
    let high = if hits == trials {
        1.0
    } else {
        let most = Beta::new(hit + 1.0, missed).ok()?;
        first_reached(0.0, 1.0, |share| most.sf(share) <= tail)
    };
    let value = hit / trials as f64;
    // The ends are rounded: of trials beyond counting they may come out a digit past the value.
    Some(Interval { value, low: low.min(value), high: high.max(value) })
}
