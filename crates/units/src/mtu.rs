//! Maximum transmission units.

use std::fmt;

use serde::{Deserialize, Serialize};

/// The largest IP packet a link or tunnel takes, headers included, in bytes.
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
#[serde(try_from = "u16", into = "u16")]
pub struct Mtu(u16);

/// An MTU below what IPv4 lets any link have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("an MTU of {0} bytes is below 68, the least an IPv4 link may have (RFC 791)")]
pub struct MtuTooSmall(u16);

impl Mtu {
    /// Ethernet without jumbo frames (RFC 894).
    pub const ETHERNET: Self = Self(1500);

    /// An MTU of so many bytes; the least is 68 (RFC 791).
    pub const fn new(bytes: u16) -> Result<Self, MtuTooSmall> {
        if bytes < 68 { Err(MtuTooSmall(bytes)) } else { Ok(Self(bytes)) }
    }

    /// The number of bytes.
    pub const fn get(self) -> u16 {
        self.0
    }
}

impl TryFrom<u16> for Mtu {
    type Error = MtuTooSmall;

    fn try_from(bytes: u16) -> Result<Self, Self::Error> {
        Self::new(bytes)
    }
}

impl From<Mtu> for u16 {
    fn from(mtu: Mtu) -> Self {
        mtu.0
    }
}

impl fmt::Display for Mtu {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refuses_what_no_link_may_have() {
        assert!(Mtu::new(67).is_err());
        assert_eq!(Mtu::new(68).map(Mtu::get), Ok(68));
    }
}
