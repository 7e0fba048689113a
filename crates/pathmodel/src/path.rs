//! A path of several links: the ceiling on each in one direction, and which of them is the smallest.

use std::num::NonZeroU16;

use culvert_units::{BitRate, Fraction, Mtu};
use serde::{Deserialize, Serialize};

use crate::{
    CeilingQuestion, Counted, Framing, Link, ModelError, all, ceiling::ceiling, route::WireCost,
};

/// The links of a path, and how its receivers acknowledge.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Path {
    /// The links, in any order.
    pub links: Vec<PathLink>,
    /// How many segments one acknowledgement stands for: 2 by RFC 9293 section 3.8.6.3, more where receivers join
    /// acknowledgements.
    pub segments_per_acknowledgement: NonZeroU16,
}

/// One link of a path.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PathLink {
    /// What the practitioner calls it.
    pub name: String,
    /// Its rate for what goes from near to far.
    #[serde(rename = "toward_far_bps")]
    pub toward_far: BitRate,
    /// Its rate for what goes from far to near.
    #[serde(rename = "toward_near_bps")]
    pub toward_near: BitRate,
    /// What surrounds IP packets on it.
    pub framing: Framing,
    /// What its rates count.
    pub counted: Counted,
    /// The longest IP packet it takes; `None` takes what is customary with its framing.
    pub mtu: Option<Mtu>,
    /// Which packets pass it.
    pub carries: Carries,
    /// The share of the rates that it really gives, as the practitioner states it, for media such as Wi-Fi; above 0 and
    /// at most 1.
    pub efficiency: Option<Fraction>,
    /// Whether both directions take turns on it, so that acknowledgements take time from what they acknowledge.
    pub shared: bool,
}

/// Which packets of a tunnel pass a link.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Carries {
    /// Outer packets: the link lies between the tunnel's ends.
    Outer,
    /// Inner packets: the link lies before or behind the tunnel.
    Inner,
}

/// Which end data goes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// From near to far.
    TowardFar,
    /// From far to near.
    TowardNear,
}

/// The ceilings of a path in one direction, link by link.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct PathCeiling {
    /// The direction.
    pub direction: Direction,
    /// One for each link, in the order asked.
    pub links: Vec<LinkCeiling>,
    /// The TCP goodput of the whole path: the smallest of its links.
    #[serde(rename = "tcp_bps")]
    pub tcp: BitRate,
    /// The UDP goodput of the whole path at full-size packets.
    #[serde(rename = "udp_bps")]
    pub udp: BitRate,
    /// Which link bounds TCP: the first of the smallest.
    pub tcp_bound_by: String,
    /// Which link bounds UDP.
    pub udp_bound_by: String,
}

/// What one link lets through.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct LinkCeiling {
    /// The name of the link.
    pub name: String,
    /// Its rate in this direction, efficiency applied.
    #[serde(rename = "rate_bps")]
    pub rate: BitRate,
    /// TCP goodput, headers and, on a shared medium, acknowledgements in the way.
    #[serde(rename = "tcp_bps")]
    pub tcp: BitRate,
    /// UDP goodput at full-size packets.
    #[serde(rename = "udp_bps")]
    pub udp: BitRate,
    /// What the acknowledgements of the whole path's TCP goodput take of the link in the opposite direction.
    #[serde(rename = "acknowledgements_bps")]
    pub acknowledgements: BitRate,
    /// What the link has in the opposite direction, efficiency applied. Where `acknowledgements` exceed it, TCP reaches
    /// its ceiling only with fewer of them.
    #[serde(rename = "opposite_bps")]
    pub opposite: BitRate,
}

impl Path {
    /// A path that acknowledges every second segment.
    pub fn new(links: Vec<PathLink>) -> Self {
        Self { links, segments_per_acknowledgement: NonZeroU16::MIN.saturating_add(1) }
    }

    fn require_names(&self) -> Result<(), ModelError> {
        let mut names: Vec<_> = self.links.iter().map(|link| link.name.as_str()).collect();
        names.sort_unstable();
        let same = names.windows(2).find_map(|pair| match pair {
            [one, other] if one == other => Some((*one).to_owned()),
            _ => None,
        });
        same.map_or(Ok(()), |name| Err(ModelError::SameName { name }))
    }

    /// The longest outer packet that passes every link that carries such; `None` when no link does.
    pub fn underlay_mtu(&self) -> Option<Mtu> {
        let outer = self.links.iter().filter(|link| link.carries == Carries::Outer);
        outer.map(|link| link.mtu.unwrap_or_else(|| link.framing.customary_mtu())).min()
    }
}

