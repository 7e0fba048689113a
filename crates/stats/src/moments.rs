//! Mean and variance of a stream of values.

/// Running mean and variance by Welford's recurrence (B. P. Welford, Technometrics 4(3), 1962; from memory), which
/// does not cancel where the sum of squares does.
#[derive(Debug, Clone, Copy, Default)]
pub struct Moments {
    count: u64,
    mean: f64,
    squares: f64,
}

impl Moments {
    /// Takes one value in.
    pub fn push(&mut self, value: f64) {
        self.count += 1;
        let before = value - self.mean;
        self.mean += before / self.count as f64;
        self.squares += before * (value - self.mean);
    }

    /// How many values were taken in.
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// The arithmetic mean; `None` without a value.
    pub fn mean(&self) -> Option<f64> {
        (self.count > 0).then_some(self.mean)
    }

    /// The sample variance (divisor n − 1); `None` for fewer than two values.
    pub fn variance(&self) -> Option<f64> {
        (self.count > 1).then(|| self.squares / (self.count - 1) as f64)
    }

    /// The sample standard deviation; `None` for fewer than two values.
    pub fn standard_deviation(&self) -> Option<f64> {
        self.variance().map(f64::sqrt)
    }
}

impl FromIterator<f64> for Moments {
    fn from_iter<I: IntoIterator<Item = f64>>(values: I) -> Self {
        let mut moments = Self::default();
        values.into_iter().for_each(|value| moments.push(value));
        moments
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The NIST statistical reference data sets `NumAcc1` to `NumAcc4`: the recipe is from memory, the results are exact
    /// by construction. The sum-of-squares formula gives a variance of −2 for the last one.
    #[test]
    fn nist_numerical_accuracy_sets() {
        let first: Moments = [10_000_001.0, 10_000_003.0, 10_000_002.0].into_iter().collect();
        assert_eq!(first.mean(), Some(10_000_002.0));
        assert_eq!(first.standard_deviation(), Some(1.0));
        for (centre, tolerance) in [(1.2, 1e-13), (1_000_000.2, 1e-9), (10_000_000.2, 1e-8)] {
            let around = (0..1000).map(|i| if i % 2 == 0 { centre - 0.1 } else { centre + 0.1 });
            let moments: Moments = std::iter::once(centre).chain(around).collect();
            assert_eq!(moments.count(), 1001);
            assert!((moments.mean().unwrap() - centre).abs() < 1e-8);
            assert!((moments.standard_deviation().unwrap() - 0.1).abs() < tolerance, "{centre}");
        }
    }

    #[test]
    fn too_few_values_give_none() {
        let mut moments = Moments::default();
        assert_eq!(moments.mean(), None);
        moments.push(4.0);
        assert_eq!((moments.mean(), moments.variance()), (Some(4.0), None));
    }
}
