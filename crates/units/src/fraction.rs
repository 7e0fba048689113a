//! Shares and ratios.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A finite ratio of two amounts, 1.0 being the whole; it may exceed 1.0 (a path faster than its reference).
#[derive(
    Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(transparent)]
pub struct Fraction(f64);

impl Fraction {
    /// `part` of `whole`; `None` when the whole is zero or the result is not finite.
    pub fn of(part: f64, whole: f64) -> Option<Self> {
        let ratio = part / whole;
        (whole != 0.0 && ratio.is_finite()).then_some(Self(ratio))
    }

    /// The ratio itself.
    pub const fn get(self) -> f64 {
        self.0
    }

    /// The ratio in percent.
    pub fn percent(self) -> f64 {
        self.0 * 100.0
    }
}

impl fmt::Display for Fraction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{:.1} %", self.percent()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_of_nothing_is_none() {
        assert_eq!(Fraction::of(0.0, 0.0), None);
        assert_eq!(Fraction::of(1.0, 0.0), None);
        assert_eq!(Fraction::of(1.0, 4.0).map(|f| f.to_string()), Some("25.0 %".to_owned()));
    }
}
