//! Paths side by side: what each gave, and what of the difference the headers explain.

use culvert_record::{
    CapacityRecord, Direction, LedgerContents, Place, RunRecord, SurveyHeader, Toward, Way,
    describe_caveat, describe_void,
};
use culvert_stats::{MedianInterval, Summary, median_interval};
use culvert_units::Fraction;
use serde::Serialize;

use crate::{
    Bound, CapacityRow, Gap, PathKey, Session,
    bound::{Subject, bound},
    capacity, cautions, gap, not_checked, sentences,
};

/// Every path, session and direction of a ledger, with what follows.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// The survey that was compared; `null` for single sessions.
    pub survey: Option<SurveyName>,
    /// The near site's name.
    pub near: String,
    /// The far site's name.
    pub far: String,
    /// One row a path, session and direction; the paths of one session and direction stand together, outside first.
    pub rows: Vec<Row>,
    /// One row a path and direction whose IP-layer capacity was searched, outside first. Searches belong to no survey.
    pub capacities: Vec<CapacityRow>,
    /// Two plain sentences: what the tunnels cost, and what follows.
    pub sentences: [String; 2],
    /// What was not checked, and so may still hold.
    pub not_checked: Vec<String>,
    /// What applies to whoever repeats this.
    pub cautions: Vec<String>,
}

/// Which survey.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SurveyName {
    /// Identifies it.
    pub id: String,
    /// The practitioner's name for it.
    pub name: String,
}

/// One path, session and direction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Row {
    /// The path.
    pub path: PathKey,
    /// The session.
    pub session: Session,
    /// The way the data went.
    pub toward: Way,
    /// How many runs count.
    pub valid: usize,
    /// How many runs are void.
    pub void: usize,
    /// Why runs are void, each reason once.
    pub void_reasons: Vec<String>,
    /// What weakens the runs that count, each caveat once.
    pub caveats: Vec<String>,
    /// Goodput in bit/s; of datagrams what was delivered of those offered.
    pub goodput_bps: Option<Summary>,
    /// What contains the true median with at least 95 % confidence, bit/s; `null` for fewer than six runs.
    pub median_interval_bps: Option<MedianInterval>,
    /// The figure of each run that counts, bit/s, in the order they were made.
    pub repeats_bps: Vec<f64>,
    /// The outside path it is held against.
    pub outside: Option<String>,
    /// Its median as a share of the outside path's.
    pub share_of_outside: Option<Fraction>,
    /// What the model allows.
    pub ceiling: Bound,
    /// The median as a share of the ceiling.
    pub share_of_ceiling: Option<Fraction>,
    /// What is lacking against outside; bulk sessions of inside paths only.
    pub gap: Option<Gap>,
    /// Figures of datagrams; `null` for TCP.
    pub datagrams: Option<DatagramFigures>,
    /// Median over the runs of the median round trip before data flowed, microseconds.
    pub rtt_baseline_us: Option<f64>,
    /// Median over the runs of the median round trip while data flowed, microseconds.
    pub rtt_transfer_us: Option<f64>,
}

/// Medians over the runs of a paced session.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DatagramFigures {
    /// Payload bits per second put on the path.
    pub offered_bps: Option<f64>,
    /// Payload bits per second that arrived.
    pub delivered_bps: Option<f64>,
    /// Lost datagrams as a share of those sent (RFC 7680).
    pub loss_ratio: Option<f64>,
    /// The longest run of lost datagrams (RFC 3357); of several runs the longest of all.
    pub longest_loss_run: Option<u64>,
    /// Interarrival jitter, microseconds (RFC 3550).
    pub interarrival_jitter_us: Option<f64>,
    /// The 99th percentile of PDV, microseconds (RFC 5481).
    pub pdv_p99_us: Option<f64>,
    /// The median delay of the way alone, microseconds; `null` where the clocks do not tell.
    pub one_way_us: Option<f64>,
    /// It is wrong by at most this, microseconds: of several runs the widest bound.
    pub one_way_error_us: Option<u64>,
}

/// Compares the paths.
///
/// With a `header`, the runs of its survey alone are compared and the sites' names and lines come from it.
pub fn compare(header: Option<&SurveyHeader>, runs: &[RunRecord]) -> Comparison {
    assembled(header, runs, &[])
}

/// Compares the paths of the last survey of a ledger, or all its runs when it holds no survey.
pub fn compare_ledger(contents: &LedgerContents) -> Comparison {
    assembled(contents.headers.last(), &contents.runs, &contents.capacities)
}

