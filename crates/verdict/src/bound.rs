//! What the model says a path can carry at most, from what is known of it.

use culvert_pathmodel::{
    CeilingQuestion, Counted as Counts, Encapsulation, Family, Framing, Link, SizedCeiling,
    ceiling_for_segment, ceiling_for_udp_payload,
};
use culvert_record::{Counted, Kind, Line, PlannedPath, RunRecord, SurveyHeader, Way};
use culvert_units::{BitRate, Mtu};
use serde::Serialize;

use crate::{Session, session::PathKey};

/// The ceiling of one path, session and direction.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Bound {
    /// What the path can carry at most, payload bits per second; `null` when that cannot be said.
    pub bps: Option<u64>,
    /// Why there is no ceiling.
    pub missing: Option<String>,
    /// Payload per byte that the link's rate counts, on the link that limits, else on Ethernet.
    pub payload_per_wire_byte: Option<f64>,
    /// What was assumed because neither the plan nor the runs say it.
    pub assumed: Vec<String>,
}

/// What a bound is asked of.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Subject<'a> {
    pub(crate) header: Option<&'a SurveyHeader>,
    pub(crate) path: &'a PathKey,
    /// The outside path that carries it, if one was measured.
    pub(crate) outside: Option<&'a PathKey>,
    pub(crate) session: &'a Session,
    pub(crate) toward: Way,
    /// The valid runs.
    pub(crate) runs: &'a [&'a RunRecord],
}

/// The ceiling of the subject; its reason when there is none.
pub(crate) fn bound(subject: Subject<'_>) -> Bound {
    let mut assumed = Vec::new();
    let encapsulation = match subject.encapsulation() {
        Ok(encapsulation) => encapsulation,
        Err(missing) => return Bound { missing: Some(missing), ..Bound::default() },
    };
    let facts = subject.facts(&encapsulation, &mut assumed);
    let (links, missing) = match links(subject.header, subject.toward) {
        Ok(links) => (links, None),
        // The ratio of two ceilings does not depend on the rate.
        Err(missing) => (vec![Link::ethernet(BitRate::from_megabits(1_000))], Some(missing)),
    };
    let ceilings: Result<Vec<_>, _> = links.iter().map(|link| facts.on(*link)).collect();
    match ceilings {
        Err(error) => Bound { missing: Some(error.to_string()), assumed, ..Bound::default() },
        Ok(ceilings) => {
            let least = ceilings.iter().min_by_key(|ceiling| ceiling.goodput);
            Bound {
                bps: least
                    .filter(|_| missing.is_none())
                    .map(|ceiling| ceiling.goodput.bits_per_second()),
                missing,
                payload_per_wire_byte: least.map(|ceiling| ceiling.share.get()),
                assumed,
            }
        }
    }
}

/// Everything but the link that a ceiling depends on.
struct Facts<'a> {
    encapsulation: &'a Encapsulation,
    underlay_mtu: Mtu,
    outer_family: Family,
    inner_family: Family,
    inner_mtu: Option<Mtu>,
    timestamps: bool,
    payload: Payload,
}

#[derive(Clone, Copy)]
enum Payload {
    Segment(u16),
    FullSegment,
    Datagram(u16),
}

impl Facts<'_> {
    fn on(&self, link: Link) -> Result<SizedCeiling, culvert_pathmodel::ModelError> {
        let mut question = CeilingQuestion::new(link, self.encapsulation);
        question.underlay_mtu = self.underlay_mtu;
        question.outer_family = self.outer_family;
        question.inner_family = self.inner_family;
        question.inner_mtu = self.inner_mtu;
        question.timestamps = self.timestamps;
        match self.payload {
            Payload::Datagram(payload) => ceiling_for_udp_payload(&question, payload),
            Payload::Segment(payload) => ceiling_for_segment(&question, payload),
            Payload::FullSegment => {
                let full = culvert_pathmodel::ceiling(&question)?.tcp_payload;
                ceiling_for_segment(&question, u16::try_from(full).unwrap_or(u16::MAX))
            }
        }
    }
}

