//! The ceiling of a path: what its link rate leaves for payload once every header is paid.

use culvert_units::{BitRate, Fraction, Mtu};
use serde::Serialize;

use crate::{
    Encapsulation, Family, Link, ModelError, Protection,
    route::{Route, Tunnel, WireCost},
};

/// What the model needs to know of a path.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CeilingQuestion<'a> {
    /// The link that carries the outer packets.
    pub link: Link,
    /// The longest IP packet that link takes.
    pub underlay_mtu: Mtu,
    /// The tunnel, or the plain path.
    pub encapsulation: &'a Encapsulation,
    /// The IP version of the tunnel's outer packets; without a tunnel it has no meaning.
    pub outer_family: Family,
    /// The IP version of the packets inside.
    pub inner_family: Family,
    /// The MTU of the tunnel interface; `None` takes the customary one, else the largest that fits.
    pub inner_mtu: Option<Mtu>,
    /// Whether TCP segments inside carry timestamps (RFC 7323).
    pub timestamps: bool,
    /// Tunnels around this one, the innermost first; usually none.
    pub through: Vec<Tunnel<'a>>,
}

/// The answer to a [`CeilingQuestion`]: bounds no path of this shape can exceed.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Ceiling {
    /// The MTU of the tunnel interface, as asked for or assumed.
    #[serde(rename = "inner_mtu_bytes")]
    pub inner_mtu: Mtu,
    /// The MTU to set there: the largest with which no outer packet is split.
    #[serde(rename = "largest_inner_bytes")]
    pub largest_inner: Mtu,
    /// The tunnel's outer packet in bytes around an inner packet of `inner_mtu`, before any split; around a packet
    /// that travels alone for a stream encapsulation.
    #[serde(rename = "outer_length_bytes")]
    pub outer_length: u32,
    /// The IP packets in bytes that one full-size inner packet becomes on the link; more than one means it is split.
    #[serde(rename = "packets_on_link_bytes")]
    pub packets_on_link: Vec<u32>,
    /// What a full-size inner packet takes of the link's rate in bytes, rounded up.
    #[serde(rename = "wire_length_bytes")]
    pub wire_length: u64,
    /// The TCP payload of a full-size inner packet in bytes.
    #[serde(rename = "tcp_payload_bytes")]
    pub tcp_payload: u32,
    /// The UDP payload of a full-size inner packet in bytes.
    #[serde(rename = "udp_payload_bytes")]
    pub udp_payload: u32,
    /// The TCP goodput, headers alone in the way.
    #[serde(rename = "tcp_bps")]
    pub tcp: BitRate,
    /// The UDP goodput at `udp_payload`.
    #[serde(rename = "udp_bps")]
    pub udp: BitRate,
    /// TCP goodput as a share of the link's rate.
    pub tcp_share: Fraction,
    /// UDP goodput as a share of the link's rate.
    pub udp_share: Fraction,
    /// Full-size inner packets per second, rounded down.
    pub packets_per_second: u64,
    /// The maximum segment size to announce or clamp to, in bytes, so that no TCP packet is split: the MTU less the
    /// fixed headers (RFC 6691 section 2).
    #[serde(rename = "mss_clamp_bytes")]
    pub mss_clamp: u32,
    /// Whether the tunnel is a stream, whose acknowledgements and nested retransmissions are not in these figures.
    pub is_estimate: bool,
}

/// What a path carries when every packet has one given payload.
#[derive(Debug, Clone, PartialEq, Serialize, schemars::JsonSchema)]
pub struct SizedCeiling {
    /// The payload in bytes.
    pub payload: u16,
    /// The inner IP packets in bytes that it becomes: more than one when it exceeds the inner MTU.
    pub inner_lengths: Vec<u32>,
    /// The IP packets in bytes on the link, those of all inner packets.
    pub packets_on_link: Vec<u32>,
    /// What one payload takes of the link's rate in bytes, rounded up.
    pub wire_length: u64,
    /// The goodput, headers alone in the way.
    #[serde(rename = "goodput_bps")]
    pub goodput: BitRate,
    /// The goodput as a share of the link's rate.
    pub share: Fraction,
    /// Payloads per second, rounded down.
    pub payloads_per_second: u64,
    /// Whether the tunnel is a stream, whose acknowledgements and nested retransmissions are not in these figures.
    pub is_estimate: bool,
}

/// What full-size packets can bring through the path.
pub fn ceiling(question: &CeilingQuestion<'_>) -> Result<Ceiling, ModelError> {
    let route = question.route()?;
    let inner_mtu = route.inner_mtu();
    let full = u32::from(inner_mtu.get());
    let ip = question.inner_family.header_length();
    let tcp_payload = full.saturating_sub(question.tcp_headers());
    let udp_payload = full.saturating_sub(ip + UDP_HEADER);
    let cost = route.wire_cost(full);
    let (tcp, tcp_share) = question.goodput(tcp_payload.into(), cost)?;
    let (udp, udp_share) = question.goodput(udp_payload.into(), cost)?;
    let clamp = route.whole_inner().unwrap_or(inner_mtu).min(inner_mtu);
    Ok(Ceiling {
        inner_mtu,
        largest_inner: route.largest_inner(),
        outer_length: route.outer_length(full),
        packets_on_link: route.packets_on_link(full),
        wire_length: cost.rounded_up(),
        tcp_payload,
        udp_payload,
        tcp,
        udp,
        tcp_share,
        udp_share,
        packets_per_second: question.per_second(cost),
        mss_clamp: u32::from(clamp.get()).saturating_sub(ip + TCP_HEADER),
        is_estimate: route.is_stream(),
    })
}