fn assembled(
    header: Option<&SurveyHeader>,
    runs: &[RunRecord],
    searches: &[CapacityRecord],
) -> Comparison {
    let belongs = |run: &&RunRecord| {
        header.is_none_or(|header| {
            run.survey.as_ref().is_some_and(|position| position.id == header.id)
        })
    };
    let chosen: Vec<_> = runs.iter().filter(belongs).collect();
    let rows = rows(header, &chosen);
    let mut comparison = Comparison {
        survey: header
            .map(|header| SurveyName { id: header.id.clone(), name: header.name.clone() }),
        near: header.map_or_else(|| "near".to_owned(), |header| header.sites.near.name.clone()),
        far: header.map_or_else(|| "far".to_owned(), |header| header.sites.far.name.clone()),
        rows,
        capacities: capacity::rows(header, searches),
        sentences: [String::new(), String::new()],
        not_checked: Vec::new(),
        cautions: Vec::new(),
    };
    comparison.sentences = sentences::sentences(&comparison);
    let left_out = runs.len() - chosen.len();
    comparison.not_checked = not_checked::not_checked(&comparison, header, &chosen, left_out);
    comparison.cautions = cautions::cautions(&comparison, header);
    comparison
}

impl Comparison {
    /// The route of a direction by the sites' names, as in "cabin → workshop".
    pub fn route(&self, toward: Way) -> String {
        match toward {
            Way::Far => format!("{} → {}", self.near, self.far),
            Way::Near => format!("{} → {}", self.far, self.near),
        }
    }

    /// The path of every row.
    pub(crate) fn paths(&self) -> impl Iterator<Item = &PathKey> {
        let searched = self.capacities.iter().map(|row| &row.path);
        self.rows.iter().map(|row| &row.path).chain(searched)
    }

    /// The sessions, in the order they were first run.
    pub fn sessions(&self) -> Vec<&Session> {
        distinct(self.rows.iter().map(|row| &row.session))
    }
}

impl PathKey {
    /// Whether it is known to go through a tunnel.
    pub fn is_inside(&self) -> bool {
        self.place == Some(Place::Inside)
    }

    /// Whether it is known to go without one.
    pub fn is_outside(&self) -> bool {
        self.place == Some(Place::Outside)
    }
}

/// The runs of one row.
struct Group<'a> {
    path: PathKey,
    session: Session,
    toward: Way,
    valid: Vec<&'a RunRecord>,
    void: Vec<&'a RunRecord>,
}

fn rows(header: Option<&SurveyHeader>, runs: &[&RunRecord]) -> Vec<Row> {
    let groups = groups(header, runs);
    let mut rows: Vec<Row> = groups.iter().map(|group| row(header, group, &groups)).collect();
    let references: Vec<Option<usize>> =
        groups.iter().map(|group| outside_of(group, &groups)).collect();
    let before = rows.clone();
    for (row, reference) in rows.iter_mut().zip(references) {
        if let Some(outside) = reference.and_then(|index| before.get(index)) {
            hold_against(row, outside);
        }
    }
    rows
}

fn groups<'a>(header: Option<&SurveyHeader>, runs: &[&'a RunRecord]) -> Vec<Group<'a>> {
    let sessions = distinct(runs.iter().map(|run| Session::of(run)));
    let mut paths = distinct(runs.iter().map(|run| PathKey::of(run)));
    paths.sort_by_key(|path| (!path.is_outside(), planned_place(header, path)));
    let mut groups = Vec::new();
    for session in &sessions {
        for toward in Way::BOTH {
            for path in &paths {
                let of_group = |run: &&&RunRecord| {
                    Session::of(run) == *session
                        && PathKey::of(run) == *path
                        && asked_toward(run, toward)
                };
                let (void, valid): (Vec<_>, Vec<_>) =
                    runs.iter().filter(of_group).copied().partition(|run| run.void.is_some());
                if !(void.is_empty() && valid.is_empty()) {
                    let (path, session) = (path.clone(), session.clone());
                    groups.push(Group { path, session, toward, valid, void });
                }
            }
        }
    }
    groups
}

const fn asked_toward(run: &RunRecord, way: Way) -> bool {
    matches!(
        (run.asked.toward, way),
        (Toward::Both, _) | (Toward::Far, Way::Far) | (Toward::Near, Way::Near)
    )
}

pub(crate) fn planned_place(header: Option<&SurveyHeader>, path: &PathKey) -> usize {
    header
        .and_then(|header| header.paths.iter().position(|planned| planned.name == path.name))
        .unwrap_or(usize::MAX)
}

