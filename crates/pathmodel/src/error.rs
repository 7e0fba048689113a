//! Why the model refuses a question.

use culvert_units::{ExitStatus, Explain, Fraction, Mtu};

use crate::Family;

/// A name that no row of the table has.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{typed}' is not an encapsulation the model knows")]
pub struct UnknownEncapsulation {
    /// What was typed, cut when very long.
    pub typed: String,
    /// The key of the row whose name is nearest.
    pub nearest: &'static str,
}

impl Explain for UnknownEncapsulation {
    fn hint(&self) -> Option<String> {
        Some(format!("did you mean '{}'?", self.nearest))
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Usage
    }
}

/// A text that names no encapsulation.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ParseEncapsulationError {
    /// No row has this name.
    #[error(transparent)]
    Unknown(#[from] UnknownEncapsulation),
    /// Options that Geneve cannot carry.
    #[error("'{typed}' does not describe Geneve's options")]
    Geneve {
        /// What was typed, cut when very long.
        typed: String,
    },
    /// A custom encapsulation whose numbers cannot be used.
    #[error("'{typed}' does not describe a custom encapsulation")]
    Custom {
        /// What was typed, cut when very long.
        typed: String,
    },
}

impl Explain for ParseEncapsulationError {
    fn hint(&self) -> Option<String> {
        match self {
            Self::Unknown(unknown) => unknown.hint(),
            Self::Geneve { .. } => Some(
                "write geneve:BYTES with the bytes of all options, a multiple of 4 and at most 252"
                    .to_owned(),
            ),
            Self::Custom { .. } => Some(
                "write custom:BYTES or custom:BYTES:ALIGNMENT, at most 1000 bytes around the inner packet, outer IP \
                 header included, and an alignment of 1 to 256"
                    .to_owned(),
            ),
        }
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Usage
    }
}

/// A question the model cannot answer.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ModelError {
    /// The encapsulation is not defined over this IP version.
    #[error("{key} does not run over {family}")]
    OuterFamily {
        /// The encapsulation.
        key: String,
        /// The outer IP version that was asked for.
        family: Family,
    },
    /// The encapsulation does not carry this IP version.
    #[error("{key} over {outer} does not carry {family} packets")]
    InnerFamily {
        /// The encapsulation.
        key: String,
        /// The outer IP version.
        outer: Family,
        /// The inner IP version that was asked for.
        family: Family,
    },
    /// An MTU below what the IP version demands.
    #[error("an MTU of {mtu} bytes {place} is below {least}, the least {family} allows", least = .family.least_mtu())]
    MtuBelowLeast {
        /// The MTU.
        mtu: u16,
        /// Whose MTU: "on the link", "on the plain path", "under" or "inside" a key.
        place: String,
        /// The IP version of the packets there.
        family: Family,
    },
    /// The headers take all there is.
    #[error("{key} over {family} leaves no room for an inner packet in an MTU of {mtu} bytes")]
    NoRoom {
        /// The encapsulation.
        key: String,
        /// The outer IP version.
        family: Family,
        /// The MTU under it.
        mtu: u16,
    },
    /// A link that carries nothing.
    #[error("a link rate of 0 bit/s carries nothing")]
    NoRate,
    /// A size that carries nothing.
    #[error("a payload of 0 bytes carries nothing")]
    NoPayload,
    /// A datagram longer than IP can describe.
    #[error("a UDP payload of {payload} bytes makes a packet of {length} bytes, IP ends at 65535")]
    PayloadTooLong {
        /// The payload.
        payload: u16,
        /// The length of the packet it would need.
        length: u32,
    },
    /// A TCP segment that does not fit the inner MTU.
    #[error("a TCP segment of {payload} bytes needs an inner MTU of {length} bytes, it is {mtu}")]
    SegmentAboveMtu {
        /// The payload of the segment.
        payload: u16,
        /// The length of its IP packet.
        length: u32,
        /// The inner MTU.
        mtu: Mtu,
    },
    /// Tunnels that cannot be put into each other.
    #[error(
        "{count} tunnels one in the other, of them {streams} over TCP, are more than the model holds"
    )]
    ImpossibleStack {
        /// How many tunnels.
        count: usize,
        /// How many of them are stream encapsulations.
        streams: usize,
    },
    /// A round trip that takes no time.
    #[error("a round-trip time of 0 sets no bound")]
    NoRoundTrip,
    /// A path of no links.
    #[error("a path of no links carries nothing")]
    NoLinks,
    /// Two links of one name, so that the limit could not be told by its name.
    #[error("two links of the path are called '{name}'")]
    SameName {
        /// The name.
        name: String,
    },
    /// An efficiency that is no share of a rate.
    #[error("an efficiency of {efficiency} for {link} is not above 0 % and at most 100 %")]
    Efficiency {
        /// The name of the link.
        link: String,
        /// What was stated.
        efficiency: Fraction,
    },
}

impl Explain for ModelError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::OuterFamily { family, .. } => {
                format!("choose {} as the outer address family", other(*family))
            }
            Self::InnerFamily { family, .. } => {
                format!("choose {} as the inner address family", other(*family))
            }
            Self::MtuBelowLeast { family: Family::Ipv6, .. } => {
                "raise that MTU or the one under it, or ask for IPv4 there".to_owned()
            }
            Self::MtuBelowLeast { .. } => "give an MTU of at least 68 bytes".to_owned(),
            Self::NoRoom { .. } => {
                "give the MTU of the link under the tunnel, 1500 on Ethernet".to_owned()
            }
            Self::NoRate => "give the rate of the line, such as 100Mbit/s".to_owned(),
            Self::NoPayload => "give a payload of at least 1 byte".to_owned(),
            Self::PayloadTooLong { payload, length } => {
                let most = i64::from(*payload) - (i64::from(*length) - 65_535);
                format!("give a payload of at most {most} bytes")
            }
            Self::SegmentAboveMtu { length, .. } => {
                format!("state the tunnel interface's MTU; it is {length} bytes or more")
            }
            Self::NoRoundTrip => "give the time of a round trip, such as 40ms".to_owned(),
            Self::SameName { .. } => "give each link a name of its own".to_owned(),
            Self::NoLinks => "name at least one link".to_owned(),
            Self::Efficiency { .. } => {
                "state the share of the link's rate that reaches it, such as 0.6".to_owned()
            }
            Self::ImpossibleStack { .. } => {
                "name at most 4 tunnels, at most one of them over TCP".to_owned()
            }
        })
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Usage
    }
}

const fn other(family: Family) -> Family {
    match family {
        Family::Ipv4 => Family::Ipv6,
        Family::Ipv6 => Family::Ipv4,
    }
}
