//! Amounts of data.

use std::{fmt, str::FromStr, time::Duration};

use serde::{Deserialize, Serialize};

use crate::{BitRate, ParseQuantityError, number};

/// An amount of data in bytes.
#[derive(
    Debug,
    Clone,
    Copy,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    schemars::JsonSchema,
)]
#[serde(transparent)]
pub struct Bytes(u64);

const UNITS: &[(&str, u64)] = &[
    ("B", 1),
    ("kB", 1_000),
    ("MB", 1_000_000),
    ("GB", 1_000_000_000),
    ("TB", 1_000_000_000_000),
    ("KiB", 1 << 10),
    ("MiB", 1 << 20),
    ("GiB", 1 << 30),
];

impl Bytes {
    /// So many bytes.
    pub const fn new(bytes: u64) -> Self {
        Self(bytes)
    }

    /// The number of bytes.
    pub const fn get(self) -> u64 {
        self.0
    }

    /// The rate that moves this amount in `elapsed`, rounded down; `None` over no time or beyond the largest rate.
    pub fn over(self, elapsed: Duration) -> Option<BitRate> {
        let bits = u128::from(self.0) * 8_000_000_000;
        u64::try_from(bits.checked_div(elapsed.as_nanos())?).ok().map(BitRate::from_bits_per_second)
    }

    /// The sum, or `None` when it cannot be represented.
    pub fn checked_add(self, other: Self) -> Option<Self> {
        self.0.checked_add(other.0).map(Self)
    }

    /// The sum, at most the largest amount.
    #[must_use]
    pub fn saturating_add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl FromStr for Bytes {
    type Err = ParseQuantityError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        number::parse(text, UNITS, "B, kB, MB, GB, TB, KiB, MiB and GiB").map(Self)
    }
}

impl fmt::Display for Bytes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bytes = self.0 as f64;
        let text = match self.0 {
            0..1_000 => format!("{} B", self.0),
            1_000..1_000_000 => format!("{:.1} kB", bytes / 1e3),
            1_000_000..1_000_000_000 => format!("{:.1} MB", bytes / 1e6),
            _ => format!("{:.2} GB", bytes / 1e9),
        };
        f.pad(&text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimal_and_binary_prefixes_differ() {
        assert_eq!("500MB".parse(), Ok(Bytes::new(500_000_000)));
        assert_eq!("1GiB".parse(), Ok(Bytes::new(1_073_741_824)));
        assert!("12".parse::<Bytes>().is_err());
        assert!("12mb".parse::<Bytes>().is_err());
    }

    #[test]
    fn a_rate_over_no_time_is_none() {
        assert_eq!(Bytes::new(10).over(Duration::ZERO), None);
        assert_eq!(
            Bytes::new(12_500_000).over(Duration::from_secs(1)),
            Some(BitRate::from_megabits(100))
        );
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text: String) {
            let _ = text.parse::<Bytes>();
        }
    }
}
