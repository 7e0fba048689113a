//! Bytes per step of the receiver's time, and the rates that follow from them.

use std::time::Duration;

use culvert_units::{BitRate, Bytes, Fraction};
use serde::{Deserialize, Serialize};

use crate::Moments;

/// Payload bytes that arrived in each step of the receiver's own time.
///
/// Step 0 begins when the first byte arrived; step `i` covers `[i·step_ms, (i+1)·step_ms)`. Flows that are to be
/// added up share one step 0.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Series {
    /// Length of one step in milliseconds.
    pub step_ms: u32,
    /// Bytes that arrived in each step.
    pub bytes: Vec<u64>,
}

/// The steady part of a run that is reported, in milliseconds of the receiver's time since the first byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Plateau {
    /// Where it begins.
    pub from_ms: u64,
    /// Where it ends; this instant is outside.
    pub to_ms: u64,
}

/// How much the rate moved from one whole second of a plateau to the next.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct RateSpread {
    /// The whole seconds that were compared.
    pub seconds: u64,
    /// The slowest second.
    pub min: BitRate,
    /// The fastest second.
    pub max: BitRate,
    /// Sample standard deviation over mean; `None` for fewer than two seconds or when nothing arrived.
    pub coefficient_of_variation: Option<Fraction>,
}

impl Plateau {
    /// Its length in milliseconds; `None` when it ends before it begins or has no length.
    pub fn length_ms(self) -> Option<u64> {
        self.to_ms.checked_sub(self.from_ms).filter(|length| *length > 0)
    }
}

impl Series {
    /// The flows' bytes added step by step; `None` for no flow at all or flows of different steps.
    ///
    /// A flow that ends early adds nothing to the steps after its end. Sums saturate.
    pub fn sum<'a>(flows: impl IntoIterator<Item = &'a Self>) -> Option<Self> {
        let mut flows = flows.into_iter();
        let mut total = flows.next()?.clone();
        for flow in flows {
            if flow.step_ms != total.step_ms {
                return None;
            }
            if flow.bytes.len() > total.bytes.len() {
                total.bytes.resize(flow.bytes.len(), 0);
            }
            for (sum, more) in total.bytes.iter_mut().zip(&flow.bytes) {
                *sum = sum.saturating_add(*more);
            }
        }
        Some(total)
    }

    /// Payload delivered per second over `plateau` (goodput, RFC 2647 3.17), rounded down to whole bit/s.
    ///
    /// `None` when the plateau has no length, does not begin and end between steps, or is not covered by the series.
    pub fn goodput(&self, plateau: Plateau) -> Option<BitRate> {
        self.bytes_in(plateau)?.over(Duration::from_millis(plateau.length_ms()?))
    }

    /// What arrived during `plateau`; `None` under the same conditions as [`Self::goodput`].
    pub fn bytes_in(&self, plateau: Plateau) -> Option<Bytes> {
        self.steps_in(plateau).map(|steps| total(steps.iter()))
    }

    /// The spread of the rates of the plateau's whole seconds; a shorter rest at its end is left out.
    ///
    /// `None` under the same conditions as [`Self::goodput`], when a second is not a whole number of steps, or when
    /// the plateau is shorter than a second.
    pub fn spread(&self, plateau: Plateau) -> Option<RateSpread> {
        let steps = self.steps_in(plateau)?;
        let per_second = 1000_u32.checked_div(self.step_ms).filter(|n| n * self.step_ms == 1000)?;
        let rates: Option<Vec<BitRate>> = steps
            .chunks_exact(usize::try_from(per_second).ok()?)
            .map(|second| total(second.iter()).over(Duration::from_secs(1)))
            .collect();
        let rates = rates?;
        let moments: Moments = rates.iter().map(|rate| rate.bits_per_second() as f64).collect();
        Some(RateSpread {
            seconds: moments.count(),
            min: rates.iter().copied().min()?,
            max: rates.iter().copied().max()?,
            coefficient_of_variation: moments
                .standard_deviation()
                .and_then(|deviation| Fraction::of(deviation, moments.mean()?)),
        })
    }

    /// The time the series covers, in milliseconds.
    pub fn covered_ms(&self) -> u64 {
        u64::from(self.step_ms).saturating_mul(self.bytes.len() as u64)
    }

    fn steps_in(&self, plateau: Plateau) -> Option<&[u64]> {
        plateau.length_ms()?;
        let index = |at_ms: u64| {
            let step = u64::from(self.step_ms);
            (at_ms.checked_rem(step)? == 0).then_some(())?;
            usize::try_from(at_ms / step).ok()
        };
        self.bytes.get(index(plateau.from_ms)?..index(plateau.to_ms)?)
    }
}

