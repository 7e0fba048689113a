//! What was not checked, and so may still hold.

use culvert_record::{Kind, RunRecord, SurveyHeader};
use culvert_units::format_duration;
use std::time::Duration;

use crate::{Comparison, Row, sentences::QUICK_LOOK_RUNS, words::join};

/// A decision needs so many valid runs of each path and session (common practice, no published source).
pub const DECISION_RUNS: usize = 5;

/// Runs closer together than this saw one time of day: an evening's peak lasts about so long (common practice, no
/// published source).
pub const ONE_TIME_OF_DAY: Duration = Duration::from_hours(6);

/// An outside path below this share of its ceiling is limited by something other than its line (common practice, no
/// published source).
pub const LINE_IS_FULL: f64 = 0.90;

/// What the comparison leaves open; `left_out` runs belong to other surveys.
pub(crate) fn not_checked(
    comparison: &Comparison,
    header: Option<&SurveyHeader>,
    runs: &[&RunRecord],
    left_out: usize,
) -> Vec<String> {
    let mut open = vec![
        gateway(header),
        "the path MTU: it was not searched, a black hole or outer fragments would not be noticed as such".to_owned(),
    ];
    open.extend(assumed(comparison));
    open.extend(repeats(comparison));
    open.extend(ways(comparison));
    open.extend(delay(comparison));
    open.extend(processors(runs));
    open.extend(time_of_day(runs));
    open.extend(limited_outside(comparison));
    open.extend(proof(runs));
    open.extend(other_plan(header, runs));
    if left_out > 0 {
        open.push(format!(
            "{left_out} runs of the ledger that do not belong to this survey: they were left out"
        ));
    }
    open
}

fn gateway(header: Option<&SurveyHeader>) -> String {
    let typed = header.map(|header| &header.gateway);
    let model = typed.and_then(|gateway| gateway.model.as_ref());
    let processor = typed.and_then(|gateway| gateway.processor.as_ref());
    let known = [model, processor].into_iter().flatten().cloned().collect::<Vec<_>>();
    let named = if known.is_empty() { String::new() } else { format!(" ({})", known.join(", ")) };
    format!("the gateway{named}: its processor, queues and drops were not observed")
}

fn assumed(comparison: &Comparison) -> Vec<String> {
    let mut open = Vec::new();
    let mut missing: Vec<String> = Vec::new();
    let mut assumptions: Vec<String> = Vec::new();
    for row in &comparison.rows {
        missing.extend(row.ceiling.missing.iter().map(|reason| {
            match row.ceiling.payload_per_wire_byte {
                Some(_) => reason.clone(),
                None => format!("{}: {reason}", row.path.name),
            }
        }));
        assumptions
            .extend(row.ceiling.assumed.iter().map(|what| format!("{} ({what})", row.path.name)));
    }
    for reason in each_once(missing) {
        open.push(format!("the share of the ceiling: {reason}"));
    }
    let assumptions = each_once(assumptions);
    if !assumptions.is_empty() {
        open.push(format!("what the ceilings assume: {}", join(&assumptions)));
    }
    open
}

fn repeats(comparison: &Comparison) -> Option<String> {
    let fewest = comparison.rows.iter().min_by_key(|row| row.valid)?;
    let named = |row: &Row| {
        format!(
            "{} has {} of {} runs valid ({}, {})",
            row.path.name,
            row.valid,
            row.valid + row.void,
            row.session,
            comparison.route(row.toward)
        )
    };
    match fewest.valid {
        0..QUICK_LOOK_RUNS => Some(format!(
            "the spread of repeats: {}, a quick look needs {QUICK_LOOK_RUNS} and a decision {DECISION_RUNS}",
            named(fewest)
        )),
        QUICK_LOOK_RUNS..DECISION_RUNS => Some(format!(
            "enough repeats for a decision: {}, a decision needs {DECISION_RUNS}",
            named(fewest)
        )),
        _ => None,
    }
}

fn ways(comparison: &Comparison) -> Vec<String> {
    let mut open = Vec::new();
    for toward in culvert_record::Way::BOTH {
        let measured =
            comparison.rows.iter().any(|row| row.toward == toward && row.goodput_bps.is_some());
        if !measured {
            open.push(format!(
                "the direction {}: no valid run loaded it",
                comparison.route(toward)
            ));
        }
    }
    if !comparison.rows.iter().any(|row| row.session.kind == Kind::Paced && row.valid > 0) {
        open.push("loss, order and delay variation: no paced session was measured".to_owned());
    }
    open
}

fn delay(comparison: &Comparison) -> Option<String> {
    let known = comparison
        .rows
        .iter()
        .any(|row| row.session.kind == Kind::Bulk && row.rtt_transfer_us.is_some());
    (!known).then(|| {
        "the RTT during transfer: no round trip was measured during a bulk session".to_owned()
    })
}

fn processors(runs: &[&RunRecord]) -> Option<String> {
    let known = |run: &&&RunRecord| {
        let ends = [&run.ends.near, &run.ends.far];
        ends.iter().all(|end| end.as_ref().is_some_and(|end| end.cores.is_some()))
    };
    let unknown = runs.len() - runs.iter().filter(known).count();
    (unknown > 0).then(|| {
        format!(
            "whether a test host was the limit: {unknown} of {} runs lack an end's processor use",
            runs.len()
        )
    })
}

fn time_of_day(runs: &[&RunRecord]) -> Option<String> {
    let first = runs.iter().map(|run| run.started_at).min()?;
    let last = runs.iter().map(|run| run.started_at).max()?;
    let apart = Duration::from_secs(u64::try_from(last.as_second() - first.as_second()).ok()?);
    (apart < ONE_TIME_OF_DAY)
        .then(|| format!("another time of day: all runs began within {}", format_duration(apart)))
}

fn limited_outside(comparison: &Comparison) -> Vec<String> {
    let limited = comparison
        .rows
        .iter()
        .filter(|row| row.path.is_outside() && row.session.kind == Kind::Bulk);
    limited
        .filter_map(|row| {
            let share = row.share_of_ceiling.filter(|share| share.get() < LINE_IS_FULL)?;
            Some(format!(
                "why {} reaches only {share} of its ceiling with {} {}: headers explain at most what is said here",
                row.path.name,
                row.session,
                comparison.route(row.toward)
            ))
        })
        .collect()
}

fn proof(runs: &[&RunRecord]) -> Option<String> {
    let inside = || runs.iter().filter(|run| run.path.place == Some(culvert_record::Place::Inside));
    let unproven = inside().filter(|run| {
        run.ends.near.as_ref().is_none_or(|end| {
            end.address.is_none() || end.interface.is_none() || end.seen_from.is_none()
        })
    });
    let count = unproven.count();
    (count > 0).then(|| {
        format!(
            "the way of {count} of {} inside runs: an address or interface is missing",
            inside().count()
        )
    })
}

fn other_plan(header: Option<&SurveyHeader>, runs: &[&RunRecord]) -> Option<String> {
    let hash = &header?.plan_hash;
    let other = runs
        .iter()
        .filter(|run| run.survey.as_ref().is_some_and(|position| position.plan_hash != *hash))
        .count();
    (other > 0).then(|| {
        format!("whether the plan stayed the same: {other} runs were made under a changed plan")
    })
}

fn each_once(values: Vec<String>) -> Vec<String> {
    let mut seen: Vec<String> = Vec::new();
    for value in values {
        if !seen.contains(&value) {
            seen.push(value);
        }
    }
    seen
}
