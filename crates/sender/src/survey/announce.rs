//! What a survey says about itself.

use culvert_record::{RunRecord, Toward, Way, describe_caveat, describe_void};
use culvert_session::plan::{
    Place, PlannedLoad, PlannedPath, PlannedSession, Settle, Site, Step, Toward as Planned,
};
use culvert_units::{BitRate, format_duration};

use super::{Survey, progress::Progress};

impl Survey<'_> {
    /// What will be done, before anything is.
    pub(super) fn announce(&mut self, progress: &Progress) {
        let plan = self.plan;
        let all = plan.running_order().len();
        let left = progress.remaining(plan).len();
        self.say(&format!(
            "survey '{}': {all} runs ({} rounds, {} paths, {} sessions)",
            plan.name(),
            plan.rounds(),
            plan.paths().len(),
            plan.sessions().len()
        ));
        if !progress.is_new() {
            self.say(&format!(
                "the ledger {} holds {} of them, going on where it stopped",
                self.ledger.path().display(),
                all - left
            ));
        }
        if left == 0 {
            return;
        }
        self.announce_volume(progress, left);
        for notice in plan.notices() {
            self.say(&format!("note: {notice}"));
        }
        let commands = plan.commands();
        if !commands.is_empty() {
            self.say("commands of the plan, run on this host as they stand:");
        }
        for command in commands {
            self.say(&format!("  {} {}: {}", command.path, command.purpose.key(), command.line));
        }
    }

    fn announce_volume(&mut self, progress: &Progress, left: usize) {
        let plan = self.plan;
        let volume = plan.expected_volume().map_or_else(
            || "how much data it moves is unknown: the plan does not state the lines of its bulk sessions".to_owned(),
            |volume| format!("it moves up to {volume} of payload in all"),
        );
        let budget = plan.at_most().map_or_else(String::new, |most| {
            format!(", {} of the {most} it may move are spent", progress.used())
        });
        self.say(&format!("{volume}{budget}; {left} runs are to come"));
        for site in [plan.near(), plan.far()] {
            if site.metered() == Some(true) {
                self.say(&format!("caution: the line of {} is metered", site.name()));
            }
        }
    }

    /// What is run now.
    pub(super) fn announce_step(
        &mut self,
        step: &Step,
        path: &PlannedPath,
        session: &PlannedSession,
    ) {
        let all = self.plan.running_order().len();
        let place = match path.place() {
            Place::Outside => "outside",
            Place::Inside => "inside",
        };
        self.say(&format!(
            "{} of {all}: {} ({place}), round {}, {}",
            step.position,
            path.name(),
            step.round,
            in_words(self.plan.near(), self.plan.far(), session)
        ));
    }

    /// What came of it.
    pub(super) fn show(&mut self, record: &RunRecord) {
        if let Some(reason) = &record.void {
            self.say(&format!("  void: {}", describe_void(reason)));
            return;
        }
        let ways: &[Way] = match record.asked.toward {
            Toward::Far => &[Way::Far],
            Toward::Near => &[Way::Near],
            Toward::Both => &[Way::Far, Way::Near],
        };
        for way in ways {
            let (from, into) = match way {
                Way::Far => (self.plan.near().name(), self.plan.far().name()),
                Way::Near => (self.plan.far().name(), self.plan.near().name()),
            };
            let text = format!("  {from} → {into}: {}", figures(record, *way));
            self.say(&text);
        }
        for caveat in &record.caveats {
            self.say(&format!("  caveat: {}", describe_caveat(caveat)));
        }
    }
}

fn in_words(near: &Site, far: &Site, session: &PlannedSession) -> String {
    let ends = match session.toward() {
        Planned::Far => format!("{} → {}", near.name(), far.name()),
        Planned::Near => format!("{} → {}", far.name(), near.name()),
        Planned::Both => format!("{} ⇄ {}", near.name(), far.name()),
    };
    let load = match session.load() {
        PlannedLoad::Bulk { flows: 1, .. } => "bulk".to_owned(),
        PlannedLoad::Bulk { flows, .. } => format!("bulk over {flows} flows"),
        PlannedLoad::Paced { pace: Some(pace), payload, .. } => {
            format!("paced at {pace} with {payload} bytes")
        }
        PlannedLoad::Paced { pace: None, payload, .. } => {
            format!("as many datagrams of {payload} bytes as the transmitting host can")
        }
    };
    let settle = match session.settle() {
        Settle::Auto => "settle found from the data".to_owned(),
        Settle::Fixed(settle) => format!("after {} of settle", format_duration(settle)),
    };
    format!("{load}, {ends}, {} {settle}", format_duration(session.plateau()))
}

fn figures(record: &RunRecord, way: Way) -> String {
    let Some(direction) = record.direction(way) else { return "nothing was reported".to_owned() };
    let rate = |bps: Option<u64>| {
        bps.map_or_else(
            || "unknown".to_owned(),
            |bps| BitRate::from_bits_per_second(bps).to_string(),
        )
    };
    match (direction.sent, direction.lost) {
        (Some(sent), Some(lost)) => format!(
            "delivered {} of {} offered, {lost} of {sent} datagrams lost",
            rate(direction.delivered_bps),
            rate(direction.offered_bps)
        ),
        _ => format!("goodput {}", rate(direction.goodput_bps)),
    }
}
