//! A path of several links: the ceiling on each, and which of them is the smallest.

use std::num::NonZeroU16;

use culvert_units::{BitRate, Fraction};
use serde::{Deserialize, Serialize};

use crate::{CeilingQuestion, Link, ModelError, all, ceiling::ceiling};

/// One link of a path, in the direction that is asked about.
#[derive(Debug, Clone, PartialEq)]
pub struct PathLink {
    /// What the practitioner calls it.
    pub name: String,
    /// Its rate in this direction, and its framing.
    pub link: Link,
    /// Which packets pass it.
    pub carries: Carries,
    /// The share of the rate that it really gives, as the practitioner states it, for media such as Wi-Fi; above 0 and
    /// at most 1.
    pub efficiency: Option<Fraction>,
    /// For a medium on which both directions take turns: how many segments one acknowledgement stands for, 2 by RFC 9293
    /// section 3.8.6.3, more where receivers join acknowledgements.
    pub shared: Option<NonZeroU16>,
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

/// The ceilings of a path, link by link.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, schemars::JsonSchema)]
pub struct PathCeiling {
    /// One for each link, in the order asked.
    pub links: Vec<LinkCeiling>,
    /// The TCP goodput of the whole path: the smallest of its links.
    pub tcp: BitRate,
    /// The UDP goodput of the whole path at full-size packets.
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
    /// TCP goodput, headers and, on a shared medium, acknowledgements in the way.
    pub tcp: BitRate,
    /// UDP goodput at full-size packets.
    pub udp: BitRate,
}

/// What full-size packets can bring over `links`, each taking the place of the question's own link.
///
/// The question's `underlay_mtu` is the smallest among the links that carry outer packets.
pub fn path_ceiling(
    question: &CeilingQuestion<'_>,
    links: &[PathLink],
) -> Result<PathCeiling, ModelError> {
    let ceilings: Vec<_> =
        links.iter().map(|link| link_ceiling(question, link)).collect::<Result<_, _>>()?;
    let tcp = ceilings.iter().min_by_key(|link| link.tcp).ok_or(ModelError::NoLinks)?;
    let udp = ceilings.iter().min_by_key(|link| link.udp).ok_or(ModelError::NoLinks)?;
    Ok(PathCeiling {
        tcp: tcp.tcp,
        udp: udp.udp,
        tcp_bound_by: tcp.name.clone(),
        udp_bound_by: udp.name.clone(),
        links: ceilings,
    })
}

fn link_ceiling(
    question: &CeilingQuestion<'_>,
    link: &PathLink,
) -> Result<LinkCeiling, ModelError> {
    let mut here = CeilingQuestion { link: link.effective()?, ..question.clone() };
    let full = ceiling(&here)?;
    if link.carries == Carries::Inner {
        here.encapsulation = all().first().ok_or(ModelError::NoLinks)?;
        here.through = Vec::new();
        here.underlay_mtu = full.inner_mtu;
        here.inner_mtu = None;
    }
    let route = here.route()?;
    let cost = route.wire_cost(u32::from(full.inner_mtu.get()));
    let udp = here.goodput(full.udp_payload.into(), cost)?;
    let tcp = match link.shared {
        None => here.goodput(full.tcp_payload.into(), cost)?,
        Some(segments) => {
            let acknowledgement = route.wire_cost(here.tcp_headers());
            let turn = cost.times(segments.get().into()).plus(acknowledgement);
            here.goodput(u64::from(full.tcp_payload) * u64::from(segments.get()), turn)?
        }
    };
    Ok(LinkCeiling { name: link.name.clone(), tcp: tcp.0, udp: udp.0 })
}

impl PathLink {
    /// A link that gives its whole rate in each direction by itself.
    pub const fn new(name: String, link: Link, carries: Carries) -> Self {
        Self { name, link, carries, efficiency: None, shared: None }
    }

    fn effective(&self) -> Result<Link, ModelError> {
        let Some(efficiency) = self.efficiency else { return Ok(self.link) };
        let share = efficiency.get();
        if !(share > 0.0 && share <= 1.0) {
            return Err(ModelError::Efficiency { link: self.name.clone(), efficiency });
        }
        let parts = scaled(share);
        let bits =
            u128::from(self.link.rate.bits_per_second()) * u128::from(parts) / u128::from(SCALE);
        let rate = BitRate::from_bits_per_second(u64::try_from(bits).unwrap_or(u64::MAX));
        Ok(Link { rate, ..self.link })
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
