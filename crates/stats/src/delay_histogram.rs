//! Percentiles of a stream of times in fixed memory.

use crate::{
    Percentiles,
    log_counts::{LogCounts, Step},
    percentile::rank,
};

/// The longest time that is told from longer ones: one hour, in microseconds.
const LONGEST_US: u64 = 3_600_000_000;

/// Times in microseconds, such as round trips: resolution 1 µs up to 2 ms and 0.1 % above, up to one hour, which
/// stands for everything longer too.
///
/// Fixed memory of about 190 KiB; nothing is allocated per value. Minimum and maximum are exact.
#[derive(Debug, Clone)]
pub struct DelayHistogram {
    counts: LogCounts,
    least: u64,
    most: u64,
}

impl DelayHistogram {
    /// An empty histogram.
    pub fn new() -> Self {
        Self { counts: LogCounts::up_to(LONGEST_US), least: u64::MAX, most: 0 }
    }

    /// Takes in one time in microseconds.
    #[inline]
    pub fn record(&mut self, micros: u64) {
        let micros = micros.min(LONGEST_US);
        self.counts.add(micros, 1);
        self.least = self.least.min(micros);
        self.most = self.most.max(micros);
    }

    /// Takes in everything that `other` holds.
    pub fn merge(&mut self, other: &Self) {
        for step in other.counts.steps() {
            self.counts.add(step.highest, step.count);
        }
        self.least = self.least.min(other.least);
        self.most = self.most.max(other.most);
    }

    /// How many times were taken in.
    pub fn count(&self) -> u64 {
        self.counts.steps().map(|step| step.count).sum()
    }

    /// The mean, within 0.1 %; `None` while empty.
    pub fn mean(&self) -> Option<f64> {
        self.extremes()?;
        let middle = |step: &Step| (step.lowest as f64).midpoint(step.highest as f64);
        let sum: f64 = self.counts.steps().map(|step| middle(&step) * step.count as f64).sum();
        Some(sum / self.count() as f64)
    }

    /// The percentiles (RFC 2330 11.3), each within 0.1 % above the exact one; `None` while empty.
    pub fn percentiles(&self) -> Option<Percentiles> {
        let extremes = self.extremes()?;
        let steps: Vec<(i64, u64)> =
            self.counts.steps().map(|step| (signed(step.highest), step.count)).collect();
        from_steps(&steps, signed(extremes.0), signed(extremes.1))
    }

    /// The time that the share `p` of all lies within (RFC 2330 11.3), resolved as the percentiles are.
    ///
    /// `None` while empty and for `p` outside (0, 1].
    pub fn percentile(&self, p: f64) -> Option<i64> {
        let extremes = self.extremes()?;
        let steps: Vec<(i64, u64)> =
            self.counts.steps().map(|step| (signed(step.highest), step.count)).collect();
        value_at(&steps, signed(extremes.0), signed(extremes.1), p)
    }

    fn extremes(&self) -> Option<(u64, u64)> {
        (self.least <= self.most).then_some((self.least, self.most))
    }
}

impl Default for DelayHistogram {
    fn default() -> Self {
        Self::new()
    }
}

/// The same for differences in microseconds, which have a sign: one histogram to each side of zero.
#[derive(Debug, Clone, Default)]
pub(crate) struct SignedHistogram {
    below: DelayHistogram,
    from_zero: DelayHistogram,
}

impl SignedHistogram {
    #[inline]
    pub(crate) fn record(&mut self, micros: i64) {
        let side = if micros < 0 { &mut self.below } else { &mut self.from_zero };
        side.record(micros.unsigned_abs());
    }

    /// The percentiles, each within 0.1 % of the distance from zero above the exact one; `None` while empty.
    pub(crate) fn percentiles(&self) -> Option<Percentiles> {
        let (min, max) = self.extremes()?;
        from_steps(&self.steps(), min, max)
    }

    /// The value at the share `p`, resolved as the percentiles are.
    pub(crate) fn percentile(&self, p: f64) -> Option<i64> {
        let (min, max) = self.extremes()?;
        value_at(&self.steps(), min, max, p)
    }

    fn steps(&self) -> Vec<(i64, u64)> {
        let mut steps: Vec<(i64, u64)> =
            self.below.counts.steps().map(|step| (-signed(step.lowest), step.count)).collect();
        steps.reverse();
        let from_zero = self.from_zero.counts.steps();
        steps.extend(from_zero.map(|step| (signed(step.highest), step.count)));
        steps
    }

    fn extremes(&self) -> Option<(i64, i64)> {
        let below =
            self.below.extremes().map(|(nearest, farthest)| (-signed(farthest), -signed(nearest)));
        let above = self.from_zero.extremes().map(|(least, most)| (signed(least), signed(most)));
        Some((below.or(above)?.0, above.or(below)?.1))
    }
}

/// Percentiles of values in ascending order with their counts, held inside the exact extremes.
fn from_steps(steps: &[(i64, u64)], min: i64, max: i64) -> Option<Percentiles> {
    let at = |p: f64| value_at(steps, min, max, p);
    let n = steps.iter().map(|(_, count)| count).sum();
    Some(Percentiles { n, min, p50: at(0.50)?, p95: at(0.95)?, p99: at(0.99)?, max })
}

