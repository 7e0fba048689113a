use super::*;

/// A floor of 5 ms, a queue of up to 3 ms on three of four packets, and a receiver that runs `ppm` fast.
fn sampled(packets: i64, ppm: i64) -> DelaySample {
    let mut sample = DelaySample::new();
    for number in 0..packets {
        let at_ns = number * 100_000;
        let queue = [0, 1_000_000, 2_000_000, 3_000_000][usize::try_from(number % 4).unwrap()];
        let skewed = at_ns / 1_000_000 * ppm;
        sample.accept(TimedDelay { at_ns, delay_ns: 5_000_000 + queue + skewed });
    }
    sample
}

/// The truth is what was put in: a quarter each of 0, 1, 2 and 3 ms above the least.
#[test]
fn a_skew_does_not_pass_for_delay() {
    for ppm in [-200, 0, 50, 200] {
        let level = sampled(20_000, ppm).level(2_000).expect("two times");
        assert_eq!(level.skew.confidence, SkewConfidence::Supported);
        assert!((level.skew.parts_per_million() - ppm as f64).abs() < 1.0, "{:?}", level.skew);
        let pdv = level.pdv;
        assert_eq!(pdv.n, 20_000);
        for (found, truth) in [(pdv.min, 0), (pdv.p50, 1_000), (pdv.p95, 3_000), (pdv.max, 3_000)] {
            assert!(found.abs_diff(truth) <= 2, "{found} is not {truth}");
        }
    }
}

#[test]
fn a_long_stream_is_thinned_and_its_least_is_kept() {
    let mut sample = sampled(200_001, 0);
    let least = TimedDelay { at_ns: 20_000_100_001, delay_ns: 4_000_000 };
    sample.accept(least);
    let level = sample.level(2_000).expect("two times");
    assert_eq!((sample.one_in(), level.least), (8, least));
    assert!(level.pdv.n <= MOST_KEPT as u64 && level.pdv.n >= MOST_KEPT as u64 / 2);
}

#[test]
fn one_time_has_no_line() {
    let mut sample = DelaySample::new();
    assert_eq!(sample.level(0), None);
    sample.accept(TimedDelay { at_ns: 1, delay_ns: 2 });
    assert_eq!(sample.level(0), None);
}
