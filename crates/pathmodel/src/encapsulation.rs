//! Encapsulations: stacks of layers with what is known about each protocol.

use std::borrow::Cow;

use culvert_units::{Explain, Mtu};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use crate::{Family, Layer, ModelError, ParseEncapsulationError, UnknownEncapsulation, table};

/// Every row of the table, plain first.
pub const fn all() -> &'static [Encapsulation] {
    table::ENCAPSULATIONS
}

/// The row with this key.
pub fn find(key: &str) -> Result<&'static Encapsulation, UnknownEncapsulation> {
    crate::parse::find(key)
}

/// A way to carry IP packets in IP packets, or none.
///
/// Reads and writes as its key: the one of a table row, `geneve:BYTES` for options, or `custom:BYTES[:ALIGNMENT]`.
#[derive(Debug, Clone, PartialEq, Eq, schemars::JsonSchema)]
#[schemars(with = "String")]
pub struct Encapsulation {
    pub(crate) key: Cow<'static, str>,
    pub(crate) name: Cow<'static, str>,
    pub(crate) source: &'static str,
    pub(crate) layers: Cow<'static, [Layer]>,
    pub(crate) protection: Protection,
    pub(crate) families: Families,
    pub(crate) customary_mtu: Option<Mtu>,
    pub(crate) longest_inner: u16,
}

/// What an encapsulation does for secrecy, and why that is so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Protection {
    /// The verdict.
    pub confidentiality: Confidentiality,
    /// The reason with its source.
    pub reason: &'static str,
}

/// Whether strangers on the path can read what is carried.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Confidentiality {
    /// Nothing is encrypted.
    None,
    /// It is encrypted in a way that is known not to hold.
    Broken,
    /// It is encrypted and no practical attack is known.
    Sound,
    /// The model knows sizes only.
    Unknown,
}

/// Which IP versions an encapsulation joins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Families {
    /// Either inside either.
    Any,
    /// Either inside IPv4.
    OverIpv4,
    /// IPv6 inside IPv4.
    Ipv6OverIpv4,
    /// IPv4 inside IPv4.
    Ipv4OverIpv4,
    /// Each inside itself.
    Same,
}

impl Confidentiality {
    /// What helps a stack of tunnels most comes highest; an unknown one helps nobody.
    pub(crate) const fn rank(self) -> u8 {
        match self {
            Self::None => 0,
            Self::Unknown => 1,
            Self::Broken => 2,
            Self::Sound => 3,
        }
    }
}

impl Encapsulation {
    /// Sizes that no row has: `bytes` around an inner packet, outer IP header included, after that packet was rounded
    /// up to a multiple of `alignment`; at most 1000 bytes and an alignment of 1 to 256, else `None`.
    pub fn custom(bytes: u16, alignment: u16) -> Option<Self> {
        ((1..=1000).contains(&bytes) && (1..=256).contains(&alignment)).then(|| Self {
            key: Cow::Owned(format!("custom:{bytes}:{alignment}")),
            name: Cow::Owned(format!("custom: {bytes} bytes around, aligned to {alignment}")),
            source: "as stated by the practitioner",
            layers: Cow::Owned(vec![table::custom_layer(bytes, alignment)]),
            protection: Protection {
                confidentiality: Confidentiality::Unknown,
                reason: "only its sizes were stated",
            },
            families: Families::Any,
            customary_mtu: None,
            longest_inner: u16::MAX,
        })
    }

    /// Geneve with `bytes` of options: a multiple of 4, at most 252 (RFC 8926 section 3.4), else `None`.
    pub fn geneve(bytes: u16) -> Option<Self> {
        (bytes > 0 && bytes <= 252 && bytes.is_multiple_of(4)).then(|| Self {
            key: Cow::Owned(format!("geneve:{bytes}")),
            name: Cow::Owned(format!("Geneve with {bytes} bytes of options")),
            source: "RFC 8926 section 3",
            layers: Cow::Owned(table::geneve_with(bytes)),
            protection: table::OPEN,
            families: Families::Any,
            customary_mtu: None,
            longest_inner: u16::MAX,
        })
    }

