use proptest::prelude::*;
use statrs::distribution::{Binomial, DiscreteCDF};

use super::*;

/// numpy 2.4.6, `quantile(method="linear")`, type 7 of Hyndman and Fan.
#[test]
fn quantiles_agree_with_numpy() {
    let ten: Vec<f64> = (1..=10).map(f64::from).collect();
    for (p, value) in [(0.1, 1.9), (0.25, 3.25), (0.5, 5.5), (0.75, 7.75), (0.9, 9.1), (0.95, 9.55)]
    {
        assert!((quantile_linear(&ten, p).unwrap() - value).abs() < 1e-12, "{p}");
    }
    // The sample of RFC 2330 11.3.
    let rfc = [-5.0, -2.0, 4.0, 7.0, 7.0, 18.0];
    for (p, value) in [(0.25, -0.5), (0.5, 5.5), (0.9, 12.5)] {
        assert!((quantile_linear(&rfc, p).unwrap() - value).abs() < 1e-12, "{p}");
    }
    assert_eq!(quantile_linear(&[], 0.5), None);
    assert_eq!(quantile_linear(&rfc, 1.5), None);
    assert_eq!(quantile_linear(&rfc, f64::NAN), None);
}

#[test]
fn a_summary_takes_values_in_any_order() {
    let summary = Summary::of(&[7.0, -2.0, 7.0, 18.0, 4.0, -5.0]).unwrap();
    assert_eq!(summary, Summary { n: 6, min: -5.0, q1: -0.5, median: 5.5, q3: 7.0, max: 18.0 });
    assert_eq!(Summary::of(&[]), None);
    assert_eq!(Summary::of(&[f64::NAN]), None);
    let one = Summary::of(&[3.0]).unwrap();
    assert_eq!((one.q1, one.median, one.q3), (3.0, 3.0, 3.0));
}

/// Ranks and coverage from the binomial distribution with n and one half, computed exactly.
#[test]
fn median_ranks_cover_as_the_binomial_says() {
    let table = [
        (6_u32, 1, 0.96875),
        (7, 1, 0.98438),
        (8, 1, 0.99219),
        (9, 2, 0.96094),
        (10, 2, 0.97852),
        (11, 2, 0.98828),
        (12, 3, 0.96143),
        (13, 3, 0.97754),
        (14, 3, 0.98706),
        (15, 4, 0.96484),
        (16, 4, 0.97873),
        (17, 5, 0.95096),
        (18, 5, 0.96912),
        (19, 5, 0.98079),
        (20, 6, 0.95861),
        (25, 8, 0.95671),
        (30, 10, 0.95723),
        (40, 14, 0.96152),
        (50, 18, 0.96716),
        (100, 40, 0.96480),
    ];
    for (n, low, coverage) in table {
        let values: Vec<f64> = (1..=n).map(f64::from).collect();
        let interval = median_interval(&values).unwrap();
        assert_eq!((interval.low_rank, interval.high_rank), (low, u64::from(n) + 1 - low), "{n}");
        assert!((interval.low - low as f64).abs() < 1e-12);
        assert!((interval.high - interval.high_rank as f64).abs() < 1e-12);
        assert!((interval.coverage - coverage).abs() < 5.1e-6, "{n}: {}", interval.coverage);
    }
}

/// Five values cover at most 0.9375, so fewer than six give no interval.
#[test]
fn too_few_values_give_no_interval() {
    for n in 0..6 {
        let values: Vec<f64> = (0..n).map(f64::from).collect();
        assert_eq!(median_interval(&values), None, "{n}");
    }
    assert_eq!(median_interval(&[f64::NAN; 10]), None);
}

#[test]
fn a_large_sample_neither_overflows_nor_vanishes() {
    let (rank, coverage) = median_ranks(100_000).unwrap();
    // The normal approximation: 50 000 − 1.96·√100 000 / 2 is 49 690.
    assert!(rank.abs_diff(49_690) <= 1, "{rank}");
    assert!((0.95..0.951).contains(&coverage), "{coverage}");
}

proptest! {
    /// statrs as the oracle for the binomial distribution.
    #[test]
    fn coverage_is_that_of_the_binomial(n in 6_u64..400) {
        let binomial = Binomial::new(0.5, n).unwrap();
        let covered = |rank: u64| binomial.cdf(n - rank) - binomial.cdf(rank - 1);
        let (rank, coverage) = median_ranks(n).unwrap();
        prop_assert!((coverage - covered(rank)).abs() < 1e-9);
        prop_assert!(coverage >= 0.95);
        prop_assert!(covered(rank + 1) < 0.95);
    }
}
