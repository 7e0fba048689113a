//! Bits per second.

use std::{fmt, str::FromStr, time::Duration};

use serde::{Deserialize, Serialize};

use crate::{Bytes, ParseQuantityError, number};

/// A rate in bits per second; prefixes are decimal (1 Mbit/s is 10^6 bit/s).
#[derive(
    Debug,
    Clone,
    Copy,
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
pub struct BitRate(u64);

const UNITS: &[(&str, u64)] =
    &[("bit/s", 1), ("kbit/s", 1_000), ("Mbit/s", 1_000_000), ("Gbit/s", 1_000_000_000)];

impl BitRate {
    /// A rate of so many bits per second.
    pub const fn from_bits_per_second(bits: u64) -> Self {
        Self(bits)
    }

    /// A rate of so many Mbit/s.
    pub const fn from_megabits(megabits: u64) -> Self {
        Self(megabits * 1_000_000)
    }

    /// Bits per second.
    pub const fn bits_per_second(self) -> u64 {
        self.0
    }

    /// Mbit/s, for showing and for ratios.
    pub fn megabits(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// What this rate carries in `elapsed`, rounded down to whole bytes; saturates at the largest amount.
    pub fn carried_in(self, elapsed: Duration) -> Bytes {
        let bit_nanos = u128::from(self.0).saturating_mul(elapsed.as_nanos());
        Bytes::new(u64::try_from(bit_nanos / 8_000_000_000).unwrap_or(u64::MAX))
    }

    /// The time `amount` takes at this rate, rounded down to nanoseconds; `None` at rate 0 or beyond 584 years.
    pub fn time_for(self, amount: Bytes) -> Option<Duration> {
        let nanos = (u128::from(amount.get()) * 8_000_000_000).checked_div(u128::from(self.0))?;
        u64::try_from(nanos).ok().map(Duration::from_nanos)
    }
}

impl FromStr for BitRate {
    type Err = ParseQuantityError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        number::parse(text, UNITS, "bit/s, kbit/s, Mbit/s and Gbit/s").map(Self)
    }
}

impl fmt::Display for BitRate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let bits = self.0 as f64;
        let text = match self.0 {
            0..1_000 => format!("{} bit/s", self.0),
            1_000..1_000_000 => format!("{:.2} kbit/s", bits / 1e3),
            1_000_000..1_000_000_000 => format!("{:.2} Mbit/s", bits / 1e6),
            _ => format!("{:.3} Gbit/s", bits / 1e9),
        };
        f.pad(&text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_decimal_prefixes() {
        assert_eq!("50Mbit/s".parse(), Ok(BitRate::from_megabits(50)));
        assert_eq!("1.5 Gbit/s".parse(), Ok(BitRate::from_megabits(1500)));
        assert_eq!("0.5kbit/s".parse(), Ok(BitRate::from_bits_per_second(500)));
    }

    #[test]
    fn refuses_other_units_and_shapes() {
        for text in [
            "50",
            "50M",
            "50mbit/s",
            "50MB/s",
            "-5Mbit/s",
            "",
            "1.2.3Mbit/s",
            "1.Mbit/s",
            "0.3bit/s",
            "99999999999Gbit/s",
        ] {
            assert!(text.parse::<BitRate>().is_err(), "{text}");
        }
    }

    #[test]
    fn converts_between_amount_and_time() {
        let rate = BitRate::from_megabits(100);
        assert_eq!(rate.carried_in(Duration::from_secs(1)), Bytes::new(12_500_000));
        assert_eq!(rate.time_for(Bytes::new(12_500)), Some(Duration::from_millis(1)));
        assert_eq!(
            BitRate::from_bits_per_second(u64::MAX).carried_in(Duration::MAX),
            Bytes::new(u64::MAX)
        );
        assert_eq!(BitRate::from_bits_per_second(0).time_for(Bytes::new(1)), None);
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text: String) {
            let _ = text.parse::<BitRate>();
        }
    }
}
