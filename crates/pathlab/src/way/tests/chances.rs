//! Loss, duplication, jitter: what chance decides, against its laws.

use std::num::NonZeroU64;

use super::*;
use crate::{Choice, GilbertElliott, Jitter, Loss};

const MANY: u32 = 200_000;

/// Five standard deviations of a share estimated from `MANY` trials: a right generator misses it once in two million times.
fn tolerance(share: f64, variance_factor: f64) -> f64 {
    5.0 * (share * (1.0 - share) / f64::from(MANY) * variance_factor).sqrt()
}

fn lost(loss: Loss, seed: u64) -> Vec<bool> {
    let mut config = config(Conditions { loss, ..Conditions::default() });
    config.seed = seed;
    let mut way = OneWay::new(config);
    let verdicts = offer_all(&mut way, MANY, 1, 100);
    drain(&mut way);
    let truth = way.truth().total;
    let lost: Vec<bool> = verdicts.iter().map(|verdict| !kept(verdict)).collect();
    assert_eq!(truth.dropped.loss, lost.iter().filter(|lost| **lost).count() as u64);
    assert_eq!(truth.delivered.packets + truth.dropped.loss, u64::from(MANY));
    lost
}

fn share(lost: &[bool]) -> f64 {
    lost.iter().filter(|lost| **lost).count() as f64 / lost.len() as f64
}

#[test]
fn single_losses_have_their_ratio() {
    for ratio in [0.001, 0.02, 0.5] {
        for seed in 1..=3 {
            let found = share(&lost(Loss::Single(Choice::Ratio(ratio)), seed));
            assert!((found - ratio).abs() < tolerance(ratio, 1.0), "{found} for {ratio}");
        }
    }
    assert_eq!(lost(Loss::Single(Choice::Ratio(0.0)), 1), vec![false; MANY as usize]);
    assert_eq!(lost(Loss::Single(Choice::Ratio(1.0)), 1), vec![true; MANY as usize]);
}

#[test]
fn one_in_n_is_exact() {
    let n = NonZeroU64::new(37).unwrap();
    let lost = lost(Loss::Single(Choice::OneIn(n)), 1);
    assert!((1_u64..).zip(lost).all(|(place, lost)| lost == (place % 37 == 0)));
}

/// The mean loss of the chain, and the variance of a mean of dependent samples: the correlation of neighbours is
/// 1 - enter - leave, which widens it by at most (1 + c) / (1 - c). A stay in the bad state lasts 1 / leave packets.
#[test]
fn bursts_follow_the_two_state_chain() {
    for (enter, leave, loss_in_good, loss_in_bad) in
        [(0.01, 0.25, 0.0, 1.0), (0.002, 0.1, 0.0005, 0.6), (0.3, 0.3, 0.0, 1.0)]
    {
        let model = GilbertElliott { enter, leave, loss_in_good, loss_in_bad };
        let expected = model.mean_loss().unwrap();
        let by_hand = (enter * loss_in_bad + leave * loss_in_good) / (enter + leave);
        assert!((expected - by_hand).abs() < 1e-12);
        let correlation: f64 = 1.0 - enter - leave;
        let factor = (1.0 + correlation) / (1.0 - correlation);
        for seed in 1..=3 {
            let lost = lost(Loss::Bursts(model), seed);
            let found = share(&lost);
            assert!((found - expected).abs() < tolerance(expected, factor), "{found}, {expected}");
            if loss_in_bad < 1.0 {
                continue;
            }
            let runs = lost.chunk_by(|a, b| a == b).filter(|run| run[0]).map(<[bool]>::len);
            let lengths: Vec<f64> = runs.map(|length| length as f64).collect();
            let mean = lengths.iter().sum::<f64>() / lengths.len() as f64;
            // The lengths are geometric: mean 1 / leave, variance (1 - leave) / leave^2.
            let spread = ((1.0 - leave) / lengths.len() as f64).sqrt() / leave;
            assert!((mean - 1.0 / leave).abs() < 5.0 * spread, "{mean} for {}", 1.0 / leave);
        }
    }
    let frozen = GilbertElliott { enter: 0.0, leave: 0.0, loss_in_good: 0.0, loss_in_bad: 1.0 };
    assert_eq!(frozen.mean_loss(), None);
}