impl Subject<'_> {
    fn encapsulation(&self) -> Result<Encapsulation, String> {
        let stated = self.path.encapsulation.as_deref();
        let key = match (stated, self.path.is_inside()) {
            (Some(key), _) => key,
            (None, false) => PLAIN,
            (None, true) => return Err("its encapsulation is not stated".to_owned()),
        };
        key.parse().map_err(|error: culvert_pathmodel::ParseEncapsulationError| error.to_string())
    }

    fn facts<'e>(&self, encapsulation: &'e Encapsulation, assumed: &mut Vec<String>) -> Facts<'e> {
        let mut assume = |what: String| assumed.push(what);
        let inner_family = self.path.family.unwrap_or_else(|| {
            assume("IPv4 packets".to_owned());
            Family::Ipv4
        });
        let outer_family = self.outer_family(encapsulation, inner_family, &mut assume);
        let underlay = if encapsulation.is_plain() { Some(self.path) } else { self.outside };
        let underlay_mtu = underlay.and_then(|path| self.planned_mtu(path)).unwrap_or_else(|| {
            assume("an MTU of 1500 bytes outside".to_owned());
            Mtu::ETHERNET
        });
        let inner_mtu = if encapsulation.is_plain() {
            None
        } else {
            self.planned_mtu(self.path).or_else(|| self.observed_mtu())
        };
        let (payload, timestamps) = self.payload(&mut assume);
        Facts {
            encapsulation,
            underlay_mtu,
            outer_family,
            inner_family,
            inner_mtu: roomy(inner_mtu, payload, timestamps, inner_family),
            timestamps,
            payload,
        }
    }

    fn outer_family(
        &self,
        encapsulation: &Encapsulation,
        inner_family: Family,
        assume: &mut impl FnMut(String),
    ) -> Family {
        if encapsulation.is_plain() {
            return inner_family;
        }
        self.outside.and_then(|path| path.family).unwrap_or_else(|| {
            assume("IPv4 around the tunnel".to_owned());
            Family::Ipv4
        })
    }

    fn payload(&self, assume: &mut impl FnMut(String)) -> (Payload, bool) {
        if let (Kind::Paced, Some(bytes)) = (self.session.kind, self.session.payload_bytes) {
            return (Payload::Datagram(bytes), false);
        }
        let tcp = || {
            let directions = self.runs.iter().filter_map(|run| run.direction(self.toward));
            directions.filter_map(|direction| direction.tcp.as_ref())
        };
        let timestamps = tcp().find_map(|facts| facts.timestamps).unwrap_or_else(|| {
            assume("TCP timestamps in use".to_owned());
            true
        });
        let segment = tcp().filter_map(|facts| facts.segment_payload_bytes).max();
        let payload = segment.and_then(|bytes| u16::try_from(bytes).ok()).map_or_else(
            || {
                assume("segments that fill the MTU".to_owned());
                Payload::FullSegment
            },
            Payload::Segment,
        );
        (payload, timestamps)
    }

    fn planned_mtu(&self, path: &PathKey) -> Option<Mtu> {
        let is_it = |planned: &&PlannedPath| planned.name == path.name;
        self.header?.paths.iter().find(is_it)?.mtu.and_then(|mtu| Mtu::new(mtu).ok())
    }

    /// The MTU of the interface by which the near end sends: the tunnel's own, when the near end is its end too.
    fn observed_mtu(&self) -> Option<Mtu> {
        let mtu = self.runs.iter().find_map(|run| run.ends.near.as_ref()?.interface_mtu)?;
        u16::try_from(mtu).ok().and_then(|mtu| Mtu::new(mtu).ok())
    }
}

/// A segment that was seen fits the tunnel, whatever was stated of its MTU.
fn roomy(stated: Option<Mtu>, payload: Payload, timestamps: bool, family: Family) -> Option<Mtu> {
    let Payload::Segment(bytes) = payload else { return stated };
    let options = if timestamps { 12 } else { 0 };
    let seen = u32::from(bytes) + family.header_length() + 20 + options;
    let seen = u16::try_from(seen).ok().and_then(|mtu| Mtu::new(mtu).ok());
    match (stated, seen) {
        (Some(stated), Some(seen)) => Some(stated.max(seen)),
        (stated, _) => stated,
    }
}

/// The links that may limit data of one direction: the line of the site it leaves and that of the site it enters.
fn links(header: Option<&SurveyHeader>, toward: Way) -> Result<Vec<Link>, String> {
    let Some(header) = header else {
        return Err("the rates of the lines are not stated: there is no plan".to_owned());
    };
    let (near, far) = (&header.sites.near, &header.sites.far);
    let (from, to) = match toward {
        Way::Far => (near, far),
        Way::Near => (far, near),
    };
    let unstated = |site: &str, part: &str| format!("the plan does not state {site}'s line {part}");
    let up = from.line.and_then(|line| link(line, line.up_bps));
    let down = to.line.and_then(|line| link(line, line.down_bps));
    Ok(vec![
        up.ok_or_else(|| unstated(&from.name, "up"))?,
        down.ok_or_else(|| unstated(&to.name, "down"))?,
    ])
}

fn link(line: Line, rate_bps: Option<u64>) -> Option<Link> {
    let rate = BitRate::from_bits_per_second(rate_bps?);
    let counted = match line.counted {
        Counted::Ethernet => Counts::Line,
        Counted::Ip => Counts::IpLayer,
    };
    Some(Link { rate, framing: Framing::Ethernet, counted })
}

/// The model's key for a path without a tunnel.
const PLAIN: &str = "none";
