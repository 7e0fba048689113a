//! What the comparison comes to, in two plain sentences.

use culvert_pathmodel::{Confidentiality, Encapsulation};
use culvert_record::{Kind, Way};

use crate::{
    Comparison, Gap, GapVerdict, PathKey, Row, Session,
    words::{join, rate},
};

/// The first says what the tunnels cost each way and how much of it headers explain, the second what follows.
pub(crate) fn sentences(comparison: &Comparison) -> [String; 2] {
    let main = main_session(comparison);
    [cost(comparison, main), consequence(comparison, main)].map(|text| finish(&text))
}

/// Whether strangers can read what a path carries, and why.
pub(crate) fn protection(path: &PathKey) -> Option<(Confidentiality, &'static str)> {
    let encapsulation: Encapsulation = path.encapsulation.as_ref()?.parse().ok()?;
    let protection = encapsulation.protection();
    Some((protection.confidentiality, protection.reason))
}

/// The bulk session that holds the most inside paths against an outside path, the first of several.
fn main_session(comparison: &Comparison) -> Option<&Session> {
    let held = |session: &Session| {
        comparison.rows.iter().filter(|row| row.session == *session && row.gap.is_some()).count()
    };
    let sessions = comparison.sessions();
    let most = sessions.iter().map(|session| held(session)).max().filter(|most| *most > 0)?;
    sessions.into_iter().find(|session| held(session) == most)
}

fn cost(comparison: &Comparison, main: Option<&Session>) -> String {
    let Some(main) = main else { return why_nothing_is_held(comparison) };
    let clauses = Way::BOTH.into_iter().filter_map(|toward| {
        let of_way = |row: &&Row| row.session == *main && row.toward == toward;
        let parts: Vec<_> = comparison.rows.iter().filter(of_way).filter_map(clause).collect();
        (!parts.is_empty())
            .then(|| format!("from {}, {}", from_to(comparison, toward), parts.join(", and ")))
    });
    format!("measured with {main}: {}", clauses.collect::<Vec<_>>().join("; "))
}

fn why_nothing_is_held(comparison: &Comparison) -> String {
    let counted = |wanted: fn(&PathKey) -> bool| {
        comparison.rows.iter().any(|row| {
            wanted(&row.path) && row.session.kind == Kind::Bulk && row.goodput_bps.is_some()
        })
    };
    let lacking = match (counted(PathKey::is_outside), counted(PathKey::is_inside)) {
        (false, false) => "no valid bulk run of an outside or an inside path is there",
        (false, true) => "no valid bulk run of an outside path is there",
        (true, false) => "no valid bulk run of an inside path is there",
        (true, true) => {
            "the outside and the inside paths were not measured with the same bulk session and direction"
        }
    };
    format!("{lacking}, so what a tunnel costs cannot be said")
}

fn clause(row: &Row) -> Option<String> {
    let gap = row.gap.as_ref()?;
    let median = row.goodput_bps.as_ref()?.median;
    Some(format!(
        "{} carried {}, {} of the {} outside: {}",
        row.path.name,
        rate(median),
        row.share_of_outside?,
        rate(median + gap.gap_bps),
        explained(row, gap)
    ))
}

fn explained(row: &Row, gap: &Gap) -> String {
    let lacking = rate(gap.gap_bps);
    let headers = rate(gap.headers_share_bps().unwrap_or(0.0));
    match gap.verdict {
        GapVerdict::NoDifference => {
            format!("no difference beyond the noise of {}", rate(gap.noise_bps))
        }
        GapVerdict::Headers => {
            format!(
                "headers explain {headers} of the {lacking} lacking and the rest is within the noise"
            )
        }
        GapVerdict::NotExplained => format!(
            "headers explain {headers} of the {lacking} lacking and {} are not explained by what was measured",
            rate(gap.unexplained_bps.unwrap_or(0.0))
        ),
        GapVerdict::HeadersUnknown => {
            let reason = row.ceiling.missing.as_deref().unwrap_or("its ceiling is not known");
            format!(
                "{lacking} are lacking and what headers take of them is not known, for {reason}"
            )
        }
        GapVerdict::InsideFaster => format!(
            "{} more than outside, so the two were not measured under the same conditions",
            rate(-gap.gap_bps)
        ),
    }
}

fn consequence(comparison: &Comparison, main: Option<&Session>) -> String {
    let held = held_paths(comparison, main);
    let (sound, others): (Vec<_>, Vec<_>) = held.iter().partition(|held| {
        protection(held.path).is_some_and(|(kept, _)| kept == Confidentiality::Sound)
    });
    let mut parts = Vec::new();
    parts.extend(advice(&sound, !held.is_empty()));
    parts.extend(unexplained(&sound));
    parts.extend(unsafe_paths(comparison));
    let unknown: Vec<_> = others
        .iter()
        .filter(|held| {
            protection(held.path).is_none_or(|(kept, _)| kept == Confidentiality::Unknown)
        })
        .map(|held| held.path.name.clone())
        .collect();
    if !unknown.is_empty() {
        parts.push(format!("whether {} keeps secrets is not known", join(&unknown)));
    }
    if parts.is_empty() {
        parts.push(
            "measure the same session outside and inside, both ways, before choosing".to_owned(),
        );
    }
    parts.join("; ")
}

