//! One layer of an encapsulation: the bytes it puts around what it carries.

use crate::Family;

/// One layer of an encapsulation, with the source of its size.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Layer {
    name: &'static str,
    rule: Rule,
    source: &'static str,
}

/// How a layer turns the length it carries into its own length; all sizes in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// The outer IP header: 20 or 40 bytes.
    IpHeader,
    /// The carried packet's own IP header is taken off, to be put in front again by the outermost layer
    /// (ESP transport mode).
    TakesIpHeader,
    /// A header, a trailer or both, always of the same size.
    Fixed(u16),
    /// `up(n + inside, alignment) + around`, where `up` rounds up to a multiple.
    Padded {
        /// Bytes that are padded together with the carried packet.
        inside: u16,
        /// What the padded part is a multiple of; at least 1.
        alignment: u16,
        /// Bytes outside of the padded part.
        around: u16,
    },
    /// `min(up(n, alignment), interface MTU) + around`; a packet above the MTU is not padded.
    PaddedWithinMtu {
        /// What the padded part is a multiple of, unless the MTU cuts it; at least 1.
        alignment: u16,
        /// Bytes outside of the padded part.
        around: u16,
    },
    /// A TCP connection: what it carries is written into a stream, whose segments have nothing to do with packets.
    Stream {
        /// The TCP header with options, per segment.
        header: u16,
    },
}

impl Layer {
    pub(crate) const fn new(name: &'static str, rule: Rule, source: &'static str) -> Self {
        Self { name, rule, source }
    }

    pub(crate) const fn fixed(name: &'static str, bytes: u16, source: &'static str) -> Self {
        Self::new(name, Rule::Fixed(bytes), source)
    }

    /// What practitioners call it.
    pub const fn name(&self) -> &'static str {
        self.name
    }

    /// How it determines its length.
    pub const fn rule(&self) -> Rule {
        self.rule
    }

    /// Where its size is published.
    pub const fn source(&self) -> &'static str {
        self.source
    }

    /// Its length around `carried` bytes; never shorter for more carried bytes.
    pub(crate) fn length_around(&self, carried: u32, family: Family, interface_mtu: u32) -> u32 {
        match self.rule {
            Rule::IpHeader => carried.saturating_add(family.header_length()),
            Rule::TakesIpHeader => carried.saturating_sub(family.header_length()),
            Rule::Fixed(bytes) | Rule::Stream { header: bytes } => {
                carried.saturating_add(u32::from(bytes))
            }
            Rule::Padded { inside, alignment, around } => {
                round_up(carried.saturating_add(u32::from(inside)), alignment)
                    .saturating_add(u32::from(around))
            }
            Rule::PaddedWithinMtu { alignment, around } => round_up(carried, alignment)
                .min(interface_mtu.max(carried))
                .saturating_add(u32::from(around)),
        }
    }

    /// The bytes it adds to `carried` to reach its alignment.
    pub(crate) fn padding_around(&self, carried: u32, interface_mtu: u32) -> u32 {
        match self.rule {
            Rule::Padded { inside, alignment, .. } => {
                let filled = carried.saturating_add(u32::from(inside));
                round_up(filled, alignment) - filled
            }
            Rule::PaddedWithinMtu { alignment, .. } => {
                round_up(carried, alignment).min(interface_mtu.max(carried)) - carried
            }
            Rule::IpHeader | Rule::TakesIpHeader | Rule::Fixed(_) | Rule::Stream { .. } => 0,
        }
    }

    pub(crate) const fn is_stream(&self) -> bool {
        matches!(self.rule, Rule::Stream { .. })
    }
}

fn round_up(length: u32, alignment: u16) -> u32 {
    length.checked_next_multiple_of(u32::from(alignment.max(1))).unwrap_or(u32::MAX)
}
