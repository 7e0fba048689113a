//! Why a plan was refused.

use std::time::Duration;

use culvert_pathmodel::ParseEncapsulationError;
use culvert_units::{BitRate, Bytes, ExitStatus, Explain, ParseQuantityError};

use super::{Family, TargetError, typed::SectionName};

/// A plan that cannot mean what was wanted. Lines count from 1.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[expect(missing_docs, reason = "each text names its fields")]
pub enum PlanError {
    /// The text is not TOML.
    #[error("plan line {line} is not TOML: {problem}")]
    NotToml { line: usize, problem: String },
    /// The text is too long to be a plan.
    #[error("the plan has {length}, more than {most}")]
    TooLong { length: Bytes, most: Bytes },
    /// A key that the section does not know.
    #[error("plan line {line}: unknown key '{key}' in {section}")]
    UnknownKey {
        line: usize,
        key: String,
        section: SectionName,
        nearest: Option<&'static str>,
        known: Vec<&'static str>,
    },
    /// A key that belongs to the other kind of session.
    #[error("plan line {line}: a {kind} session takes no '{key}'")]
    OtherKind { line: usize, key: &'static str, kind: &'static str, other: &'static str },
    /// A key that must be there is not.
    #[error("{section} has no '{key}'")]
    Missing { section: SectionName, key: &'static str, example: &'static str },
    /// A value of another type.
    #[error("plan line {line}: '{key}' is {found}, not {wanted}")]
    WrongType {
        line: usize,
        key: &'static str,
        found: &'static str,
        wanted: &'static str,
        example: &'static str,
    },
    /// A rate, amount or duration that cannot be read.
    #[error("plan line {line}: '{key}' cannot be read")]
    Quantity { line: usize, key: &'static str, example: &'static str, source: ParseQuantityError },
    /// A value outside of its range.
    #[error("plan line {line}: '{key}' is {value}, it must lie from {least} to {most}")]
    OutOfRange {
        line: usize,
        key: &'static str,
        value: String,
        least: String,
        most: String,
        example: &'static str,
    },
    /// A quantity that is nothing.
    #[error("plan line {line}: '{key}' is {value}, it must be more than nothing")]
    Zero { line: usize, key: &'static str, value: String, example: &'static str },
    /// A word that is none of those a key knows.
    #[error("plan line {line}: '{key}' cannot be '{value}'")]
    UnknownWord {
        line: usize,
        key: &'static str,
        value: String,
        nearest: Option<&'static str>,
        known: Vec<&'static str>,
    },
    /// A text that cannot serve as what its key says.
    #[error("plan line {line}: '{key}' {problem}")]
    Text { line: usize, key: &'static str, problem: TextProblem, example: &'static str },
    /// A target that cannot be dialled.
    #[error("plan line {line}: 'target' cannot be read")]
    Target { line: usize, source: TargetError },
    /// A target whose address is of another family than the path's.
    #[error("plan line {line}: the target {target} is not an {family} address")]
    TargetFamily { line: usize, target: String, family: Family },
    /// An encapsulation that the model does not know.
    #[error("plan line {line}: 'encapsulation' cannot be used")]
    Encapsulation { line: usize, source: ParseEncapsulationError },
    /// A tunnel outside, or none inside.
    #[error("plan line {line}: the {place} path '{path}' has the encapsulation '{encapsulation}'")]
    PlaceMismatch { line: usize, path: String, place: &'static str, encapsulation: String },
    /// Two things of one name.
    #[error("plan line {line}: the {what} name '{name}' is taken since line {first}")]
    NameTaken { line: usize, what: &'static str, name: String, first: usize },
    /// Not exactly one outside path.
    #[error("the plan has {found} outside paths, one is needed")]
    OutsidePaths { found: usize },
    /// More of something than a survey may have.
    #[error("the plan has {found} {what}, at most {most} are possible")]
    TooMany { found: usize, what: &'static str, most: usize },
    /// A session that no listener grants unless told to.
    #[error(
        "plan line {line}: settle and plateau last {} together, listeners grant {}",
        seconds(*.needed),
        seconds(*.most)
    )]
    SessionTooLong { line: usize, needed: Duration, most: Duration },
    /// A pace that sends less than one datagram in the time.
    #[error(
        "plan line {line}: {pace} with {payload} bytes of payload is less than one datagram in {}",
        seconds(*.plateau)
    )]
    PaceTooSlow { line: usize, pace: BitRate, payload: u16, plateau: Duration },
    /// A single session that cannot fit the budget.
    #[error(
        "plan line {line}: this session alone moves up to {needed}, the plan's budget is {at_most}"
    )]
    AboveBudget { line: usize, needed: Bytes, at_most: Bytes },
}

