//! What the lines of a ledger mean: bytes in, records out.

use std::{collections::HashSet, fmt};

use serde::{Deserialize, de::DeserializeOwned};

use crate::{CAPACITY_SCHEMA, CapacityRecord, RunRecord, SCHEMA, SURVEY_SCHEMA, SurveyHeader};

/// A ledger as it was read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LedgerContents {
    /// The surveys, in the order they were written.
    pub headers: Vec<SurveyHeader>,
    /// The runs, valid and void, in the order they were written.
    pub runs: Vec<RunRecord>,
    /// The searches for a capacity, whole or a part only, in the order they were written.
    pub capacities: Vec<CapacityRecord>,
    /// Lines that could not be used.
    pub skipped: Vec<SkippedLine>,
}

/// A line that could not be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SkippedLine {
    /// Its number, from 1.
    pub number: usize,
    /// Why.
    pub reason: SkipReason,
}

/// Why a line was skipped.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SkipReason {
    /// The last line ends in its middle: a command was stopped while it wrote.
    #[error("the last line is torn: the command that wrote it did not finish")]
    Torn,
    /// The line is no JSON object.
    #[error("it is not a JSON object: {cause}")]
    NotAnObject {
        /// What the reader of JSON said.
        cause: String,
    },
    /// The line names no format.
    #[error("it names no schema")]
    NoSchema,
    /// A format or version that this program does not know.
    #[error("its schema '{schema}' is not known to this version")]
    UnknownSchema {
        /// The format it names.
        schema: String,
    },
    /// The format is known, and the line does not keep to it.
    #[error("it is not a valid '{schema}': {cause}")]
    Misshapen {
        /// The format it names.
        schema: String,
        /// What the reader of JSON said.
        cause: String,
    },
    /// A run or a search that an earlier line holds already: counting it twice would feign a repeat.
    #[error("it repeats run {id}")]
    Repeated {
        /// The run.
        id: String,
    },
}

/// Reads the lines of a ledger; never fails, whatever the bytes.
///
/// Unknown fields are tolerated. A last line without its newline counts when it is complete.
pub fn parse_ledger(bytes: &[u8]) -> LedgerContents {
    let mut contents = LedgerContents::default();
    let mut seen = HashSet::new();
    let ends_torn = !bytes.ends_with(b"\n");
    let mut lines = bytes.split(|&byte| byte == b'\n').enumerate().peekable();
    while let Some((index, line)) = lines.next() {
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        let is_last = lines.peek().is_none();
        let reason = match parse_line(line) {
            Ok(Parsed::Survey(header)) => {
                contents.headers.push(*header);
                continue;
            }
            Ok(Parsed::Run(run)) if seen.insert(run.id.clone()) => {
                contents.runs.push(*run);
                continue;
            }
            Ok(Parsed::Run(run)) => SkipReason::Repeated { id: run.id },
            Ok(Parsed::Capacity(search)) if seen.insert(search.id.clone()) => {
                contents.capacities.push(*search);
                continue;
            }
            Ok(Parsed::Capacity(search)) => SkipReason::Repeated { id: search.id },
            Err(SkipReason::NotAnObject { .. }) if is_last && ends_torn => SkipReason::Torn,
            Err(reason) => reason,
        };
        contents.skipped.push(SkippedLine { number: index + 1, reason });
    }
    contents
}

impl LedgerContents {
    /// Neither a run nor a search is there to be shown.
    pub const fn holds_nothing(&self) -> bool {
        self.runs.is_empty() && self.capacities.is_empty()
    }

    /// The runs of one survey, in the order they were written.
    pub fn runs_of<'a>(&'a self, survey_id: &'a str) -> impl Iterator<Item = &'a RunRecord> {
        self.runs
            .iter()
            .filter(move |run| run.survey.as_ref().is_some_and(|place| place.id == survey_id))
    }
}

impl fmt::Display for SkippedLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {} was skipped: {}", self.number, self.reason)
    }
}

enum Parsed {
    Survey(Box<SurveyHeader>),
    Run(Box<RunRecord>),
    Capacity(Box<CapacityRecord>),
}

#[derive(Deserialize)]
struct Head {
    schema: Option<String>,
}

