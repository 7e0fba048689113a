//! The two sites and their lines.

use culvert_units::BitRate;

use super::{line_of_text, positive, word};
use crate::plan::{
    Counted, PlanError, Site,
    typed::{Key, Section},
};

const BOTH: &[Key] =
    &[Key { name: "near", example: "[sites.near]" }, Key { name: "far", example: "[sites.far]" }];

const KEYS: &[Key] = &[
    Key { name: "name", example: "name = \"cabin\"" },
    Key { name: "down", example: "down = \"100Mbit/s\"" },
    Key { name: "up", example: "up = \"40Mbit/s\"" },
    Key { name: "metered", example: "metered = false" },
    Key { name: "counted", example: "counted = \"ethernet\"" },
];

/// Near and far.
pub(super) fn sites(plan: &Section<'_>) -> Result<(Site, Site), PlanError> {
    let Some(sites) = plan.section("sites", "[sites]", BOTH)? else {
        return Ok((unknown("near"), unknown("far")));
    };
    let near = sites.section("near", "[sites.near]", KEYS)?;
    let far = sites.section("far", "[sites.far]", KEYS)?;
    let near = near.map_or_else(|| Ok(unknown("near")), |section| site(&section, "near"))?;
    let far = far.map_or_else(|| Ok(unknown("far")), |section| site(&section, "far"))?;
    Ok((near, far))
}

fn unknown(name: &str) -> Site {
    Site { name: name.to_owned(), down: None, up: None, metered: None, counted: Counted::Ethernet }
}

fn site(section: &Section<'_>, unnamed: &str) -> Result<Site, PlanError> {
    let nothing = BitRate::from_bits_per_second(0);
    let mut site = unknown(unnamed);
    if let Some(name) = line_of_text(section, "name")? {
        site.name = name.value;
    }
    site.down = positive(section, "down", section.rate("down")?, &nothing)?;
    site.up = positive(section, "up", section.rate("up")?, &nothing)?;
    site.metered = section.flag("metered")?.map(|at| at.value);
    if let Some(counted) = section.text("counted")? {
        let known = [("ethernet", Counted::Ethernet), ("ip", Counted::Ip)];
        site.counted = word("counted", counted, &known)?;
    }
    Ok(site)
}
