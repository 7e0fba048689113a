//! One path.

use culvert_pathmodel::Encapsulation;
use culvert_units::Mtu;

use super::{line_of_text, whole_number, word};
use crate::plan::{
    Family, Place, PlanError, PlannedPath, Target, TextProblem,
    typed::{At, Key, Section, shortened},
};

pub(super) const KEYS: &[Key] = &[
    Key { name: "name", example: "name = \"wireguard\"" },
    Key { name: "place", example: "place = \"inside\"" },
    Key { name: "target", example: "target = \"gateway.example:28460\"" },
    Key { name: "family", example: "family = \"ipv4\"" },
    Key { name: "encapsulation", example: "encapsulation = \"wireguard\"" },
    Key { name: "mtu", example: "mtu = 1420" },
    Key { name: "bring_up", example: "bring_up = \"wg-quick up wg0\"" },
    Key { name: "is_up", example: "is_up = \"ping -c 1 192.168.77.10\"" },
    Key { name: "take_down", example: "take_down = \"wg-quick down wg0\"" },
];

/// No tunnel: what an outside path has for an encapsulation.
const NONE: &str = "none";

pub(super) fn path(section: &Section<'_>, taken: &[At<String>]) -> Result<PlannedPath, PlanError> {
    let name = section.required("name", line_of_text(section, "name")?)?;
    if let Some(first) = taken.iter().find(|other| other.value == name.value) {
        let (what, first) = ("path", first.line);
        return Err(PlanError::NameTaken { line: name.line, what, name: name.value, first });
    }
    let place = section.required("place", section.text("place")?)?;
    let place = word("place", place, &[("outside", Place::Outside), ("inside", Place::Inside)])?;
    let target = section.required("target", section.text("target")?)?;
    let (target, family) = target_and_family(section, target)?;
    Ok(PlannedPath {
        encapsulation: encapsulation(section, place, &name.value)?,
        mtu: mtu(section)?,
        bring_up: command(section, "bring_up")?,
        is_up: command(section, "is_up")?,
        take_down: command(section, "take_down")?,
        name: name.value,
        place,
        target,
        family,
    })
}

fn target_and_family(
    section: &Section<'_>,
    typed: At<&str>,
) -> Result<(Target, Option<Family>), PlanError> {
    let target: Target =
        typed.value.parse().map_err(|source| PlanError::Target { line: typed.line, source })?;
    let Some(family) = section.text("family")? else { return Ok((target, None)) };
    let line = family.line;
    let family = word("family", family, &[("ipv4", Family::Ipv4), ("ipv6", Family::Ipv6)])?;
    match target.address() {
        Some(address) if address.is_ipv4() != (family == Family::Ipv4) => {
            Err(PlanError::TargetFamily { line, target: target.to_string(), family })
        }
        _ => Ok((target, Some(family))),
    }
}

fn encapsulation(section: &Section<'_>, place: Place, path: &str) -> Result<String, PlanError> {
    let typed = match (section.text("encapsulation")?, place) {
        (None, Place::Outside) => return Ok(NONE.to_owned()),
        (typed, _) => section.required("encapsulation", typed)?,
    };
    let mismatch = |place| PlanError::PlaceMismatch {
        line: typed.line,
        path: path.to_owned(),
        place,
        encapsulation: shortened(typed.value),
    };
    match (place, typed.value) {
        (Place::Outside, NONE) => Ok(NONE.to_owned()),
        (Place::Inside, NONE) => Err(mismatch("inside")),
        (_, key) => {
            let known = key
                .parse::<Encapsulation>()
                .map_err(|source| PlanError::Encapsulation { line: typed.line, source })?;
            match place {
                Place::Outside => Err(mismatch("outside")),
                Place::Inside => Ok(known.key().to_owned()),
            }
        }
    }
}

fn mtu(section: &Section<'_>) -> Result<Option<Mtu>, PlanError> {
    let Some(bytes) = whole_number::<u16>(section, "mtu", 68, 65_535)? else { return Ok(None) };
    Ok(Mtu::new(bytes).ok())
}

fn command(section: &Section<'_>, key: &'static str) -> Result<Option<String>, PlanError> {
    let Some(at) = section.text(key)? else { return Ok(None) };
    let shows = |c: char| !c.is_control() || matches!(c, '\n' | '\t');
    let problem = if at.value.trim().is_empty() {
        TextProblem::Empty
    } else if at.value.chars().all(shows) {
        return Ok(Some(at.value.to_owned()));
    } else {
        TextProblem::Control
    };
    Err(PlanError::Text { line: at.line, key, problem, example: section.example(key) })
}
