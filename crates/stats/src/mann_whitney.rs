//! Whether one sample tends to larger values than another: the test of Mann and Whitney (1947; from memory).

use statrs::function::erf::erfc;

/// Up to so many values in both samples together the p-value is exact; beyond it the normal approximation is used.
pub const EXACT_LIMIT: usize = 60;

/// The outcome of the two-sided test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannWhitney {
    /// U of the first sample: the pairs in which its value is the larger one, ties counted half.
    pub u_first: f64,
    /// U of the second sample; both add up to the number of pairs.
    pub u_second: f64,
    /// How likely a difference at least as large is when both samples come from one distribution.
    pub p: f64,
    /// Whether `p` was counted out over all ways to divide the values, ties as they are, or approximated.
    pub exact: bool,
}

/// Compares two samples of values in any order; `None` when one is empty or holds what is not a number.
///
/// The exact p is twice the smaller tail, at most 1, over every division of the pooled values into samples of these
/// sizes. The approximation is normal, corrected for ties and continuity.
pub fn mann_whitney(first: &[f64], second: &[f64]) -> Option<MannWhitney> {
    if first.is_empty() || second.is_empty() {
        return None;
    }
    let pooled = Pooled::new(first, second)?;
    let doubled_u = pooled.doubled_rank_sum - first.len() * (first.len() + 1);
    let pairs = (first.len() * second.len()) as f64;
    let u_first = doubled_u as f64 / 2.0;
    let exact = pooled.doubled_ranks.len() <= EXACT_LIMIT;
    let p = if exact { pooled.exact_p() } else { pooled.normal_p(u_first, pairs) };
    Some(MannWhitney { u_first, u_second: pairs - u_first, p, exact })
}

/// Both samples in one ranking. Ranks are doubled: the mean rank of a tie is then a whole number.
struct Pooled {
    doubled_ranks: Vec<usize>,
    /// Sizes of the groups of equal values.
    ties: Vec<usize>,
    first_len: usize,
    doubled_rank_sum: usize,
}

impl Pooled {
    fn new(first: &[f64], second: &[f64]) -> Option<Self> {
        let mut values: Vec<(f64, bool)> = first.iter().map(|value| (*value, true)).collect();
        values.extend(second.iter().map(|value| (*value, false)));
        if values.iter().any(|(value, _)| value.is_nan()) {
            return None;
        }
        values.sort_unstable_by(|(a, _), (b, _)| a.total_cmp(b));
        let (mut doubled_ranks, mut ties) = (Vec::with_capacity(values.len()), Vec::new());
        let mut doubled_rank_sum = 0;
        // Ascending values of which one is not below the next are equal; zeros of either sign are, too.
        for tie in values.chunk_by(|(a, _), (b, _)| a >= b) {
            let doubled = 2 * doubled_ranks.len() + tie.len() + 1;
            doubled_rank_sum += doubled * tie.iter().filter(|(_, of_first)| *of_first).count();
            doubled_ranks.extend(tie.iter().map(|_| doubled));
            ties.push(tie.len());
        }
        Some(Self { doubled_ranks, ties, first_len: first.len(), doubled_rank_sum })
    }

    /// Counts the divisions by the rank sum of the first sample. `ways[k][s]`: so many sets of k values have the
    /// doubled rank sum s. C(60, 30) is below 2^57, so no count overflows.
    fn exact_p(&self) -> f64 {
        let largest: usize = self.doubled_ranks.iter().sum();
        let mut ways = vec![vec![0_u64; largest + 1]; self.first_len + 1];
        if let Some(none) = ways.first_mut().and_then(|sums| sums.first_mut()) {
            *none = 1;
        }
        for rank in &self.doubled_ranks {
            for size in (1..=self.first_len).rev() {
                let (smaller, larger) = ways.split_at_mut(size);
                let (Some(from), Some(to)) = (smaller.last(), larger.first_mut()) else { continue };
                for (count, more) in to.iter_mut().skip(*rank).zip(from) {
                    *count += more;
                }
            }
        }
        let sums = ways.pop().unwrap_or_default();
        let (below, rest) = sums.split_at(self.doubled_rank_sum);
        let at = rest.first().copied().unwrap_or_default();
        let (lower, upper) = (below.iter().sum::<u64>() + at, rest.iter().sum::<u64>());
        let all = lower + upper - at;
        (2.0 * lower.min(upper) as f64 / all as f64).min(1.0)
    }

