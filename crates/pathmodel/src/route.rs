//! Packets through tunnels, one in the other, down to the bytes of the link.

use culvert_units::Mtu;

use crate::{Encapsulation, Family, Link, ModelError, fragment_lengths};

/// A tunnel as it is set up.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tunnel<'a> {
    /// Its protocol.
    pub encapsulation: &'a Encapsulation,
    /// The IP version of its outer packets.
    pub outer_family: Family,
    /// The MTU of its interface; `None` takes the customary one, else the largest that fits.
    pub interface_mtu: Option<Mtu>,
}

/// Tunnels resolved from the innermost to the link.
pub(crate) struct Route<'a> {
    hops: Vec<Hop<'a>>,
    link: Link,
    underlay_mtu: Mtu,
    inner_family: Family,
}

pub(crate) struct Hop<'a> {
    pub(crate) encapsulation: &'a Encapsulation,
    pub(crate) outer_family: Family,
    pub(crate) mtu: Mtu,
    /// The largest MTU this interface could have without a packet being split further out.
    largest: Mtu,
    /// The longest packet that travels whole with the MTU it has; `None` when not even the least one does.
    whole: Option<Mtu>,
}

/// Wire bytes as an exact ratio, since a stream shares a segment among packets.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct WireCost {
    pub(crate) bytes: u128,
    pub(crate) per: u128,
}

const MOST_TUNNELS: usize = 4;

