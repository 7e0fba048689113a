//! Medians of ratios, their intervals, and when a bar is met.

use culvert_stats::{median, median_interval};
use serde::Serialize;

/// A median and where the true one lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Figure {
    /// The median of the values.
    pub median: f64,
    /// The true median is not below this.
    pub low: f64,
    /// The true median is not above this.
    pub high: f64,
    /// How many values there were.
    pub n: usize,
    /// Whether `low` and `high` enclose the true median with 95 % confidence. Fewer than six values give no such
    /// interval, and then these are the smallest and the largest.
    pub confident: bool,
}

impl Figure {
    /// The figure of these values, in any order; `None` without a value or when one is not a number.
    pub fn of(values: &[f64]) -> Option<Self> {
        let (median, n) = (median(values)?, values.len());
        if let Some(interval) = median_interval(values) {
            return Some(Self {
                median,
                low: interval.low,
                high: interval.high,
                n,
                confident: true,
            });
        }
        let low = values.iter().copied().fold(f64::INFINITY, f64::min);
        let high = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Some(Self { median, low, high, n, confident: false })
    }

    /// How far the interval reaches to either side, on average.
    pub fn half_width(&self) -> f64 {
        (self.high - self.low) / 2.0
    }
}

/// One quantity in one round: of the program, and of the same reference twice.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trio {
    /// What the program reached.
    pub candidate: f64,
    /// What the reference reached.
    pub reference: f64,
    /// What the reference reached once more.
    pub again: f64,
}

/// The program against the reference, and the reference against itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// Program by reference, a ratio each round.
    pub ratio: Figure,
    /// Reference by reference (A/A), a ratio each round: what a ratio is worth on this machine in this run.
    pub control: Figure,
}

impl Comparison {
    /// Compares round by round, so that what befell a whole round befell both sides of its ratio.
    ///
    /// `None` without a round, or when a reference reached nothing.
    pub fn of(rounds: &[Trio]) -> Option<Self> {
        let ratios = |above: fn(&Trio) -> f64| -> Option<Figure> {
            let ratios: Vec<f64> =
                rounds.iter().map(|round| above(round) / round.reference).collect();
            ratios.iter().all(|ratio| ratio.is_finite()).then(|| Figure::of(&ratios)).flatten()
        };
        Some(Self {
            ratio: ratios(|round| round.candidate)?,
            control: ratios(|round| round.again)?,
        })
    }
}

/// What a figure is to reach.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Bar {
    /// This or more.
    AtLeast(f64),
    /// This or less.
    AtMost(f64),
}

impl Bar {
    /// Whether `figure` reaches the bar, but for half of the interval of the reference against itself.
    ///
    /// A figure that is no ratio has no such `control` and must reach the bar as it is.
    pub fn is_met(self, figure: f64, control: Option<&Figure>) -> bool {
        let allowed = control.map_or(0.0, Figure::half_width);
        match self {
            Self::AtLeast(bar) => figure >= bar - allowed,
            Self::AtMost(bar) => figure <= bar + allowed,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() < 1e-12
    }

    /// Table of the sign test's interval: of 15 values the 4th and the 12th enclose the median with 96.5 % (binomial
    /// with n 15 and one half: 1 − 2·576/32768); of five none do with 95 %.
    #[test]
    fn the_interval_is_that_of_ranks() {
        let fifteen: Vec<f64> = (1..=15).rev().map(f64::from).collect();
        let figure = Figure::of(&fifteen).unwrap();
        assert!(close(figure.median, 8.0) && close(figure.low, 4.0) && close(figure.high, 12.0));
        assert!(figure.confident && figure.n == 15 && close(figure.half_width(), 4.0));
        let five = Figure::of(&[3.0, 1.0, 2.0, 5.0, 4.0]).unwrap();
        assert!(!five.confident && close(five.low, 1.0) && close(five.high, 5.0));
        assert_eq!(Figure::of(&[]), None);
        assert_eq!(Figure::of(&[1.0, f64::NAN]), None);
    }

    /// Three rounds reckoned by hand. The machine halves its speed in the second: the ratio does not see it.
    #[test]
    fn ratios_are_taken_round_by_round() {
        let round = |candidate, reference, again| Trio { candidate, reference, again };
        let rounds = [round(9.0, 10.0, 10.0), round(4.75, 5.0, 4.5), round(10.0, 10.0, 11.0)];
        let found = Comparison::of(&rounds).unwrap();
        assert!(close(found.ratio.median, 0.95) && close(found.ratio.low, 0.9));
        assert!(close(found.control.median, 1.0) && close(found.control.high, 1.1));
        assert_eq!(Comparison::of(&[]), None);
        assert_eq!(Comparison::of(&[round(1.0, 0.0, 1.0)]), None);
    }

    #[test]
    fn a_bar_gives_way_by_half_of_the_interval_of_the_reference_against_itself() {
        let control = Figure { median: 1.0, low: 0.98, high: 1.02, n: 15, confident: true };
        assert!(Bar::AtLeast(0.97).is_met(0.951, Some(&control)));
        assert!(!Bar::AtLeast(0.97).is_met(0.949, Some(&control)));
        assert!(Bar::AtMost(1.05).is_met(1.069, Some(&control)));
        assert!(!Bar::AtMost(1.05).is_met(1.071, Some(&control)));
        assert!(Bar::AtMost(40.0).is_met(40.0, None) && !Bar::AtMost(40.0).is_met(40.1, None));
        assert!(!Bar::AtLeast(0.0).is_met(f64::NAN, None));
    }

    proptest::proptest! {
        /// A reference that is always the same excuses nothing; the more it differs from itself, the more it excuses.
        #[test]
        fn an_interval_never_makes_a_bar_harder(figure in 0.1_f64..2.0, width in 0.0_f64..1.0) {
            let control =
                Figure { median: 1.0, low: 1.0 - width / 2.0, high: 1.0 + width / 2.0, n: 15, confident: true };
            for bar in [Bar::AtLeast(1.0), Bar::AtMost(1.0)] {
                proptest::prop_assert!(!bar.is_met(figure, None) || bar.is_met(figure, Some(&control)));
            }
        }
    }
}