fn total<'a>(steps: impl Iterator<Item = &'a u64>) -> Bytes {
    Bytes::new(steps.fold(0_u64, |sum, bytes| sum.saturating_add(*bytes)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn steady(step_ms: u32, bytes: u64, steps: usize) -> Series {
        Series { step_ms, bytes: vec![bytes; steps] }
    }

    #[test]
    fn goodput_counts_whole_steps_of_the_plateau_only() {
        // 125 000 bytes in 10 ms are 100 Mbit/s; the first second carries nothing.
        let mut series = steady(10, 125_000, 300);
        series.bytes[..100].fill(0);
        let over = |from_ms, to_ms| series.goodput(Plateau { from_ms, to_ms });
        assert_eq!(over(1000, 3000), Some(BitRate::from_megabits(100)));
        assert_eq!(over(0, 2000), Some(BitRate::from_megabits(50)));
        assert_eq!(over(0, 1000), Some(BitRate::from_bits_per_second(0)));
    }

    #[test]
    fn goodput_is_none_when_the_plateau_is_not_there() {
        let series = steady(10, 1000, 100);
        for (from_ms, to_ms) in
            [(0, 1010), (5, 1000), (0, 995), (500, 500), (600, 500), (0, u64::MAX), (2000, 2010)]
        {
            assert_eq!(series.goodput(Plateau { from_ms, to_ms }), None, "{from_ms}..{to_ms}");
        }
        let whole = Plateau { from_ms: 0, to_ms: 10 };
        assert_eq!(Series { step_ms: 0, bytes: vec![1] }.goodput(whole), None);
        assert_eq!(Series { step_ms: 10, bytes: Vec::new() }.goodput(whole), None);
    }

    #[test]
    fn flows_add_up_step_by_step() {
        let long = Series { step_ms: 10, bytes: vec![1, 2, 3] };
        let short = Series { step_ms: 10, bytes: vec![10] };
        assert_eq!(
            Series::sum([&short, &long]),
            Some(Series { step_ms: 10, bytes: vec![11, 2, 3] })
        );
        assert_eq!(Series::sum([&long, &steady(20, 1, 3)]), None);
        assert_eq!(Series::sum([]), None);
        let full = Series { step_ms: 10, bytes: vec![u64::MAX] };
        assert_eq!(Series::sum([&full, &full]), Some(full.clone()));
    }

    #[test]
    fn spread_is_taken_over_whole_seconds() {
        // Seconds of 8, 16 and 24 kbit: mean 16, sample deviation 8, so the coefficient is one half.
        let mut series = steady(100, 0, 35);
        for (second, bytes) in [100, 200, 300].into_iter().enumerate() {
            series.bytes[second * 10..][..10].fill(bytes);
        }
        let spread = series.spread(Plateau { from_ms: 0, to_ms: 3500 }).unwrap();
        assert_eq!(spread.seconds, 3);
        assert_eq!(spread.min, BitRate::from_bits_per_second(8_000));
        assert_eq!(spread.max, BitRate::from_bits_per_second(24_000));
        assert!((spread.coefficient_of_variation.unwrap().get() - 0.5).abs() < 1e-12);
        assert_eq!(series.spread(Plateau { from_ms: 0, to_ms: 900 }), None);
        assert_eq!(steady(300, 1, 10).spread(Plateau { from_ms: 0, to_ms: 3000 }), None);
        let one = series.spread(Plateau { from_ms: 0, to_ms: 1000 }).unwrap();
        assert_eq!(one.coefficient_of_variation, None);
    }
}