/// One percentile of the same.
fn value_at(steps: &[(i64, u64)], min: i64, max: i64, p: f64) -> Option<i64> {
    let wanted = rank(steps.iter().map(|(_, count)| count).sum(), p)?;
    let mut reached = 0;
    let (value, _) = steps.iter().find(|(_, count)| {
        reached += count;
        reached >= wanted
    })?;
    Some((*value).clamp(min, max))
}

fn signed(micros: u64) -> i64 {
    i64::try_from(micros).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_mean_is_that_of_its_values() {
        let mut histogram = DelayHistogram::new();
        assert_eq!(histogram.mean(), None);
        for micros in [1, 2, 3, 1_000_000] {
            histogram.record(micros);
        }
        assert!((histogram.mean().unwrap() / 250_001.5 - 1.0).abs() < 0.001);
    }

    #[test]
    fn small_samples_are_exact() {
        let mut histogram = DelayHistogram::new();
        assert_eq!(histogram.percentiles(), None);
        // The positive part of the sample of RFC 2330 11.3.
        for micros in [7, 7, 4, 18] {
            histogram.record(micros);
        }
        assert_eq!(
            histogram.percentiles(),
            Some(Percentiles { n: 4, min: 4, p50: 7, p95: 18, p99: 18, max: 18 })
        );
    }

    /// RFC 2330 11.3: the 50th percentile of its sample is 4.
    #[test]
    fn signed_samples_are_exact_when_small() {
        let mut histogram = SignedHistogram::default();
        for micros in [-2, 7, 7, 4, 18, -5] {
            histogram.record(micros);
        }
        assert_eq!(
            histogram.percentiles(),
            Some(Percentiles { n: 6, min: -5, p50: 4, p95: 18, p99: 18, max: 18 })
        );
    }

    #[test]
    fn any_share_has_its_time() {
        let mut histogram = DelayHistogram::new();
        assert_eq!(histogram.percentile(0.5), None);
        (1..=1000).for_each(|micros| histogram.record(micros));
        for (p, micros) in [(0.001, 1), (0.5, 500), (0.999, 999), (1.0, 1000)] {
            assert_eq!(histogram.percentile(p), Some(micros), "{p}");
        }
        assert_eq!((histogram.percentile(0.0), histogram.percentile(f64::NAN)), (None, None));
    }

    #[test]
    fn longer_than_an_hour_counts_as_an_hour() {
        let mut histogram = DelayHistogram::new();
        histogram.record(u64::MAX);
        let one = 3_600_000_000;
        assert_eq!(
            histogram.percentiles(),
            Some(Percentiles { n: 1, min: one, p50: one, p95: one, p99: one, max: one })
        );
        let mut signed = SignedHistogram::default();
        signed.record(i64::MIN);
        assert_eq!(signed.percentiles().map(|p| (p.min, p.max)), Some((-one, -one)));
    }

    /// Whether `found` is `exact` or above it by no more than the resolution of three digits.
    fn within_resolution(found: i64, exact: i64) -> bool {
        let slack = exact.unsigned_abs() / 1000;
        found >= exact && found.abs_diff(exact) <= slack
    }

    fn close(found: Percentiles, exact: Percentiles) -> bool {
        found.n == exact.n
            && found.min == exact.min
            && found.max == exact.max
            && within_resolution(found.p50, exact.p50)
            && within_resolution(found.p95, exact.p95)
            && within_resolution(found.p99, exact.p99)
    }

    fn filled(times: &[i64]) -> DelayHistogram {
        let mut histogram = DelayHistogram::new();
        for micros in times {
            histogram.record(micros.unsigned_abs());
        }
        histogram
    }

    fn time() -> impl Strategy<Value = i64> {
        prop_oneof![0_i64..3_000, 0_i64..3_000_000, 0_i64..3_600_000_000]
    }

    proptest! {
        #[test]
        fn agrees_with_the_exact_percentiles(times in prop::collection::vec(time(), 1..300)) {
            let found = filled(&times).percentiles().unwrap();
            let exact = Percentiles::of(times).unwrap();
            prop_assert!(close(found, exact), "{found:?} {exact:?}");
        }

        #[test]
        fn signed_agrees_with_the_exact_percentiles(
            times in prop::collection::vec((time(), any::<bool>()), 1..300),
        ) {
            let signed: Vec<i64> = times.into_iter().map(|(t, up)| if up { t } else { -t }).collect();
            let mut histogram = SignedHistogram::default();
            for micros in &signed {
                histogram.record(*micros);
            }
            let found = histogram.percentiles().unwrap();
            let exact = Percentiles::of(signed).unwrap();
            prop_assert!(close(found, exact), "{found:?} {exact:?}");
        }

        #[test]
        fn merging_is_recording_into_one(
            a in prop::collection::vec(time(), 0..50),
            b in prop::collection::vec(time(), 0..50),
        ) {
            let mut merged = filled(&a);
            merged.merge(&filled(&b));
            prop_assert_eq!(merged.percentiles(), filled(&[a, b].concat()).percentiles());
        }
    }
}