#[test]
fn duplicates_follow_their_original() {
    let n = NonZeroU64::new(10).unwrap();
    let mut way = way(Conditions { duplicate: Choice::OneIn(n), ..Conditions::default() });
    offer_all(&mut way, 1_000, MILLISECOND, 100);
    let gone = drain(&mut way);
    let copies: Vec<u32> = gone.iter().filter(|one| one.is_copy).map(|one| one.token).collect();
    assert_eq!(copies, (9..1_000).step_by(10).collect::<Vec<_>>());
    for pair in gone.windows(2).filter(|pair| pair[1].is_copy) {
        assert_eq!((pair[0].token, pair[0].is_last), (pair[1].token, false));
        assert!(pair[1].is_last);
    }
    let truth = way.truth().total;
    assert_eq!((truth.delivered.packets, truth.duplicates, truth.reordered), (1_000, 100, 0));
}

fn delays(jitter: Jitter) -> Vec<f64> {
    let delay = Duration::from_millis(10);
    let mut way = way(Conditions { delay, jitter, ..Conditions::default() });
    // Far enough apart that no packet waits for the one before.
    let sent = |n: u32| u64::from(n) * SECOND;
    let count = 100_000;
    (0..count)
        .map(|n| match way.offer(sent(n), packet(100), n) {
            Verdict::Kept { due_ns } => (due_ns - sent(n) - 10 * MILLISECOND) as f64,
            other => panic!("{other:?}"),
        })
        .collect()
}

fn mean_and_deviation(values: &[f64]) -> (f64, f64) {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let squares = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>();
    (mean, (squares / values.len() as f64).sqrt())
}

/// Mean a / 2 and deviation a / sqrt(12) of the uniform distribution.
#[test]
fn uniform_jitter_is_uniform() {
    let mut found = delays(Jitter::Uniform(Duration::from_millis(2)));
    let (mean, deviation) = mean_and_deviation(&found);
    assert!((mean / 1e6 - 1.0).abs() < 0.01, "{mean}");
    assert!((deviation / (2e6 / 12_f64.sqrt()) - 1.0).abs() < 0.01, "{deviation}");
    found.sort_by(f64::total_cmp);
    assert!(found[0] >= 0.0 && found[99_999] <= 2e6);
    for decile in 1..10 {
        let at = found[decile * 10_000] / 2e6 * 10.0;
        assert!((at - decile as f64).abs() < 0.1, "{decile}: {at}");
    }
}

/// Quantiles of the normal distribution: 84.13 % lie below one deviation, 97.72 % below two.
#[test]
fn normal_jitter_is_bell_shaped() {
    let (mean, deviation) = (Duration::from_millis(5), Duration::from_micros(500));
    let found = delays(Jitter::Normal { mean, deviation });
    let (found_mean, found_deviation) = mean_and_deviation(&found);
    assert!((found_mean / 5e6 - 1.0).abs() < 0.005, "{found_mean}");
    assert!((found_deviation / 5e5 - 1.0).abs() < 0.01, "{found_deviation}");
    for (deviations, share) in [(-1.0, 0.158_7), (0.0, 0.5), (1.0, 0.841_3), (2.0, 0.977_2)] {
        let below = found.iter().filter(|at| **at < 5e6 + deviations * 5e5).count() as f64 / 1e5;
        assert!((below - share).abs() < 0.006, "{below} below {deviations}");
    }
}

#[test]
fn jitter_keeps_the_order() {
    let jitter = Jitter::Uniform(Duration::from_millis(5));
    let mut way = way(Conditions { jitter, ..Conditions::default() });
    offer_all(&mut way, 10_000, 100_000, 100);
    let order: Vec<u32> = drain(&mut way).iter().map(|one| one.token).collect();
    assert_eq!(order, (0..10_000).collect::<Vec<_>>());
    assert_eq!(way.truth().total.reordered, 0);
}
