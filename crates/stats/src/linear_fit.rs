//! A straight line through points by least squares, with Student's intervals and a test of whether a line fits at all.

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use statrs::distribution::{ContinuousCDF, FisherSnedecor, StudentsT};

use crate::{Moments, bisect::first_reached};

/// `y = intercept + slope · x` by ordinary least squares (the textbook's formulas, from memory; tested on NIST's Norris
/// data and against scipy).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearFit {
    /// How many points there were.
    pub n: u64,
    /// Where the line meets x = 0, in units of y.
    pub intercept: f64,
    /// How much y grows per unit of x.
    pub slope: f64,
    /// The standard deviation of the residuals, with n − 2 degrees of freedom, in units of y.
    pub residual_deviation: f64,
    /// The share of y's variance that the line explains; `None` when y does not vary.
    pub r_squared: Option<f64>,
    mean_x: f64,
    squares_x: f64,
}

/// A value and the interval around it at the confidence that was asked for.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Interval {
    /// The value itself.
    pub value: f64,
    /// Its lower bound.
    pub low: f64,
    /// Its upper bound.
    pub high: f64,
}

/// The test for lack of fit: do the means at each x lie further from the line than repeats at one x differ?
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LackOfFit {
    /// The mean square of the means' distances over that of the repeats.
    pub f: f64,
    /// Degrees of freedom above: different x less 2.
    pub above: u64,
    /// Degrees of freedom below: points less different x.
    pub below: u64,
    /// How likely an F at least as large is when the truth is a line.
    pub p: f64,
}

/// Fits a line to points (x, y); `None` for fewer than three, for one x only, or when a number is not finite.
pub fn linear_fit(points: &[(f64, f64)]) -> Option<LinearFit> {
    if points.len() < 3 {
        return None;
    }
    let xs: Moments = points.iter().map(|point| point.0).collect();
    let ys: Moments = points.iter().map(|point| point.1).collect();
    let (mean_x, mean_y) = (xs.mean()?, ys.mean()?);
    let sum = |term: fn(f64, f64) -> f64| -> f64 {
        points.iter().map(|point| term(point.0 - mean_x, point.1 - mean_y)).sum()
    };
    let (squares_x, squares_y, products) =
        (sum(|x, _| x * x), sum(|_, y| y * y), sum(|x, y| x * y));
    let slope = products / squares_x;
    let intercept = mean_y - slope * mean_x;
    // Summed from the residuals themselves: the difference of the sums of squares cancels.
    let residuals: f64 =
        points.iter().map(|(x, y)| (y - mean_y) - slope * (x - mean_x)).map(|r| r * r).sum();
    let residual_deviation = (residuals / (points.len() - 2) as f64).sqrt();
    let fit = LinearFit {
        n: points.len() as u64,
        intercept,
        slope,
        residual_deviation,
        r_squared: (squares_y > 0.0).then(|| 1.0 - residuals / squares_y),
        mean_x,
        squares_x,
    };
    let all = [intercept, slope, residual_deviation, mean_x, squares_x];
    (squares_x > 0.0 && all.iter().all(|value| value.is_finite())).then_some(fit)
}

impl LinearFit {
    /// The standard error of the slope.
    pub fn slope_error(&self) -> f64 {
        self.residual_deviation / self.squares_x.sqrt()
    }

    /// The standard error of the intercept.
    pub fn intercept_error(&self) -> f64 {
        self.error_at(0.0, 0.0)
    }

    /// The interval of the slope; `confidence` is a share of 1.
    pub fn slope_interval(&self, confidence: f64) -> Option<Interval> {
        self.around(self.slope, self.slope_error(), confidence)
    }

    /// The interval of the intercept; `confidence` is a share of 1.
    pub fn intercept_interval(&self, confidence: f64) -> Option<Interval> {
        self.around(self.intercept, self.intercept_error(), confidence)
    }

    /// The line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }

    /// The line at `x` with the interval in which its true height lies.
    pub fn mean_at(&self, x: f64, confidence: f64) -> Option<Interval> {
        self.around(self.at(x), self.error_at(x, 0.0), confidence)
    }

    /// The line at `x` with the interval in which one further measurement will lie.
    pub fn predict(&self, x: f64, confidence: f64) -> Option<Interval> {
        self.around(self.at(x), self.error_at(x, 1.0), confidence)
    }

    /// The standard error at `x`: of the line, and of `further` measurements on top.
    fn error_at(&self, x: f64, further: f64) -> f64 {
        let distance = x - self.mean_x;
        let variance = further + 1.0 / self.n as f64 + distance * distance / self.squares_x;
        self.residual_deviation * variance.sqrt()
    }

    fn around(&self, value: f64, error: f64, confidence: f64) -> Option<Interval> {
        let reach = student_quantile(f64::midpoint(1.0, confidence), self.n - 2)? * error;
        let interval = Interval { value, low: value - reach, high: value + reach };
        (value.is_finite() && reach.is_finite()).then_some(interval)
    }
}

impl Interval {
    /// Whether it holds `value`.
    pub fn contains(&self, value: f64) -> bool {
        (self.low..=self.high).contains(&value)
    }
}

/// Tests a line through `points` for lack of fit; `None` without repeats at an x or with fewer than three different x.
///
/// An F beyond every number, repeats that agree to the last digit, gives a p of 0.
pub fn lack_of_fit(fit: &LinearFit, points: &[(f64, f64)]) -> Option<LackOfFit> {
    let mut repeats: BTreeMap<u64, (f64, Moments)> = BTreeMap::new();
    for (x, y) in points {
        // Adding zero makes one zero of both.
        let at = repeats.entry((x + 0.0).to_bits()).or_insert_with(|| (*x, Moments::default()));
        at.1.push(*y);
    }
    let different = repeats.len() as u64;
    let above = different.checked_sub(2).filter(|above| *above > 0)?;
    let below = (points.len() as u64).checked_sub(different).filter(|below| *below > 0)?;
    let (mut between, mut within) = (0.0, 0.0);
    for (x, ys) in repeats.values() {
        let distance = ys.mean()? - fit.at(*x);
        between += ys.count() as f64 * distance * distance;
        within += ys.variance().unwrap_or(0.0) * (ys.count() - 1) as f64;
    }
    let f = (between / above as f64) / (within / below as f64);
    if f.is_nan() {
        return None;
    }
    let p = if f.is_finite() {
        FisherSnedecor::new(above as f64, below as f64).ok()?.sf(f)
    } else {
        0.0
    };
    Some(LackOfFit { f, above, below, p })
}

/// The value below which the share `p` of Student's t with so many degrees of freedom lies.
///
/// `None` without a degree of freedom or for `p` not strictly between 0 and 1.
pub fn student_quantile(p: f64, freedom: u64) -> Option<f64> {
    if freedom == 0 || !(p > 0.0 && p < 1.0) {
        return None;
    }
    let student = StudentsT::new(0.0, 1.0, freedom as f64).ok()?;
    // From the nearer tail: close to 1 the distribution itself has no digits left.
    let tail = p.min(1.0 - p);
    let beyond = |t: f64| student.sf(t) <= tail;
    // Doubled until it is enough: one degree of freedom has its quantile for the least number above zero below 1e300.
    let enough = std::iter::successors(Some(1.0), |t| (*t < 1e300).then_some(t * 2.0))
        .find(|t| beyond(*t))?;
    let distance = first_reached(0.0, enough, beyond);
    Some(if p < 0.5 { -distance } else { distance })
}