    fn normal_p(&self, u: f64, pairs: f64) -> f64 {
        let n = self.doubled_ranks.len() as f64;
        let tied: f64 = self.ties.iter().map(|t| *t as f64).map(|t| t * t * t - t).sum();
        let variance = pairs / 12.0 * (n + 1.0 - tied / (n * (n - 1.0)));
        let distance = ((u - pairs / 2.0).abs() - 0.5).max(0.0);
        if variance > 0.0 { both_tails(distance / variance.sqrt()) } else { 1.0 }
    }
}

/// The share of a normal distribution that lies further than `z` standard deviations from its mean, for `z >= 0`.
fn both_tails(z: f64) -> f64 {
    erfc(z / std::f64::consts::SQRT_2)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Two samples without ties whose second has the given U: its smallest values move below the first sample.
    fn samples_with_u(n1: usize, n2: usize, u: usize) -> (Vec<f64>, Vec<f64>) {
        let first: Vec<f64> = (1..=n1).map(|i| i as f64).collect();
        let second = (0..n2).map(|i| {
            let above = u.saturating_sub(i * n1).min(n1);
            above as f64 + 0.5 + (n2 - i) as f64 / 1000.0
        });
        (first, second.collect())
    }

    fn p_at(n1: usize, n2: usize, u: usize) -> f64 {
        let (first, second) = samples_with_u(n1, n2, u);
        let outcome = mann_whitney(&first, &second).unwrap();
        assert!(outcome.exact);
        assert!((outcome.u_second - u as f64).abs() < 1e-9, "{n1} {n2} {u}");
        outcome.p
    }

    /// The largest U that a two-sided test at 0.05 rejects, by counting out every division; p where it is given.
    #[test]
    fn critical_values() {
        assert!(p_at(3, 3, 0) > 0.05, "three against three never reject");
        let table = [
            (4, 4, 0, Some(0.02857)),
            (5, 5, 2, Some(0.03175)),
            (6, 6, 5, Some(0.04113)),
            (7, 7, 8, Some(0.03788)),
            (8, 8, 13, Some(0.04988)),
            (9, 9, 17, Some(0.03998)),
            (10, 10, 23, Some(0.04326)),
            (11, 11, 30, None),
            (12, 12, 37, None),
            (13, 13, 45, None),
            (14, 14, 55, None),
            (15, 15, 64, None),
            (3, 5, 0, None),
            (4, 5, 1, None),
            (4, 6, 2, None),
            (5, 6, 3, None),
            (5, 8, 6, None),
            (5, 10, 8, None),
            (8, 10, 17, None),
            (10, 20, 55, None),
        ];
        for (n1, n2, u, p) in table {
            let rejected = p_at(n1, n2, u);
            assert!(rejected <= 0.05, "{n1} {n2}: {rejected}");
            assert!(p_at(n1, n2, u + 1) > 0.05, "{n1} {n2}");
            assert!(p.is_none_or(|p: f64| (rejected - p).abs() < 5.1e-6), "{n1} {n2}: {rejected}");
        }
    }

    /// scipy 1.17.1, `mannwhitneyu(method="exact")`: U 24 and 1, p = 4/252.
    #[test]
    fn agrees_with_scipy() {
        let a = [91.2, 92.0, 90.8, 93.1, 91.7];
        let b = [88.9, 90.1, 89.4, 91.0, 88.2];
        let outcome = mann_whitney(&a, &b).unwrap();
        assert!((outcome.u_first - 24.0).abs() < 1e-12);
        assert!((outcome.u_second - 1.0).abs() < 1e-12);
        assert!((outcome.p - 4.0 / 252.0).abs() < 1e-12);
    }

    /// scipy 1.17.1, `mannwhitneyu(method="asymptotic")`, which corrects for continuity and ties: 1..=40 against the
    /// same moved up by 9.5, and ten groups of four against the same moved on by seven places.
    #[test]
    fn the_approximation_agrees_with_scipy() {
        let list = |value: fn(u32) -> f64| (0..40).map(value).collect::<Vec<_>>();
        let apart =
            mann_whitney(&list(|i| f64::from(i + 1)), &list(|i| f64::from(i) + 10.5)).unwrap();
        assert!(!apart.exact);
        assert!((apart.u_first - 465.0).abs() < 1e-9);
        assert!((apart.p - 0.001_287_606_724_974_799_3).abs() < 1e-12, "{}", apart.p);
        let tied =
            mann_whitney(&list(|i| f64::from(i / 4)), &list(|i| f64::from((i + 7) / 4))).unwrap();
        assert!((tied.u_first - 546.0).abs() < 1e-9);
        assert!((tied.p - 0.014_301_300_293_339_772).abs() < 1e-12, "{}", tied.p);
    }

    /// All 6 divisions of 1, 2, 2, 3 into pairs by hand: rank sums 3.5, 3.5, 5, 5, 6.5, 6.5.
    #[test]
    fn ties_are_counted_out_as_they_are() {
        let outcome = mann_whitney(&[2.0, 3.0], &[1.0, 2.0]).unwrap();
        assert!((outcome.u_first - 3.5).abs() < 1e-12);
        assert!((outcome.p - 2.0 * 2.0 / 6.0).abs() < 1e-12);
        let equal = mann_whitney(&[0.0, -0.0], &[0.0, -0.0]).unwrap();
        assert!((equal.p - 1.0).abs() < 1e-12);
        assert!((equal.u_first - 2.0).abs() < 1e-12);
    }

    #[test]
    fn the_approximation_meets_the_exact_count_at_the_limit() {
        let (first, second) = samples_with_u(30, 30, 320);
        let pooled = Pooled::new(&first, &second).unwrap();
        let (exact, normal) = (pooled.exact_p(), pooled.normal_p(900.0 - 320.0, 900.0));
        assert!((0.04..0.07).contains(&exact), "{exact}");
        assert!((exact - normal).abs() < 0.001, "{exact} {normal}");
        let (first, second) = samples_with_u(31, 30, 320);
        assert!(!mann_whitney(&first, &second).unwrap().exact);
        assert!((mann_whitney(&[1.0; 40], &[1.0; 40]).unwrap().p - 1.0).abs() < 1e-12);
    }

    #[test]
    fn senseless_samples_give_none() {
        assert_eq!(mann_whitney(&[], &[1.0]), None);
        assert_eq!(mann_whitney(&[1.0], &[]), None);
        assert_eq!(mann_whitney(&[1.0], &[f64::NAN]), None);
    }

    proptest! {
        /// U by its definition, and p the same whichever sample comes first.
        #[test]
        fn u_counts_pairs(
            first in prop::collection::vec(0_u8..20, 1..15),
            second in prop::collection::vec(0_u8..20, 1..15),
        ) {
            let wins: f64 = first.iter().flat_map(|a| second.iter().map(move |b| match a.cmp(b) {
                std::cmp::Ordering::Greater => 1.0,
                std::cmp::Ordering::Equal => 0.5,
                std::cmp::Ordering::Less => 0.0,
            })).sum();
            let [first, second] = [first, second].map(|v| v.into_iter().map(f64::from).collect::<Vec<_>>());
            let outcome = mann_whitney(&first, &second).unwrap();
            let turned = mann_whitney(&second, &first).unwrap();
            prop_assert!((outcome.u_first - wins).abs() < 1e-9);
            prop_assert!((outcome.p - turned.p).abs() < 1e-12);
            prop_assert!(outcome.p > 0.0 && outcome.p <= 1.0);
        }
    }
}
