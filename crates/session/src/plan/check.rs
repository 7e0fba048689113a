//! From the plan as typed to a plan that can be carried out.

mod path;
mod session;
mod site;

use culvert_units::{Bytes, format_duration};
use toml::de::DeTable;

use super::{
    Gateway, Place, Plan, PlanError, PlannedPath, TextProblem, hash, nearest,
    typed::{At, Key, Section, line_at, shortened},
};

/// A plan of this length would be no plan.
const MOST_TEXT: u64 = 1_000_000;
const MOST_PATHS: usize = 32;
const MOST_SESSIONS: usize = 32;
const MOST_ROUNDS: i64 = 1_000;
const ROUNDS: u32 = 3;

const KEYS: &[Key] = &[
    Key { name: "name", example: "name = \"Line against tunnel\"" },
    Key { name: "rounds", example: "rounds = 3" },
    Key { name: "order", example: "order = \"interleaved\"" },
    Key { name: "at_most", example: "at_most = \"2GB\"" },
    Key { name: "time_budget", example: "time_budget = \"30min\"" },
    Key { name: "sites", example: "[sites.near]" },
    Key { name: "gateway", example: "[gateway]" },
    Key { name: "paths", example: "[[paths]]" },
    Key { name: "sessions", example: "[[sessions]]" },
];

const GATEWAY_KEYS: &[Key] = &[
    Key { name: "model", example: "model = \"Gateway 3000\"" },
    Key { name: "firmware", example: "firmware = \"7.2\"" },
    Key { name: "processor", example: "processor = \"two cores at 880 MHz\"" },
];

pub(super) fn plan(text: &str) -> Result<Plan, PlanError> {
    let length = text.len() as u64;
    if length > MOST_TEXT {
        return Err(PlanError::TooLong { length: Bytes::new(length), most: Bytes::new(MOST_TEXT) });
    }
    let table = DeTable::parse(text).map_err(|error| not_toml(text, &error))?;
    let typed = Section::whole(text, table.get_ref(), KEYS)?;
    let name = typed.required("name", line_of_text(&typed, "name")?)?.value;
    let rounds = whole_number(&typed, "rounds", 1, MOST_ROUNDS)?.unwrap_or(ROUNDS);
    if let Some(order) = typed.text("order")? {
        word("order", order, &[("interleaved", ())])?;
    }
    let (near, far) = site::sites(&typed)?;
    let plan = Plan {
        name,
        hash: hash::hash(table.get_ref()),
        rounds,
        at_most: positive(&typed, "at_most", typed.bytes("at_most")?, &Bytes::new(0))?,
        time_budget: time_budget(&typed)?,
        near,
        far,
        gateway: gateway(&typed)?,
        paths: paths(&typed)?,
        sessions: Vec::new(),
    };
    session::add_sessions(plan, &typed, MOST_SESSIONS)
}

fn not_toml(text: &str, error: &toml::de::Error) -> PlanError {
    let offset = error.span().map_or(text.len(), |span| span.start);
    let problem = error.message().lines().collect::<Vec<_>>().join(", ");
    PlanError::NotToml { line: line_at(text, offset), problem }
}

fn time_budget(typed: &Section<'_>) -> Result<Option<std::time::Duration>, PlanError> {
    let least = std::time::Duration::from_secs(1);
    let most = std::time::Duration::from_hours(7 * 24);
    let budget = typed.duration("time_budget")?;
    budget
        .map(|at| in_range(typed, "time_budget", at, (least, most), |time| format_duration(*time)))
        .transpose()
}

fn gateway(typed: &Section<'_>) -> Result<Gateway, PlanError> {
    let Some(section) = typed.section("gateway", "[gateway]", GATEWAY_KEYS)? else {
        return Ok(Gateway::default());
    };
    // An empty text is how a practitioner leaves a line of a sample plan unanswered.
    let answered = |key| -> Result<Option<String>, PlanError> {
        match section.text(key)? {
            Some(at) if at.value.trim().is_empty() => Ok(None),
            _ => Ok(line_of_text(&section, key)?.map(|at| at.value)),
        }
    };
    Ok(Gateway {
        model: answered("model")?,
        firmware: answered("firmware")?,
        processor: answered("processor")?,
    })
}