    /// The name in plans, records and on command lines.
    pub fn key(&self) -> &str {
        &self.key
    }

    /// The name for people.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Where the arrangement of its layers is published; each layer names the source of its size.
    pub const fn source(&self) -> &'static str {
        self.source
    }

    /// The layers, the outermost first; empty for the plain path.
    pub fn layers(&self) -> &[Layer] {
        &self.layers
    }

    /// Whether strangers can read what it carries, and why.
    pub const fn protection(&self) -> Protection {
        self.protection
    }

    /// Whether it may be recommended for private traffic.
    pub fn keeps_secrets(&self) -> bool {
        self.protection.confidentiality == Confidentiality::Sound
    }

    /// Whether there is no tunnel at all.
    pub fn is_plain(&self) -> bool {
        self.layers.is_empty()
    }

    /// Whether packets become records of a TCP connection; then ceilings are estimates.
    pub fn is_stream(&self) -> bool {
        self.layers.iter().any(Layer::is_stream)
    }

    /// Which IP versions it joins.
    pub const fn families(&self) -> Families {
        self.families
    }

    /// The MTU its interface has when nobody sets one, where the protocol has such a custom.
    pub const fn customary_mtu(&self) -> Option<Mtu> {
        self.customary_mtu
    }

    /// The outer IP packet in bytes for an inner one of `inner` bytes, fragmentation aside.
    ///
    /// `tunnel_mtu` is the MTU of the tunnel interface, which some padding stops at. A stream encapsulation answers
    /// for a packet that travels alone in one segment.
    pub fn outer_length(&self, inner: u16, outer_family: Family, tunnel_mtu: Mtu) -> u32 {
        self.length_around(u32::from(inner), outer_family, u32::from(tunnel_mtu.get()))
    }

    /// The layers around an inner packet of `inner` bytes, the innermost first, each with the length once it is on.
    pub fn breakdown(&self, inner: u16, outer_family: Family, tunnel_mtu: Mtu) -> Vec<Wrapped<'_>> {
        wrap(&self.layers, u32::from(inner), outer_family, u32::from(tunnel_mtu.get()))
    }

    /// The largest MTU the tunnel interface can have so that no outer packet exceeds `underlay_mtu`.
    ///
    /// A stream encapsulation is bounded by its own record format alone.
    pub fn largest_inner(
        &self,
        underlay_mtu: Mtu,
        outer_family: Family,
    ) -> Result<Mtu, ModelError> {
        self.largest(underlay_mtu, outer_family, |inner| inner)
    }

    /// The largest inner packet that fits `underlay_mtu` when the tunnel interface has `tunnel_mtu`; never above that.
    pub fn largest_inner_within(
        &self,
        underlay_mtu: Mtu,
        outer_family: Family,
        tunnel_mtu: Mtu,
    ) -> Result<Mtu, ModelError> {
        let interface = u32::from(tunnel_mtu.get());
        self.largest(underlay_mtu, outer_family, |_| interface).map(|mtu| mtu.min(tunnel_mtu))
    }

    fn largest(
        &self,
        underlay_mtu: Mtu,
        outer_family: Family,
        interface_mtu: impl Fn(u32) -> u32,
    ) -> Result<Mtu, ModelError> {
        self.check_underlay(underlay_mtu, outer_family)?;
        if self.is_stream() {
            return Ok(Mtu::new(self.longest_inner).unwrap_or(underlay_mtu));
        }
        let limit = u32::from(underlay_mtu.get());
        let fits =
            |inner: u32| self.length_around(inner, outer_family, interface_mtu(inner)) <= limit;
        let (mut most, mut above) = (0_u32, u32::from(self.longest_inner) + 1);
        while above - most > 1 {
            let middle = u32::midpoint(most, above);
            if fits(middle) { most = middle } else { above = middle }
        }
        u16::try_from(most).ok().and_then(|most| Mtu::new(most).ok()).ok_or_else(|| {
            ModelError::NoRoom {
                key: self.key.to_string(),
                family: outer_family,
                mtu: underlay_mtu.get(),
            }
        })
    }

    fn check_underlay(&self, underlay_mtu: Mtu, outer_family: Family) -> Result<(), ModelError> {
        if self.is_plain() {
            return Ok(());
        }
        if !self.families.over(outer_family) {
            return Err(ModelError::OuterFamily {
                key: self.key.to_string(),
                family: outer_family,
            });
        }
        if underlay_mtu.get() < outer_family.least_mtu() {
            return Err(ModelError::MtuBelowLeast {
                mtu: underlay_mtu.get(),
                place: format!("under {}", self.key),
                family: outer_family,
            });
        }
        Ok(())
    }

    /// The outer packet around `inner` bytes, all layers applied.
    pub(crate) fn length_around(&self, inner: u32, outer_family: Family, mtu: u32) -> u32 {
        self.layers.iter().rev().fold(inner, |n, layer| layer.length_around(n, outer_family, mtu))
    }

    /// For a stream: the layers of each outer segment, and those of a record in it.
    pub(crate) fn stream_parts(&self) -> Option<(&[Layer], &[Layer])> {
        let at = self.layers.iter().position(Layer::is_stream)?;
        self.layers.split_at_checked(at + 1)
    }

    /// For a stream: what a packet of `inner` bytes adds to the stream, and the headers of each outer segment.
    pub(crate) fn stream_lengths(&self, inner: u32, outer_family: Family) -> Option<(u32, u32)> {
        let (outside, inside) = self.stream_parts()?;
        let around = |layers: &[Layer], n: u32| {
            layers.iter().rev().fold(n, |n, layer| layer.length_around(n, outer_family, inner))
        };
        Some((around(inside, inner), around(outside, 0)))
    }
}

