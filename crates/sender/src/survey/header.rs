//! The head of a survey's runs in the ledger.

use culvert_record::{
    Counted, Gateway, Line, Place, PlannedPath, SURVEY_SCHEMA, Site, Sites, SurveyHeader,
};
use culvert_session::plan::{self, Plan};
use culvert_units::BitRate;
use jiff::Timestamp;

/// The plan as it is kept.
pub(super) fn header(plan: &Plan, id: &str) -> SurveyHeader {
    SurveyHeader {
        schema: SURVEY_SCHEMA.to_owned(),
        id: id.to_owned(),
        plan_hash: plan.hash().to_owned(),
        name: plan.name().to_owned(),
        started_at: Timestamp::now(),
        sites: Sites { near: site(plan.near()), far: site(plan.far()) },
        gateway: Gateway {
            model: plan.gateway().model().map(str::to_owned),
            firmware: plan.gateway().firmware().map(str::to_owned),
            processor: plan.gateway().processor().map(str::to_owned),
        },
        rounds: plan.rounds(),
        paths: plan.paths().iter().map(path).collect(),
        planned_runs: u32::try_from(plan.running_order().len()).unwrap_or(u32::MAX),
    }
}

fn site(site: &plan::Site) -> Site {
    let stated = site.down().is_some() || site.up().is_some() || site.metered().is_some();
    let line = stated.then(|| Line {
        down_bps: site.down().map(BitRate::bits_per_second),
        up_bps: site.up().map(BitRate::bits_per_second),
        metered: site.metered().unwrap_or(false),
        counted: match site.counted() {
            plan::Counted::Ethernet => Counted::Ethernet,
            plan::Counted::Ip => Counted::Ip,
        },
    });
    Site { name: site.name().to_owned(), line }
}

fn path(path: &plan::PlannedPath) -> PlannedPath {
    PlannedPath {
        name: path.name().to_owned(),
        place: match path.place() {
            plan::Place::Outside => Place::Outside,
            plan::Place::Inside => Place::Inside,
        },
        target: path.target().to_string(),
        encapsulation: Some(path.encapsulation().to_owned()),
        mtu: path.mtu().map(u16::from),
    }
}