/// An inside path over all directions of the main session.
struct Held<'a> {
    path: &'a PathKey,
    /// The direction in which it lacks the most.
    worst: f64,
    /// The noise of its directions as a share of outside, the largest.
    noise: f64,
    fewest: usize,
    verdicts: Vec<GapVerdict>,
}

fn held_paths<'a>(comparison: &'a Comparison, main: Option<&Session>) -> Vec<Held<'a>> {
    let mut held: Vec<Held<'_>> = Vec::new();
    let rows = comparison.rows.iter().filter(|row| Some(&row.session) == main);
    for row in rows {
        let (Some(gap), Some(share), Some(spread)) =
            (row.gap.as_ref(), row.share_of_outside, row.goodput_bps.as_ref())
        else {
            continue;
        };
        let outside = spread.median + gap.gap_bps;
        let noise = gap.noise_bps / outside;
        match held.iter_mut().find(|known| known.path == &row.path) {
            Some(known) => {
                known.worst = known.worst.min(share.get());
                known.noise = known.noise.max(noise);
                known.fewest = known.fewest.min(row.valid);
                known.verdicts.push(gap.verdict);
            }
            None => held.push(Held {
                path: &row.path,
                worst: share.get(),
                noise,
                fewest: row.valid,
                verdicts: vec![gap.verdict],
            }),
        }
    }
    held
}

fn advice(sound: &[&Held<'_>], any_held: bool) -> Option<String> {
    let mut ranked = sound.to_vec();
    ranked.sort_by(|a, b| b.worst.total_cmp(&a.worst));
    let text = match ranked.as_slice() {
        [] if any_held => {
            return Some(
                "no path known to keep secrets was measured, so none can be recommended".to_owned(),
            );
        }
        [] => return None,
        [only] => alone(only),
        [best, second, ..] if best.worst - second.worst <= best.noise.max(second.noise) => format!(
            "there is no difference beyond the noise between {}, so choose by other qualities than speed",
            join(&alike(&ranked))
        ),
        [best, ..] => format!(
            "of the paths that keep secrets, {} carries the largest share of outside in its worse direction ({:.1} %)",
            best.path.name,
            best.worst * 100.0
        ),
    };
    let fewest = ranked.iter().map(|held| held.fewest).min().unwrap_or(0);
    Some(match fewest {
        0..QUICK_LOOK_RUNS => {
            format!("on fewer than {QUICK_LOOK_RUNS} valid runs of a path, {text}")
        }
        _ => text,
    })
}

/// Of several paths those that lack more than headers explain: how they rank says nothing of the protocols then.
fn unexplained(sound: &[&Held<'_>]) -> Option<String> {
    let lacking = sound.iter().filter(|held| held.verdicts.contains(&GapVerdict::NotExplained));
    let names: Vec<_> = lacking.map(|held| held.path.name.clone()).collect();
    let their = if names.len() == 1 { "its" } else { "their" };
    (sound.len() > 1 && !names.is_empty()).then(|| look_for_the_cause(&names, their))
}

fn look_for_the_cause(names: &[String], their: &str) -> String {
    format!(
        "more is lost in {} than {their} headers take, so look for the cause, the gateway's processor, MTU and loss first, \
         before judging the protocol",
        join(names)
    )
}

/// Those that are within the noise of the first.
fn alike(ranked: &[&Held<'_>]) -> Vec<String> {
    let Some(best) = ranked.first() else { return Vec::new() };
    ranked
        .iter()
        .filter(|held| best.worst - held.worst <= best.noise.max(held.noise))
        .map(|held| held.path.name.clone())
        .collect()
}

fn alone(held: &Held<'_>) -> String {
    let name = &held.path.name;
    let any = |wanted: GapVerdict| held.verdicts.contains(&wanted);
    if any(GapVerdict::NotExplained) {
        look_for_the_cause(std::slice::from_ref(name), "its")
    } else if any(GapVerdict::InsideFaster) {
        format!("measure {name} and outside again in turns before choosing")
    } else if any(GapVerdict::HeadersUnknown) {
        format!("name the encapsulation of {name} to learn whether more than its headers is lost")
    } else {
        format!(
            "nothing is lost in {name} beyond its headers and the noise, so no setting of it can win back much for large files"
        )
    }
}

/// Paths whose encapsulation is known not to keep secrets; never recommended, however fast.
fn unsafe_paths(comparison: &Comparison) -> Option<String> {
    let mut names: Vec<String> = Vec::new();
    for row in comparison.rows.iter().filter(|row| row.path.is_inside()) {
        let exposed = protection(&row.path).is_some_and(|(kept, _)| {
            matches!(kept, Confidentiality::None | Confidentiality::Broken)
        });
        if exposed && !names.contains(&row.path.name) {
            names.push(row.path.name.clone());
        }
    }
    let because = if names.len() == 1 { "it gives" } else { "they give" };
    (!names.is_empty()).then(|| {
        format!("do not choose {} however fast, for {because} no confidentiality", join(&names))
    })
}

/// Fewer valid runs than this are not even a quick look (common practice, no published source).
pub(crate) const QUICK_LOOK_RUNS: usize = 3;

fn from_to(comparison: &Comparison, toward: Way) -> String {
    match toward {
        Way::Far => format!("{} to {}", comparison.near, comparison.far),
        Way::Near => format!("{} to {}", comparison.far, comparison.near),
    }
}

fn finish(text: &str) -> String {
    let mut letters = text.chars();
    letters
        .next()
        .map_or_else(String::new, |first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
}