/// `layers` around `inner` bytes, the innermost first.
pub(crate) fn wrap(layers: &[Layer], inner: u32, family: Family, mtu: u32) -> Vec<Wrapped<'_>> {
    let mut carried = inner;
    let wrapped = layers.iter().rev().map(|layer| {
        let length = layer.length_around(carried, family, mtu);
        let padding = layer.padding_around(carried, mtu);
        let headers = i64::from(length) - i64::from(carried) - i64::from(padding);
        carried = length;
        Wrapped { layer, headers, padding, length }
    });
    wrapped.collect()
}

/// A layer around what it carries; all sizes in bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Wrapped<'a> {
    /// The layer.
    pub layer: &'a Layer,
    /// Its header and trailer; negative for a header that moves outside.
    pub headers: i64,
    /// What it adds to reach its alignment.
    pub padding: u32,
    /// The length with this layer.
    pub length: u32,
}

impl Families {
    /// Whether packets of `outer` may carry it.
    pub const fn over(self, outer: Family) -> bool {
        matches!(
            (self, outer),
            (Self::Any | Self::Same, _)
                | (Self::OverIpv4 | Self::Ipv6OverIpv4 | Self::Ipv4OverIpv4, Family::Ipv4)
        )
    }

    /// Whether it carries packets of `inner` over `outer`.
    pub const fn carries(self, inner: Family, outer: Family) -> bool {
        self.over(outer)
            && match self {
                Self::Any | Self::OverIpv4 => true,
                Self::Ipv6OverIpv4 => matches!(inner, Family::Ipv6),
                Self::Ipv4OverIpv4 => matches!(inner, Family::Ipv4),
                Self::Same => matches!(
                    (inner, outer),
                    (Family::Ipv4, Family::Ipv4) | (Family::Ipv6, Family::Ipv6)
                ),
            }
    }
}

impl Serialize for Encapsulation {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.key)
    }
}

impl<'de> Deserialize<'de> for Encapsulation {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(|error: ParseEncapsulationError| {
            let hint = error.hint().map_or_else(String::new, |hint| format!("; {hint}"));
            de::Error::custom(format!("{error}{hint}"))
        })
    }
}

impl std::fmt::Display for Encapsulation {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(&self.name)
    }
}