/// What datagrams of `payload` bytes can bring through the path; those above the inner MTU travel in pieces.
pub fn ceiling_for_udp_payload(
    question: &CeilingQuestion<'_>,
    payload: u16,
) -> Result<SizedCeiling, ModelError> {
    let length = u32::from(payload) + question.inner_family.header_length() + UDP_HEADER;
    if length > u32::from(u16::MAX) {
        return Err(ModelError::PayloadTooLong { payload, length });
    }
    question.sized(&question.route()?, payload, length)
}

/// What TCP segments of `payload` bytes can bring through the path: the segment size a connection was seen to use,
/// options not counted.
pub fn ceiling_for_segment(
    question: &CeilingQuestion<'_>,
    payload: u16,
) -> Result<SizedCeiling, ModelError> {
    let route = question.route()?;
    let length = u32::from(payload) + question.tcp_headers();
    if length > u32::from(route.inner_mtu().get()) {
        return Err(ModelError::SegmentAboveMtu { payload, length, mtu: route.inner_mtu() });
    }
    question.sized(&route, payload, length)
}

impl<'a> CeilingQuestion<'a> {
    /// A path over `link` at its customary MTU, IPv4 outside and inside, the tunnel's own MTU, with timestamps.
    pub const fn new(link: Link, encapsulation: &'a Encapsulation) -> Self {
        Self {
            link,
            underlay_mtu: link.framing.customary_mtu(),
            encapsulation,
            outer_family: Family::Ipv4,
            inner_family: Family::Ipv4,
            inner_mtu: None,
            timestamps: true,
            through: Vec::new(),
        }
    }

    /// Whether it names no tunnel at all.
    pub fn is_plain(&self) -> bool {
        self.encapsulation.is_plain()
            && self.through.iter().all(|tunnel| tunnel.encapsulation.is_plain())
    }

    /// Whether strangers can read what passes its tunnels, and the tunnel that decides it: the innermost with the best
    /// verdict.
    pub fn protection(&self) -> (Protection, &'a Encapsulation) {
        let around = self.through.iter().map(|tunnel| tunnel.encapsulation);
        std::iter::once(self.encapsulation)
            .chain(around)
            .map(|encapsulation| (encapsulation.protection(), encapsulation))
            .reduce(|best, next| {
                let better = next.0.confidentiality.rank() > best.0.confidentiality.rank();
                if better { next } else { best }
            })
            .unwrap_or_else(|| (self.encapsulation.protection(), self.encapsulation))
    }

    pub(crate) fn route(&self) -> Result<Route<'a>, ModelError> {
        if self.link.rate.bits_per_second() == 0 {
            return Err(ModelError::NoRate);
        }
        let mut tunnels = vec![Tunnel {
            encapsulation: self.encapsulation,
            outer_family: if self.encapsulation.is_plain() {
                self.inner_family
            } else {
                self.outer_family
            },
            interface_mtu: self.inner_mtu,
        }];
        tunnels.extend(self.through.iter().cloned());
        Route::new(&tunnels, self.link, self.underlay_mtu, self.inner_family)
    }

    fn sized(
        &self,
        route: &Route<'_>,
        payload: u16,
        length: u32,
    ) -> Result<SizedCeiling, ModelError> {
        if payload == 0 {
            return Err(ModelError::NoPayload);
        }
        let cost = route.wire_cost(length);
        let (goodput, share) = self.goodput(u64::from(payload), cost)?;
        Ok(SizedCeiling {
            payload,
            inner_lengths: route.inner_lengths(length),
            packets_on_link: route.packets_on_link(length),
            wire_length: cost.rounded_up(),
            goodput,
            share,
            payloads_per_second: self.per_second(cost),
            is_estimate: route.is_stream(),
        })
    }

    pub(crate) fn goodput(
        &self,
        payload: u64,
        cost: WireCost,
    ) -> Result<(BitRate, Fraction), ModelError> {
        let carried = u128::from(payload) * cost.per;
        let bits = (u128::from(self.link.rate.bits_per_second()) * carried)
            .checked_div(cost.bytes)
            .and_then(|bits| u64::try_from(bits).ok())
            .ok_or(ModelError::NoPayload)?;
        let share = Fraction::of(carried as f64, cost.bytes as f64).ok_or(ModelError::NoPayload)?;
        Ok((BitRate::from_bits_per_second(bits), share))
    }

    fn per_second(&self, cost: WireCost) -> u64 {
        (u128::from(self.link.rate.bits_per_second()) * cost.per)
            .checked_div(cost.bytes * 8)
            .and_then(|packets| u64::try_from(packets).ok())
            .unwrap_or(0)
    }

    /// The headers of a TCP packet inside: IP, TCP, and 12 bytes for the timestamps option with its padding (RFC 7323
    /// section 1.3 and appendix A).
    pub(crate) const fn tcp_headers(&self) -> u32 {
        let options = if self.timestamps { 12 } else { 0 };
        self.inner_family.header_length() + TCP_HEADER + options
    }
}

impl Ceiling {
    /// Whether a full-size inner packet is split on its way.
    pub fn fragments(&self) -> bool {
        !self.is_estimate && self.packets_on_link.len() > 1
    }
}

impl SizedCeiling {
    /// Whether such a payload is split on its way, inside or outside of the tunnel.
    pub fn fragments(&self) -> bool {
        self.inner_lengths.len() > 1 || (!self.is_estimate && self.packets_on_link.len() > 1)
    }
}

impl WireCost {
    pub(crate) fn bytes(self) -> f64 {
        self.bytes as f64 / self.per.max(1) as f64
    }

    fn rounded_up(self) -> u64 {
        u64::try_from(self.bytes.div_ceil(self.per.max(1))).unwrap_or(u64::MAX)
    }
}

const TCP_HEADER: u32 = 20;
pub(crate) const UDP_HEADER: u32 = 8;
