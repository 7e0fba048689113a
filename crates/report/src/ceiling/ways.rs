//! A path's two directions: what passes, which link is the limit, and what bounds one connection.

use culvert_pathmodel::{
    BoundKind, Carries, Ceiling, CeilingQuestion, Conditions, Counted, Direction, Framing, Link,
    LinkCeiling, LossResponse, ModelError, Outlook, Path, PathLink, outlook, path_ceiling,
};
use culvert_units::{BitRate, Bytes, Fraction, format_duration};
use serde::Serialize;

/// One direction, or both where they are alike.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(crate) struct Way {
    /// Where data goes; `null` for both.
    pub(crate) toward: Option<Direction>,
    /// TCP goodput that every link lets through.
    #[serde(rename = "tcp_bps")]
    pub(crate) tcp: BitRate,
    /// UDP goodput at full-size packets that every link lets through.
    #[serde(rename = "udp_bps")]
    pub(crate) udp: BitRate,
    /// TCP goodput as a share of that without a tunnel; `null` where the model refuses the plain path.
    pub(crate) share_of_plain: Option<Fraction>,
    /// UDP goodput in full-size packets per second.
    pub(crate) packets_per_second: u64,
    /// Which link bounds TCP; `null` when the path was given as one link.
    pub(crate) tcp_bound_by: Option<String>,
    /// What each link lets through; empty when the path was given as one link.
    pub(crate) links: Vec<LinkCeiling>,
    /// What bounds one connection; `null` when its conditions were not given.
    pub(crate) outlook: Option<Outlook>,
}

/// What passes over `path`, or over the question's own link.
pub(super) fn ways(
    question: &CeilingQuestion<'_>,
    full: &Ceiling,
    path: Option<&Path>,
    conditions: Option<&Conditions>,
) -> Result<Vec<Way>, ModelError> {
    let segment = Bytes::new(full.tcp_payload.into());
    let bounds = |tcp, bottleneck| {
        conditions.map(|conditions| outlook(tcp, bottleneck, segment, conditions)).transpose()
    };
    let Some(path) = path else {
        return Ok(vec![Way {
            toward: None,
            tcp: full.tcp,
            udp: full.udp,
            share_of_plain: None,
            packets_per_second: full.packets_per_second,
            tcp_bound_by: None,
            links: Vec::new(),
            outlook: bounds(full.tcp, question.link.rate)?,
        }]);
    };
    let mut found = Vec::new();
    for direction in Direction::ALL {
        let answer = path_ceiling(question, path, direction)?;
        let limit = answer.links.iter().find(|link| link.name == answer.tcp_bound_by);
        let bottleneck = limit.map_or(answer.tcp, |link| link.rate);
        found.push(Way {
            toward: Some(direction),
            tcp: answer.tcp,
            udp: answer.udp,
            share_of_plain: None,
            packets_per_second: answer.udp.bits_per_second()
                / (u64::from(full.udp_payload) * 8).max(1),
            tcp_bound_by: Some(answer.tcp_bound_by),
            links: answer.links,
            outlook: bounds(answer.tcp, bottleneck)?,
        });
    }
    Ok(found)
}

impl Way {
    pub(super) fn beside(self, plain: Option<&Self>) -> Self {
        let bits = |way: &Self| way.tcp.bits_per_second() as f64;
        let share_of_plain = plain.and_then(|plain| Fraction::of(bits(&self), bits(plain)));
        Self { share_of_plain, ..self }
    }

    /// Links that cannot bring back what this way's TCP makes its receiver acknowledge.
    pub(super) fn short_of_acknowledgements(&self) -> impl Iterator<Item = &LinkCeiling> {
        self.links.iter().filter(|link| link.acknowledgements > link.opposite)
    }
}

pub(super) fn short_text(link: &LinkCeiling) -> String {
    format!(
        "acknowledgements take {} of {}, which has {} in their direction: TCP stays below, unless one stands for more \
         segments",
        link.acknowledgements, link.name, link.opposite
    )
}

/// Where a way goes, for people.
pub(super) const fn toward(way: &Way) -> Option<&'static str> {
    match way.toward {
        None => None,
        Some(Direction::TowardFar) => Some("far"),
        Some(Direction::TowardNear) => Some("near"),
    }
}

pub(super) fn link_text(link: &Link) -> String {
    format!("{} {}, {}", link.rate, framing(link.framing), counted(link.counted))
}

pub(super) fn path_link_text(link: &PathLink) -> String {
    let rates = if link.toward_far == link.toward_near {
        link.toward_far.to_string()
    } else {
        format!("{} toward far, {} toward near", link.toward_far, link.toward_near)
    };
    let mtu = link.mtu.unwrap_or_else(|| link.framing.customary_mtu());
    let mut facts = vec![rates, framing(link.framing).to_owned(), counted(link.counted).to_owned()];
    facts.push(match link.carries {
        Carries::Outer => format!("MTU {mtu}, under the tunnel"),
        Carries::Inner => "outside of the tunnel's ends".to_owned(),
    });
    facts.extend(link.efficiency.map(|share| format!("{share} of it as stated")));
    facts.extend(link.shared.then(|| "both directions take turns".to_owned()));
    format!("{}: {}", link.name, facts.join(", "))
}

pub(super) fn conditions_text(conditions: &Conditions) -> String {
    let mut facts = vec![format!("round trip {}", format_duration(conditions.rtt))];
    facts.extend(conditions.window.map(|window| format!("window {window}")));
    facts.extend(conditions.buffer.map(|buffer| format!("socket buffer {buffer}")));
    facts.extend(conditions.loss.map(|loss| format!("loss {} %", loss.get() * 100.0)));
    facts.push(match conditions.control {
        LossResponse::Cubic => "CUBIC".to_owned(),
        LossResponse::Reno => "Reno".to_owned(),
    });
    format!("one TCP connection: {}", facts.join(", "))
}

pub(super) const fn bound(kind: BoundKind) -> &'static str {
    match kind {
        BoundKind::Headers => "headers",
        BoundKind::Window => "window",
        BoundKind::Buffer => "socket buffer",
        BoundKind::LossCubic => "loss (CUBIC)",
        BoundKind::LossReno => "loss (Reno)",
        BoundKind::LossTimeouts => "loss (timeouts)",
    }
}

const fn framing(framing: Framing) -> &'static str {
    match framing {
        Framing::Ethernet => "Ethernet",
        Framing::EthernetVlan => "Ethernet with VLAN tag",
        Framing::Pppoe => "PPPoE on Ethernet",
        Framing::PppoeVlan => "PPPoE on Ethernet with VLAN tag",
        Framing::PppoaAtm => "PPP on ATM cells",
        Framing::PppoeAtm => "PPPoE on ATM cells",
        Framing::Ppp => "PPP on a serial line",
    }
}

const fn counted(counted: Counted) -> &'static str {
    match counted {
        Counted::Line => "all of the line counted",
        Counted::Frame => "frames counted",
        Counted::IpLayer => "IP packets counted",
    }
}
