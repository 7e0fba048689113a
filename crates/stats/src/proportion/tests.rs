use proptest::prelude::*;

use super::*;

/// By hand: nothing of n within 95 % is at most 1 − 0.025^(1/n), which for large n is 3.69 / n.
#[test]
fn nothing_lost_is_not_no_loss() {
    for n in [1_u64, 10, 3000, 1_000_000] {
        let interval = proportion_interval(0, n, 0.95).unwrap();
        let by_hand = 1.0 - 0.025_f64.powf(1.0 / n as f64);
        assert!((interval.high - by_hand).abs() < 1e-9 * by_hand.max(1e-6), "{n}: {interval:?}");
        assert!(interval.low.abs() < 1e-300);
        let all = proportion_interval(n, n, 0.95).unwrap();
        assert!((all.low - (1.0 - by_hand)).abs() < 1e-9, "{n}: {all:?}");
    }
}

#[test]
fn senseless_counts_are_none() {
    assert_eq!(proportion_interval(0, 0, 0.95), None);
    assert_eq!(proportion_interval(2, 1, 0.95), None);
    assert_eq!(proportion_interval(1, 2, 1.0), None);
    assert_eq!(proportion_interval(1, 2, f64::NAN), None);
}

proptest! {
    /// The definition: at each end exactly the tail is left, by the binomial distribution.
    #[test]
    fn each_end_leaves_its_tail(hits in 1_u64..60, more in 1_u64..600) {
        use statrs::distribution::{Binomial, DiscreteCDF};
        let trials = hits + more;
        let found = proportion_interval(hits, trials, 0.95).unwrap();
        let at_least = 1.0 - Binomial::new(found.low, trials).unwrap().cdf(hits - 1);
        let at_most = Binomial::new(found.high, trials).unwrap().cdf(hits);
        prop_assert!((at_least - 0.025).abs() < 1e-6 && (at_most - 0.025).abs() < 1e-6, "{at_least} {at_most}");
    }

    #[test]
    fn any_counts_end(hits: u64, trials: u64, confidence: f64) {
        if let Some(found) = proportion_interval(hits, trials, confidence) {
            prop_assert!(found.low <= found.value && found.value <= found.high, "{:?}", found);
        }
    }
}
