//! The two IP versions and their fixed header sizes.

use std::fmt;

use serde::{Deserialize, Serialize};

/// An IP version.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Family {
    /// IPv4 (RFC 791).
    Ipv4,
    /// IPv6 (RFC 8200).
    Ipv6,
}

impl Family {
    /// Both, IPv4 first.
    pub const ALL: [Self; 2] = [Self::Ipv4, Self::Ipv6];

    /// The fixed header in bytes, without options or extension headers (RFC 791, RFC 8200).
    pub const fn header_length(self) -> u32 {
        match self {
            Self::Ipv4 => 20,
            Self::Ipv6 => 40,
        }
    }

    /// The least MTU a link may have, in bytes: 68 (RFC 791) or 1280 (RFC 8200 section 5).
    pub const fn least_mtu(self) -> u16 {
        match self {
            Self::Ipv4 => 68,
            Self::Ipv6 => 1280,
        }
    }
}

impl fmt::Display for Family {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ipv4 => "IPv4",
            Self::Ipv6 => "IPv6",
        })
    }
}
