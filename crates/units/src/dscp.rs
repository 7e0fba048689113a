//! The differentiated-services codepoint: which treatment a packet asks the network for.

use std::{fmt, str::FromStr};

use serde::{Deserialize, Serialize};

/// A differentiated-services codepoint, 0 to 63 (RFC 2474): the upper six bits of the TOS or traffic-class byte.
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
#[serde(try_from = "u8", into = "u8")]
pub struct Dscp(#[schemars(range(max = 63))] u8);

/// A codepoint that six bits do not hold, or a name that no standard gives.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is no codepoint: use 0 to 63, or a name such as ef, af41, cs1, le")]
pub struct NoDscp(String);

impl Dscp {
    /// A codepoint; six bits hold 0 to 63.
    pub fn new(value: u8) -> Result<Self, NoDscp> {
        if value < 64 { Ok(Self(value)) } else { Err(NoDscp(value.to_string())) }
    }

    /// The codepoint.
    pub const fn get(self) -> u8 {
        self.0
    }

    /// The whole TOS or traffic-class byte; its lower two bits belong to congestion notification (RFC 3168).
    pub const fn as_traffic_class(self) -> u8 {
        self.0 << 2
    }

    /// The codepoint in a TOS or traffic-class byte.
    pub const fn in_traffic_class(byte: u8) -> Self {
        Self(byte >> 2)
    }
}

/// What a name stands for: class selectors (RFC 2474 4.2.2), assured forwarding (RFC 2597 6), expedited forwarding
/// (RFC 3246 2.7), voice admit (RFC 5865) and lower effort (RFC 8622).
fn named(name: &str) -> Option<u8> {
    let digits = |from: &str| -> Option<Vec<u8>> {
        from.chars().map(|c| c.to_digit(10).and_then(|digit| u8::try_from(digit).ok())).collect()
    };
    match name {
        "ef" => return Some(46),
        "va" => return Some(44),
        "le" => return Some(1),
        _ => {}
    }
    if let Some(class) = name.strip_prefix("cs") {
        return match digits(class)?.as_slice() {
            [class @ 0..=7] => Some(class * 8),
            _ => None,
        };
    }
    match digits(name.strip_prefix("af")?)?.as_slice() {
        [class @ 1..=4, drop @ 1..=3] => Some(class * 8 + drop * 2),
        _ => None,
    }
}

impl FromStr for Dscp {
    type Err = NoDscp;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        let name = text.to_ascii_lowercase();
        let value = name.parse().ok().filter(|_| !name.starts_with('+')).or_else(|| named(&name));
        value.filter(|value| *value < 64).map(Self).ok_or_else(|| NoDscp(text.to_owned()))
    }
}

impl TryFrom<u8> for Dscp {
    type Error = NoDscp;

    fn try_from(value: u8) -> Result<Self, Self::Error> {
        Self::new(value)
    }
}

impl From<Dscp> for u8 {
    fn from(dscp: Dscp) -> Self {
        dscp.0
    }
}

impl fmt::Display for Dscp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_stand_for_what_the_standards_say() {
        // RFC 2474 4.2.2.2 ('xxx000'), RFC 2597 6 (AF11 '001010' to AF43 '100110'), RFC 3246 2.7 ('101110'), RFC 5865 4
        // ('101100'), RFC 8622 ('000001').
        for (name, codepoint) in [
            ("cs1", 0b001_000),
            ("CS7", 0b111_000),
            ("af11", 0b001_010),
            ("af32", 0b011_100),
            ("AF43", 0b100_110),
            ("ef", 0b101_110),
            ("va", 0b101_100),
            ("le", 0b000_001),
            ("63", 63),
            ("0", 0),
        ] {
            assert_eq!(name.parse::<Dscp>().map(Dscp::get), Ok(codepoint), "{name}");
        }
        // RFC 3246: EF is seen as 0xb8 in the TOS byte.
        assert_eq!("ef".parse::<Dscp>().map(Dscp::as_traffic_class), Ok(0xb8));
        assert_eq!(Dscp::in_traffic_class(0xba).get(), 46);
    }

    #[test]
    fn what_is_no_codepoint_is_refused() {
        for text in
            ["64", "-1", "", "cs8", "cs", "af14", "af51", "af1", "ef ", "+5", "256", "café", "csé"]
        {
            assert!(text.parse::<Dscp>().is_err(), "{text}");
        }
        assert!(serde_json::from_str::<Dscp>("64").is_err());
    }
}