/// What full-size packets can bring over `path`, whose links take the place of the question's own.
///
/// The question's `underlay_mtu` is used as it is; [`Path::underlay_mtu`] gives it.
pub fn path_ceiling(
    question: &CeilingQuestion<'_>,
    path: &Path,
    direction: Direction,
) -> Result<PathCeiling, ModelError> {
    path.require_names()?;
    let costs: Vec<_> = path
        .links
        .iter()
        .map(|link| Crossing::new(question, path, link, direction))
        .collect::<Result<_, _>>()?;
    let tcp = costs.iter().min_by_key(|link| link.tcp).ok_or(ModelError::NoLinks)?;
    let udp = costs.iter().min_by_key(|link| link.udp).ok_or(ModelError::NoLinks)?;
    Ok(PathCeiling {
        direction,
        tcp: tcp.tcp,
        udp: udp.udp,
        tcp_bound_by: tcp.name.clone(),
        udp_bound_by: udp.name.clone(),
        links: costs.iter().map(|link| link.ceiling(tcp.tcp)).collect(),
    })
}

/// A link as full-size packets and their acknowledgements meet it.
struct Crossing {
    name: String,
    rate: BitRate,
    opposite: BitRate,
    tcp: BitRate,
    udp: BitRate,
    /// Bytes of acknowledgement on this link for a byte of TCP payload.
    acknowledged: f64,
}

impl Crossing {
    fn new(
        question: &CeilingQuestion<'_>,
        path: &Path,
        link: &PathLink,
        direction: Direction,
    ) -> Result<Self, ModelError> {
        let (forward, opposite) = (link.effective(direction)?, link.effective(direction.other())?);
        let mut here = CeilingQuestion { link: forward, ..question.clone() };
        let full = ceiling(&here)?;
        if link.carries == Carries::Inner {
            here.encapsulation = all().first().ok_or(ModelError::NoLinks)?;
            here.through = Vec::new();
            here.underlay_mtu = full.inner_mtu;
            here.inner_mtu = None;
        }
        let route = here.route()?;
        let cost = route.wire_cost(u32::from(full.inner_mtu.get()));
        let turn = f64::from(full.tcp_payload) * f64::from(path.segments_per_acknowledgement.get());
        let acknowledged = route.wire_cost(here.tcp_headers()).bytes() / turn;
        let (tcp, _) = here.goodput(full.tcp_payload.into(), cost)?;
        let (udp, _) = here.goodput(full.udp_payload.into(), cost)?;
        let crossing = Self {
            name: link.name.clone(),
            rate: forward.rate,
            opposite: opposite.rate,
            tcp,
            udp,
            acknowledged,
        };
        Ok(if link.shared { crossing.taking_turns(cost, full.tcp_payload) } else { crossing })
    }

    /// Both directions in turn: the time of the segments and of their acknowledgements adds up.
    fn taking_turns(self, cost: WireCost, payload: u32) -> Self {
        let per_bit = cost.bytes() / f64::from(payload) / self.rate.bits_per_second() as f64
            + self.acknowledged / self.opposite.bits_per_second() as f64;
        Self { tcp: bit_rate(1.0 / per_bit).min(self.tcp), ..self }
    }

    fn ceiling(&self, path_tcp: BitRate) -> LinkCeiling {
        LinkCeiling {
            name: self.name.clone(),
            rate: self.rate,
            tcp: self.tcp,
            udp: self.udp,
            acknowledgements: bit_rate(path_tcp.bits_per_second() as f64 * self.acknowledged),
            opposite: self.opposite,
        }
    }
}

impl PathLink {
    /// A link with one rate for both directions, each of which has it for itself.
    pub const fn new(name: String, link: Link, carries: Carries) -> Self {
        Self {
            name,
            toward_far: link.rate,
            toward_near: link.rate,
            framing: link.framing,
            counted: link.counted,
            mtu: None,
            carries,
            efficiency: None,
            shared: false,
        }
    }

    /// The link as it is in `direction`, its efficiency taken from the rate.
    pub fn effective(&self, direction: Direction) -> Result<Link, ModelError> {
        let rate = match direction {
            Direction::TowardFar => self.toward_far,
            Direction::TowardNear => self.toward_near,
        };
        if rate.bits_per_second() == 0 {
            return Err(ModelError::NoRate);
        }
        let link = Link { rate, framing: self.framing, counted: self.counted };
        let Some(efficiency) = self.efficiency else { return Ok(link) };
        let share = efficiency.get();
        if !(share > 0.0 && share <= 1.0) {
            return Err(ModelError::Efficiency { link: self.name.clone(), efficiency });
        }
        let parts = scaled(share);
        let bits = u128::from(rate.bits_per_second()) * u128::from(parts) / u128::from(SCALE);
        let rate = BitRate::from_bits_per_second(u64::try_from(bits).unwrap_or(u64::MAX));
        Ok(Link { rate, ..link })
    }
}

impl Direction {
    /// Both, toward far first.
    pub const ALL: [Self; 2] = [Self::TowardFar, Self::TowardNear];

    /// The opposite one.
    #[must_use]
    pub const fn other(self) -> Self {
        match self {
            Self::TowardFar => Self::TowardNear,
            Self::TowardNear => Self::TowardFar,
        }
    }
}

const SCALE: u32 = 1_000_000_000;

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a share of at most 1 stays within the scale"
)]
fn scaled(share: f64) -> u32 {
    (share * f64::from(SCALE)).round() as u32
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "such a cast saturates, and a rate above the largest is cut to it"
)]
fn bit_rate(bits: f64) -> BitRate {
    BitRate::from_bits_per_second(bits as u64)
}
