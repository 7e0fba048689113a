//! Percentiles and the median by the definitions of RFC 2330.

use serde::{Deserialize, Serialize};

/// Percentiles of a sample of times in microseconds, by RFC 2330 11.3.
///
/// Differences finer than 1/`n` mean nothing (RFC 2330 11.3), so `n` goes with them wherever they go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Percentiles {
    /// How many values there were.
    pub n: u64,
    /// The smallest value.
    pub min: i64,
    /// The 50th percentile, which for an even `n` is not the median but the lower of the two middle values.
    pub p50: i64,
    /// The 95th percentile.
    pub p95: i64,
    /// The 99th percentile.
    pub p99: i64,
    /// The largest value.
    pub max: i64,
}

impl Percentiles {
    /// The exact percentiles of these values in microseconds, in any order; `None` without a value.
    pub fn of(values: impl IntoIterator<Item = i64>) -> Option<Self> {
        let mut sorted: Vec<i64> = values.into_iter().collect();
        sorted.sort_unstable();
        Some(Self {
            n: sorted.len() as u64,
            min: *sorted.first()?,
            p50: percentile(&sorted, 0.50)?,
            p95: percentile(&sorted, 0.95)?,
            p99: percentile(&sorted, 0.99)?,
            max: *sorted.last()?,
        })
    }
}

/// The smallest value `x` with `F(x) >= p`, where `F(x)` is the share of the sample that is `<= x` (RFC 2330 11.3).
///
/// `sorted` ascends and `p` is a share of 1. `None` for an empty sample, for `p <= 0` (the RFC's −∞) and for `p > 1`.
/// A lost packet may stand as the largest value of its type, as RFC 7679 5 has it with an infinite delay.
pub fn percentile<T: Copy>(sorted: &[T], p: f64) -> Option<T> {
    let rank = rank(sorted.len() as u64, p)?;
    sorted.get(usize::try_from(rank - 1).ok()?).copied()
}

/// The median of values in any order: the middle one, or the mean of the middle two (RFC 2330 11.3).
///
/// `None` without a value or when one is not a number.
pub fn median(values: &[f64]) -> Option<f64> {
    let sorted = sorted(values)?;
    let upper = *sorted.get(sorted.len() / 2)?;
    if sorted.len() % 2 == 1 {
        return Some(upper);
    }
    let lower = *sorted.get(sorted.len() / 2 - 1)?;
    Some(f64::midpoint(lower, upper))
}

/// The smallest rank `i` of 1..=n with `i / n >= p`; `None` when there is none or `p` is not in (0, 1].
///
/// It is searched around `p·n` rather than rounded up from it: 0.07 · 100 is above 7 in floating point, 7 / 100 is
/// not below 0.07.
pub(crate) fn rank(n: u64, p: f64) -> Option<u64> {
    if n == 0 || !(p > 0.0 && p <= 1.0) {
        return None;
    }
    let reached = |rank: u64| rank as f64 / n as f64 >= p;
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "p·n lies between 0 and n, and the search corrects its rounding"
    )]
    let mut rank = ((p * n as f64) as u64).clamp(1, n);
    while rank < n && !reached(rank) {
        rank += 1;
    }
    while rank > 1 && reached(rank - 1) {
        rank -= 1;
    }
    Some(rank)
}

/// The values in ascending order; `None` when one is not a number.
pub(crate) fn sorted(values: &[f64]) -> Option<Vec<f64>> {
    if values.iter().any(|value| value.is_nan()) {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    Some(sorted)
}

#[cfg(test)]
mod tests {
    use super::*;

    const RFC_2330: [i64; 6] = [-5, -2, 4, 7, 7, 18];

    /// RFC 2330 11.3. It prints −∞ for the 15th percentile too, but by its own definition that is −5, since
    /// F(−5) = 1/6 >= 15 %.
    #[test]
    fn rfc_2330_percentiles() {
        for (p, value) in [(0.50, 4), (0.25, -2), (1.00, 18), (0.15, -5)] {
            assert_eq!(percentile(&RFC_2330, p), Some(value), "{p}");
        }
        for p in [0.0, -0.1, 1.1, f64::NAN] {
            assert_eq!(percentile(&RFC_2330, p), None, "{p}");
        }
        assert_eq!(percentile::<i64>(&[], 0.5), None);
    }

    /// RFC 2330 11.3: F(−8) = 0, F(−5) = 1/6, F(−4.999) = 1/6, F(7) = 5/6, F(18) = 1; the percentile inverts F.
    #[test]
    fn rfc_2330_distribution_is_inverted() {
        for (sixths, value) in [(1.0, -5), (5.0, 7), (6.0, 18)] {
            assert_eq!(percentile(&RFC_2330, sixths / 6.0), Some(value));
        }
        assert_eq!(percentile(&RFC_2330, 1.0 / 6.0 + 1e-9), Some(-2));
    }

    /// RFC 2330 11.3: the mean of the middle two of an even number, the 50th percentile of an odd one.
    #[test]
    fn rfc_2330_median() {
        assert_eq!(median(&[-2.0, 7.0, 7.0, 4.0, 18.0, -5.0]), Some(5.5));
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[1.0, f64::NAN]), None);
    }

    /// RFC 7679 5: a lost packet is an infinite delay. The medians 110 and 105 and the minimum 90 are printed there.
    #[test]
    fn rfc_7679_lost_is_infinite() {
        let lost = f64::INFINITY;
        let five = sorted(&[100.0, 110.0, lost, 90.0, 500.0]).unwrap();
        assert_eq!((percentile(&five, 0.5), median(&five)), (Some(110.0), Some(110.0)));
        let four = sorted(&[100.0, 110.0, lost, 90.0]).unwrap();
        assert_eq!((four.first(), median(&four)), (Some(&90.0), Some(105.0)));
        assert_eq!(percentile(&four, 0.5), Some(100.0));
        // RFC 7679 5.4: the share within 103 ms is 50 %, so the next larger share needs a larger delay.
        assert_eq!(percentile(&four, 0.51), Some(110.0));
    }

    /// The inverted distribution of 1..=10 as numpy 2.4.6 gives it (`quantile`, method `inverted_cdf`).
    #[test]
    fn agrees_with_numpy() {
        let ten: Vec<u32> = (1..=10).collect();
        for (p, value) in [(0.1, 1), (0.25, 3), (0.5, 5), (0.75, 8), (0.9, 9), (0.95, 10)] {
            assert_eq!(percentile(&ten, p), Some(value), "{p}");
        }
    }

    proptest::proptest! {
        #[test]
        fn the_rank_is_that_of_whole_percents(n in 1_u64..100_000, percent in 1_u64..=100) {
            let exact = (n * percent).div_ceil(100);
            proptest::prop_assert_eq!(rank(n, percent as f64 / 100.0), Some(exact));
        }

        #[test]
        fn percentiles_are_ordered(values in proptest::collection::vec(
            proptest::prelude::any::<i64>(), 1..50,
        )) {
            let p = Percentiles::of(values.iter().copied()).unwrap();
            proptest::prop_assert_eq!(p.n, values.len() as u64);
            proptest::prop_assert!(p.min <= p.p50 && p.p50 <= p.p95 && p.p95 <= p.p99 && p.p99 <= p.max);
        }
    }
}