fn paths(typed: &Section<'_>) -> Result<Vec<PlannedPath>, PlanError> {
    let sections = typed.sections("paths", "[[paths]]", path::KEYS)?;
    if sections.is_empty() {
        return typed.required("paths", None);
    }
    at_most_so_many(sections.len(), "paths", MOST_PATHS)?;
    let mut names: Vec<At<String>> = Vec::new();
    let mut paths = Vec::new();
    for section in &sections {
        let path = path::path(section, &names)?;
        names.push(At { value: path.name.clone(), line: section.begins_at() });
        paths.push(path);
    }
    let found = paths.iter().filter(|path| path.place == Place::Outside).count();
    if found != 1 {
        return Err(PlanError::OutsidePaths { found });
    }
    // The sort is stable: the outside path first, the others as typed.
    paths.sort_by_key(|path| path.place == Place::Inside);
    Ok(paths)
}

/// A text of one line that can be shown anywhere.
fn line_of_text(section: &Section<'_>, key: &'static str) -> Result<Option<At<String>>, PlanError> {
    const MOST: usize = 120;
    let Some(at) = section.text(key)? else { return Ok(None) };
    let text = at.value.trim();
    let found = text.chars().count();
    let problem = if text.is_empty() {
        TextProblem::Empty
    } else if text.chars().any(char::is_control) {
        TextProblem::Control
    } else if found > MOST {
        TextProblem::Long { found, most: MOST }
    } else {
        return Ok(Some(At { value: text.to_owned(), line: at.line }));
    };
    Err(PlanError::Text { line: at.line, key, problem, example: section.example(key) })
}

/// The value that the word `at` stands for.
fn word<T: Copy>(
    key: &'static str,
    at: At<&str>,
    known: &[(&'static str, T)],
) -> Result<T, PlanError> {
    let found = known.iter().find(|(word, _)| *word == at.value);
    found.map(|(_, value)| *value).ok_or_else(|| PlanError::UnknownWord {
        line: at.line,
        key,
        value: shortened(at.value),
        nearest: nearest::nearest(at.value, known.iter().map(|(word, _)| *word)),
        known: known.iter().map(|(word, _)| *word).collect(),
    })
}

/// The number under `key` when it lies from `least` to `most`, which must fit `T`.
fn whole_number<T: TryFrom<i64>>(
    section: &Section<'_>,
    key: &'static str,
    least: i64,
    most: i64,
) -> Result<Option<T>, PlanError> {
    let Some(at) = section.number(key)? else { return Ok(None) };
    let number = in_range(section, key, at, (least, most), ToString::to_string)?;
    Ok(T::try_from(number).ok())
}

/// A quantity of more than `nothing`.
fn positive<T: PartialOrd + std::fmt::Display>(
    section: &Section<'_>,
    key: &'static str,
    typed: Option<At<T>>,
    nothing: &T,
) -> Result<Option<T>, PlanError> {
    let Some(at) = typed else { return Ok(None) };
    if at.value > *nothing {
        return Ok(Some(at.value));
    }
    Err(PlanError::Zero {
        line: at.line,
        key,
        value: at.value.to_string(),
        example: section.example(key),
    })
}

fn in_range<T: PartialOrd>(
    section: &Section<'_>,
    key: &'static str,
    at: At<T>,
    (least, most): (T, T),
    show: impl Fn(&T) -> String,
) -> Result<T, PlanError> {
    if (&least..=&most).contains(&&at.value) {
        return Ok(at.value);
    }
    Err(PlanError::OutOfRange {
        line: at.line,
        key,
        value: show(&at.value),
        least: show(&least),
        most: show(&most),
        example: section.example(key),
    })
}

fn at_most_so_many(found: usize, what: &'static str, most: usize) -> Result<(), PlanError> {
    if found > most { Err(PlanError::TooMany { found, what, most }) } else { Ok(()) }
}