/// What is wrong with a text.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[expect(missing_docs, reason = "each text names its fields")]
pub enum TextProblem {
    /// Nothing but space.
    #[error("is empty")]
    Empty,
    /// Longer than can be shown.
    #[error("has {found} characters, at most {most} are possible")]
    Long { found: usize, most: usize },
    /// It would break the line it is shown on.
    #[error("holds a control character")]
    Control,
    /// No name of a congestion control.
    #[error("holds other characters than letters, digits, '_' and '-'")]
    NotAWord,
    /// No codepoint of the differentiated services.
    #[error("is no codepoint: 0 to 63, or a name such as ef, af41, cs1, le")]
    NotACodepoint,
}

impl Explain for PlanError {
    fn hint(&self) -> Option<String> {
        Some(match self {
            Self::NotToml { .. } => {
                "an entry reads key = value; texts, rates and durations stand in quotes".to_owned()
            }
            Self::TooLong { .. } => "check that the file named is the plan".to_owned(),
            Self::UnknownKey { nearest, known, .. } | Self::UnknownWord { nearest, known, .. } => {
                suggest(*nearest, known)
            }
            Self::OtherKind { key, other, .. } => {
                format!("leave '{key}' away, or write kind = \"{other}\"")
            }
            Self::Missing { example, .. } => format!("add a line such as {example}"),
            Self::WrongType { example, .. }
            | Self::Quantity { example, .. }
            | Self::OutOfRange { example, .. }
            | Self::Zero { example, .. }
            | Self::Text { example, .. } => format!("write it like {example}"),
            Self::Target { source, .. } => source.hint(),
            Self::TargetFamily { .. } => {
                "leave 'family' away, or give an address of that family".to_owned()
            }
            Self::Encapsulation { source, .. } => return source.hint(),
            Self::PlaceMismatch { place: "outside", .. } => {
                "leave 'encapsulation' away outside, or write place = \"inside\"".to_owned()
            }
            Self::PlaceMismatch { .. } => {
                "name the tunnel, such as encapsulation = \"wireguard\"".to_owned()
            }
            Self::NameTaken { .. } => "give each its own name".to_owned(),
            Self::OutsidePaths { .. } => {
                "the bare path is what every tunnel is compared with: write place = \"outside\" in \
                 exactly one [[paths]]"
                    .to_owned()
            }
            Self::TooMany { .. } => "split the plan into several surveys".to_owned(),
            Self::SessionTooLong { .. } => "shorten 'for' or 'settle'".to_owned(),
            Self::PaceTooSlow { .. } => "raise 'pace' or 'for', or lower 'payload'".to_owned(),
            Self::AboveBudget { .. } => {
                "raise at_most, or shorten the session or slow it down".to_owned()
            }
        })
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Usage
    }
}

fn suggest(nearest: Option<&str>, known: &[&str]) -> String {
    let list = known.join(", ");
    nearest.map_or_else(
        || format!("known are {list}"),
        |nearest| format!("did you mean '{nearest}'? known are {list}"),
    )
}

/// A session's time in seconds without rounding: near a limit, minutes would hide by how much it was missed.
pub(super) fn seconds(time: Duration) -> String {
    format!("{}s", time.as_secs_f64())
}