impl<'a> Route<'a> {
    /// `tunnels` from the innermost to the outermost; at least one, which may be plain.
    pub(crate) fn new(
        tunnels: &[Tunnel<'a>],
        link: Link,
        underlay_mtu: Mtu,
        inner_family: Family,
    ) -> Result<Self, ModelError> {
        let streams = tunnels.iter().filter(|tunnel| tunnel.encapsulation.is_stream()).count();
        if tunnels.len() > MOST_TUNNELS || streams > 1 {
            return Err(ModelError::ImpossibleStack { count: tunnels.len(), streams });
        }
        let mut hops = Vec::new();
        let mut limit = underlay_mtu;
        for (at, tunnel) in tunnels.iter().enumerate().rev() {
            let carried = at
                .checked_sub(1)
                .and_then(|inside| tunnels.get(inside))
                .map_or(inner_family, |inside| inside.outer_family);
            let hop = Hop::new(tunnel, limit, carried)?;
            limit = hop.whole.unwrap_or(limit);
            hops.push(hop);
        }
        hops.reverse();
        let outermost = tunnels.last().map_or(inner_family, |tunnel| {
            if tunnel.encapsulation.is_plain() { inner_family } else { tunnel.outer_family }
        });
        require_mtu(underlay_mtu, "on the link", outermost)?;
        Ok(Self { hops, link, underlay_mtu, inner_family })
    }

    /// Each tunnel, the innermost first, with the MTU its outer packets meet.
    pub(crate) fn hops(&self) -> impl Iterator<Item = (&Hop<'a>, Mtu)> {
        let outside = self.hops.iter().skip(1).map(|hop| hop.mtu);
        self.hops.iter().zip(outside.chain([self.underlay_mtu]))
    }

    /// The MTU of the innermost interface.
    pub(crate) fn inner_mtu(&self) -> Mtu {
        self.hops.first().map_or(self.underlay_mtu, |hop| hop.mtu)
    }

    /// The largest MTU the innermost interface could have.
    pub(crate) fn largest_inner(&self) -> Mtu {
        self.hops.first().map_or(self.underlay_mtu, |hop| hop.largest)
    }

    /// The longest inner packet that is split nowhere with the MTUs as they are.
    pub(crate) fn whole_inner(&self) -> Option<Mtu> {
        self.hops.first().map_or(Some(self.underlay_mtu), |hop| hop.whole)
    }

    pub(crate) fn is_stream(&self) -> bool {
        self.hops.iter().any(|hop| hop.encapsulation.is_stream())
    }

    /// The pieces in which an inner packet enters the innermost tunnel.
    pub(crate) fn inner_lengths(&self, length: u32) -> Vec<u32> {
        fragment_lengths(length, u32::from(self.inner_mtu().get()), self.inner_family)
    }

    /// The innermost tunnel's outer packet around one of `inner` bytes.
    pub(crate) fn outer_length(&self, inner: u32) -> u32 {
        self.hops.first().map_or(inner, |hop| hop.outer_length(inner))
    }

    /// The IP packets on the link for an inner packet of `length` bytes; for a stream, as if it travelled alone.
    pub(crate) fn packets_on_link(&self, length: u32) -> Vec<u32> {
        let mut family = self.inner_family;
        let mut packets = vec![length];
        for hop in &self.hops {
            packets = packets
                .iter()
                .flat_map(|packet| fragment_lengths(*packet, u32::from(hop.mtu.get()), family))
                .map(|packet| hop.outer_length(packet))
                .collect();
            family = hop.outer_family(family);
        }
        let mtu = u32::from(self.underlay_mtu.get());
        packets.iter().flat_map(|packet| fragment_lengths(*packet, mtu, family)).collect()
    }

    /// What an inner packet of `length` bytes takes of the link's rate.
    pub(crate) fn wire_cost(&self, length: u32) -> WireCost {
        self.cost_from(&self.hops, length, self.inner_family)
    }

    fn cost_from(&self, hops: &[Hop<'_>], length: u32, family: Family) -> WireCost {
        let Some((hop, outside)) = hops.split_first() else {
            let mtu = u32::from(self.underlay_mtu.get());
            let packets = fragment_lengths(length, mtu, family);
            let bytes =
                packets.iter().map(|packet| u128::from(self.link.wire_length(*packet))).sum();
            return WireCost { bytes, per: 1 };
        };
        let packets = fragment_lengths(length, u32::from(hop.mtu.get()), family);
        let next_family = hop.outer_family(family);
        let next_mtu = outside.first().map_or(self.underlay_mtu, |next| next.mtu);
        let segment = u32::from(next_mtu.get());
        let costs = packets.into_iter().map(|packet| {
            match hop.encapsulation.stream_lengths(packet, next_family) {
                None => self.cost_from(outside, hop.outer_length(packet), next_family),
                Some((record, headers)) => {
                    let full = self.cost_from(outside, segment, next_family);
                    let payload = segment.saturating_sub(headers).max(1);
                    WireCost {
                        bytes: full.bytes * u128::from(record),
                        per: full.per * u128::from(payload),
                    }
                }
            }
        });
        costs.reduce(WireCost::plus).unwrap_or(WireCost { bytes: 0, per: 1 })
    }
}

impl<'a> Hop<'a> {
    fn new(tunnel: &Tunnel<'a>, limit: Mtu, carried: Family) -> Result<Self, ModelError> {
        let Tunnel { encapsulation, outer_family, interface_mtu } = *tunnel;
        let largest = encapsulation.largest_inner(limit, outer_family)?;
        if !encapsulation.is_plain() && !encapsulation.families().carries(carried, outer_family) {
            return Err(ModelError::InnerFamily {
                key: encapsulation.key().to_owned(),
                outer: outer_family,
                family: carried,
            });
        }
        let mtu = interface_mtu.or_else(|| encapsulation.customary_mtu()).unwrap_or(largest);
        let place = if encapsulation.is_plain() {
            "on the plain path".to_owned()
        } else {
            format!("inside {}", encapsulation.key())
        };
        require_mtu(mtu, &place, carried)?;
        let whole = encapsulation.largest_inner_within(limit, outer_family, mtu).ok();
        Ok(Self { encapsulation, outer_family, mtu, largest, whole })
    }

    fn outer_length(&self, inner: u32) -> u32 {
        self.encapsulation.length_around(inner, self.outer_family, u32::from(self.mtu.get()))
    }

    /// The family of the packets that leave this hop, `carried` being the one of those that enter it.
    fn outer_family(&self, carried: Family) -> Family {
        if self.encapsulation.is_plain() { carried } else { self.outer_family }
    }
}

impl WireCost {
    fn plus(self, other: Self) -> Self {
        if self.per == other.per {
            return Self { bytes: self.bytes + other.bytes, per: self.per };
        }
        Self { bytes: self.bytes * other.per + other.bytes * self.per, per: self.per * other.per }
    }
}

fn require_mtu(mtu: Mtu, place: &str, family: Family) -> Result<(), ModelError> {
    if mtu.get() >= family.least_mtu() {
        return Ok(());
    }
    Err(ModelError::MtuBelowLeast { mtu: mtu.get(), place: place.to_owned(), family })
}