fn parse_line(line: &[u8]) -> Result<Parsed, SkipReason> {
    let head: Head = serde_json::from_slice(line)
        .map_err(|error| SkipReason::NotAnObject { cause: error.to_string() })?;
    let schema = head.schema.ok_or(SkipReason::NoSchema)?;
    match schema.as_str() {
        SURVEY_SCHEMA => read_as(line, schema).map(|header| Parsed::Survey(Box::new(header))),
        SCHEMA => read_as(line, schema).map(|run| Parsed::Run(Box::new(run))),
        CAPACITY_SCHEMA => read_as(line, schema).map(|search| Parsed::Capacity(Box::new(search))),
        _ => Err(SkipReason::UnknownSchema { schema }),
    }
}

fn read_as<T: DeserializeOwned>(line: &[u8], schema: String) -> Result<T, SkipReason> {
    serde_json::from_slice(line)
        .map_err(|error| SkipReason::Misshapen { schema, cause: error.to_string() })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    fn line_of(run: &RunRecord) -> String {
        serde_json::to_string(run).expect("a line")
    }

    #[test]
    fn a_later_version_is_skipped_and_reported() {
        let run = line_of(&samples::run());
        let later = run.replace("culvert/run/1", "culvert/run/2");
        let contents = parse_ledger(format!("{later}\n{run}\n").as_bytes());
        assert_eq!(contents.runs, vec![samples::run()]);
        assert_eq!(
            contents.skipped,
            [SkippedLine {
                number: 1,
                reason: SkipReason::UnknownSchema { schema: "culvert/run/2".to_owned() }
            }]
        );
    }

    #[test]
    fn unknown_fields_are_tolerated() {
        let run = line_of(&samples::run()).replacen('{', r#"{"weather":"rain","#, 1);
        assert_eq!(parse_ledger(run.as_bytes()).runs, vec![samples::run()]);
    }

    #[test]
    fn every_way_to_be_unusable_is_named() {
        let run = line_of(&samples::run());
        let text = format!("{run}\n\n[]\n{{}}\n{{\"schema\":\"culvert/run/1\"}}\n{run}\n{{\"sch");
        let contents = parse_ledger(text.as_bytes());
        assert_eq!(contents.runs.len(), 1);
        let numbers: Vec<_> = contents.skipped.iter().map(|line| line.number).collect();
        assert_eq!(numbers, [3, 4, 5, 6, 7]);
        let reasons: Vec<_> = contents.skipped.iter().map(|line| &line.reason).collect();
        assert!(matches!(
            reasons[..],
            [
                SkipReason::NotAnObject { .. },
                SkipReason::NoSchema,
                SkipReason::Misshapen { .. },
                SkipReason::Repeated { .. },
                SkipReason::Torn
            ]
        ));
    }

    #[test]
    fn a_search_for_a_capacity_is_kept_beside_the_runs_and_counts_once() {
        let search = serde_json::to_string(&samples::capacity()).expect("a line");
        let run = line_of(&samples::run());
        let contents = parse_ledger(format!("{search}\n{run}\n{search}\n").as_bytes());
        assert_eq!(contents.capacities, vec![samples::capacity()]);
        assert_eq!(contents.runs, vec![samples::run()]);
        assert!(matches!(contents.skipped[..], [SkippedLine { number: 3, .. }]));
    }

    #[test]
    fn a_last_line_that_lost_only_its_newline_counts() {
        let contents = parse_ledger(line_of(&samples::run()).as_bytes());
        assert_eq!((contents.runs.len(), contents.skipped.len()), (1, 0));
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_panic(bytes: Vec<u8>) {
            let contents = parse_ledger(&bytes);
            proptest::prop_assert!(contents.runs.is_empty());
        }

        #[test]
        fn a_cut_anywhere_costs_at_most_the_last_line(cut in 0_usize..10_000) {
            let run = line_of(&samples::run());
            let mut second = samples::run();
            second.id = "b".repeat(32);
            let text = format!("{run}\n{}\n", line_of(&second));
            let kept = text.as_bytes().get(..cut).unwrap_or(text.as_bytes());
            let contents = parse_ledger(kept);
            let whole = kept.split(|&byte| byte == b'\n').count() - 1;
            proptest::prop_assert!(contents.runs.len() >= whole);
            proptest::prop_assert!(contents.skipped.len() <= 1);
        }
    }
}