fn row(header: Option<&SurveyHeader>, group: &Group<'_>, groups: &[Group<'_>]) -> Row {
    let Group { path, session, toward, valid, void } = group;
    let outside = outside_of(group, groups).and_then(|index| groups.get(index));
    // The tunnel runs over the outside path whether or not that was measured with the same session.
    let underlay = outside.or_else(|| groups.iter().find(|other| other.path.is_outside()));
    let figures = |figure: &dyn Fn(&RunRecord) -> Option<f64>| -> Vec<f64> {
        valid.iter().filter_map(|run| figure(run)).collect()
    };
    let repeats_bps = figures(&|run| goodput(run, *toward));
    let goodput_bps = Summary::of(&repeats_bps);
    let subject = Subject {
        header,
        path,
        outside: underlay.map(|group| &group.path),
        session,
        toward: *toward,
        runs: valid,
    };
    let ceiling = bound(subject);
    let share_of_ceiling = goodput_bps
        .as_ref()
        .zip(ceiling.bps)
        .and_then(|(spread, bps)| Fraction::of(spread.median, bps as f64));
    Row {
        path: path.clone(),
        session: session.clone(),
        toward: *toward,
        valid: valid.len(),
        void: void.len(),
        void_reasons: distinct(void.iter().filter_map(|run| run.void.as_ref().map(describe_void))),
        caveats: {
            let of_runs = valid.iter().flat_map(|run| run.caveats.iter().map(describe_caveat));
            distinct(of_runs.chain(share_of_ceiling.and_then(above_ceiling)))
        },
        goodput_bps,
        median_interval_bps: median_interval(&repeats_bps),
        repeats_bps,
        outside: None,
        share_of_outside: None,
        ceiling,
        share_of_ceiling,
        gap: None,
        datagrams: (session.kind.is_datagrams()).then(|| datagrams(group)),
        rtt_baseline_us: culvert_stats::median(&figures(&|run| {
            run.rtt_baseline_us.map(|rtt| rtt.p50 as f64)
        })),
        rtt_transfer_us: culvert_stats::median(&figures(&|run| {
            run.rtt_transfer_us.map(|rtt| rtt.p50 as f64)
        })),
    }
}

/// A figure may lie above its ceiling by this share: the spread of repeats on a line that is full (common practice, no
/// published source).
const ABOVE_AT_MOST: f64 = 0.005;

/// What a figure above its ceiling says: something of what the ceiling was reckoned from is not so.
fn above_ceiling(share: Fraction) -> Option<String> {
    let above = share.get() - 1.0;
    (above > ABOVE_AT_MOST).then(|| {
        format!(
            "its median lies {:.1} % above its ceiling: the line carries more than the plan states, or the packets did not \
             go the way that was named, or had other headers",
            above * 100.0
        )
    })
}

fn goodput(run: &RunRecord, toward: Way) -> Option<f64> {
    let direction = run.direction(toward)?;
    direction.delivered_bps.or(direction.goodput_bps).map(|bps| bps as f64)
}

fn datagrams(group: &Group<'_>) -> DatagramFigures {
    let directions = || group.valid.iter().filter_map(|run| run.direction(group.toward));
    let median = |figure: fn(&Direction) -> Option<f64>| {
        culvert_stats::median(&directions().filter_map(figure).collect::<Vec<_>>())
    };
    let largest = |figure: fn(&Direction) -> Option<u64>| directions().filter_map(figure).max();
    DatagramFigures {
        offered_bps: median(|direction| direction.offered_bps.map(|bps| bps as f64)),
        delivered_bps: median(|direction| direction.delivered_bps.map(|bps| bps as f64)),
        loss_ratio: median(|direction| direction.loss_ratio),
        longest_loss_run: largest(longest_run),
        interarrival_jitter_us: median(|direction| direction.interarrival_jitter_us),
        pdv_p99_us: median(|direction| direction.pdv_us.map(|pdv| pdv.p99 as f64)),
        one_way_us: median(|direction| direction.one_way_delay.map(|delay| delay.p50_us as f64)),
        one_way_error_us: largest(|direction| direction.one_way_delay.map(|delay| delay.error_us)),
    }
}

/// 0 where nothing was lost: then there is no length of a run to be told.
fn longest_run(direction: &Direction) -> Option<u64> {
    match direction.loss_runs?.lengths {
        Some(lengths) => u64::try_from(lengths.max).ok(),
        None => direction.lost.filter(|lost| *lost == 0),
    }
}

/// The outside group an inside group is held against: same session and direction, and the same address family where
/// there is one, else the first.
fn outside_of(group: &Group<'_>, groups: &[Group<'_>]) -> Option<usize> {
    if !group.path.is_inside() {
        return None;
    }
    let candidates = || {
        groups.iter().enumerate().filter(|(_, other)| {
            other.path.is_outside()
                && other.session == group.session
                && other.toward == group.toward
        })
    };
    candidates()
        .find(|(_, other)| other.path.family == group.path.family)
        .or_else(|| candidates().next())
        .map(|(index, _)| index)
}

fn hold_against(row: &mut Row, outside: &Row) {
    row.outside = Some(outside.path.name.clone());
    let medians = row.goodput_bps.as_ref().zip(outside.goodput_bps.as_ref());
    row.share_of_outside =
        medians.and_then(|(inside, outside)| Fraction::of(inside.median, outside.median));
    row.gap = gap::gap(row, outside);
}

/// The values, each once, in the order they first appear.
pub(crate) fn distinct<T: PartialEq>(values: impl IntoIterator<Item = T>) -> Vec<T> {
    let mut seen = Vec::new();
    for value in values {
        if !seen.contains(&value) {
            seen.push(value);
        }
    }
    seen
}

#[cfg(test)]
#[path = "comparison_tests.rs"]
mod tests;
