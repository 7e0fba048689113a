//! A section of the plan as typed: every value with its line, every unknown key refused.

use std::{fmt, time::Duration};

use culvert_units::{BitRate, Bytes, ParseQuantityError, parse_duration};
use toml::{
    Spanned,
    de::{DeTable, DeValue},
};

use super::{PlanError, TextProblem, nearest::nearest};

/// One key that a section knows, with a line that shows how it is written.
#[derive(Debug)]
pub(super) struct Key {
    pub(super) name: &'static str,
    pub(super) example: &'static str,
}

/// A value and the line it stands on, counted from 1.
#[derive(Debug, Clone, Copy)]
pub(super) struct At<T> {
    pub(super) value: T,
    pub(super) line: usize,
}

impl<T> At<T> {
    /// The value through `change`, on the same line.
    pub(super) fn map<U>(self, change: impl FnOnce(T) -> U) -> At<U> {
        At { value: change(self.value), line: self.line }
    }
}

/// A table of the plan whose keys are all known.
#[derive(Debug)]
pub(super) struct Section<'t> {
    text: &'t str,
    name: SectionName,
    keys: &'static [Key],
    table: &'t DeTable<'t>,
}

/// How a section is called in an error.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SectionName {
    heading: Option<&'static str>,
    line: usize,
}

impl fmt::Display for SectionName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.heading {
            None => f.write_str("the plan"),
            Some(heading) => write!(f, "{heading} at line {}", self.line),
        }
    }
}

impl<'t> Section<'t> {
    /// The whole plan.
    pub(super) fn whole(
        text: &'t str,
        table: &'t DeTable<'t>,
        keys: &'static [Key],
    ) -> Result<Self, PlanError> {
        Self::checked(text, SectionName { heading: None, line: 1 }, keys, table)
    }

    /// The table under `key`.
    pub(super) fn section(
        &self,
        key: &'static str,
        heading: &'static str,
        keys: &'static [Key],
    ) -> Result<Option<Self>, PlanError> {
        self.get(key).map(|value| self.open(key, heading, keys, value)).transpose()
    }

    /// The tables under `key`, in the order of the plan; none when the key is missing.
    pub(super) fn sections(
        &self,
        key: &'static str,
        heading: &'static str,
        keys: &'static [Key],
    ) -> Result<Vec<Self>, PlanError> {
        let Some(value) = self.get(key) else { return Ok(Vec::new()) };
        let Some(array) = value.get_ref().as_array() else {
            return Err(self.wrong_type(key, value, "a list of sections"));
        };
        array.iter().map(|each| self.open(key, heading, keys, each)).collect()
    }

    /// The text under `key`.
    pub(super) fn text(&self, key: &'static str) -> Result<Option<At<&'t str>>, PlanError> {
        self.read(key, "a text in quotes", DeValue::as_str)
    }

    /// The whole number under `key`.
    pub(super) fn number(&self, key: &'static str) -> Result<Option<At<i64>>, PlanError> {
        let integer = self.read(key, "a whole number", DeValue::as_integer)?;
        Ok(integer.map(|at| {
            at.map(|integer| {
                // Beyond what 64 bits hold is beyond every limit of the plan too: the sign is all that matters.
                let negative = integer.as_str().starts_with('-');
                let beyond = if negative { i64::MIN } else { i64::MAX };
                i64::from_str_radix(integer.as_str(), integer.radix()).unwrap_or(beyond)
            })
        }))
    }

    /// `true` or `false` under `key`.
    pub(super) fn flag(&self, key: &'static str) -> Result<Option<At<bool>>, PlanError> {
        self.read(key, "true or false", DeValue::as_bool)
    }

    /// The rate under `key`.
    pub(super) fn rate(&self, key: &'static str) -> Result<Option<At<BitRate>>, PlanError> {
        self.quantity(key, str::parse)
    }

    /// The amount of data under `key`.
    pub(super) fn bytes(&self, key: &'static str) -> Result<Option<At<Bytes>>, PlanError> {
        self.quantity(key, str::parse)
    }

    /// The duration under `key`.
    pub(super) fn duration(&self, key: &'static str) -> Result<Option<At<Duration>>, PlanError> {
        self.quantity(key, parse_duration)
    }

    /// `found`, or the error that `key` is missing.
    pub(super) fn required<T>(&self, key: &'static str, found: Option<T>) -> Result<T, PlanError> {
        found.ok_or_else(|| PlanError::Missing {
            section: self.name.clone(),
            key,
            example: self.example(key),
        })
    }

    /// Which of `keys` is used first, and on which line.
    pub(super) fn first_of(&self, keys: &[&'static str]) -> Option<At<&'static str>> {
        let used = |key: &&'static str| {
            self.table
                .get_key_value(*key)
                .map(|(typed, _)| At { value: *key, line: self.line(typed) })
        };
        keys.iter().filter_map(used).min_by_key(|at| at.line)
    }

    /// How `key` is written.
    pub(super) fn example(&self, key: &str) -> &'static str {
        self.keys.iter().find(|known| known.name == key).map_or("", |known| known.example)
    }

    /// The line the section begins on.
    pub(super) fn begins_at(&self) -> usize {
        self.name.line
    }

    fn open(
        &self,
        key: &'static str,
        heading: &'static str,
        keys: &'static [Key],
        value: &'t Spanned<DeValue<'t>>,
    ) -> Result<Self, PlanError> {
        let Some(table) = value.get_ref().as_table() else {
            return Err(self.wrong_type(key, value, "a section"));
        };
        let name = SectionName { heading: Some(heading), line: self.line(value) };
        Self::checked(self.text, name, keys, table)
    }

    fn checked(
        text: &'t str,
        name: SectionName,
        keys: &'static [Key],
        table: &'t DeTable<'t>,
    ) -> Result<Self, PlanError> {
        let section = Self { text, name, keys, table };
        let unknown = |(typed, _): &(&'t Spanned<_>, _)| {
            let typed: &Spanned<std::borrow::Cow<'_, str>> = typed;
            !keys.iter().any(|key| key.name == typed.get_ref().as_ref())
        };
        let first = table.iter().filter(unknown).min_by_key(|(typed, _)| typed.span().start);
        let Some((typed, _)) = first else { return Ok(section) };
        let key = shortened(typed.get_ref());
        Err(PlanError::UnknownKey {
            line: section.line(typed),
            section: section.name,
            nearest: nearest(&key, keys.iter().map(|known| known.name)),
            known: keys.iter().map(|known| known.name).collect(),
            key,
        })
    }

    fn quantity<T>(
        &self,
        key: &'static str,
        parse: impl FnOnce(&str) -> Result<T, ParseQuantityError>,
    ) -> Result<Option<At<T>>, PlanError> {
        let Some(at) = self.text(key)? else { return Ok(None) };
        let found = at.value.chars().count();
        if found > MOST_SHOWN {
            let problem = TextProblem::Long { found, most: MOST_SHOWN };
            return Err(PlanError::Text {
                line: at.line,
                key,
                problem,
                example: self.example(key),
            });
        }
        let value = parse(at.value).map_err(|source| PlanError::Quantity {
            line: at.line,
            key,
            example: self.example(key),
            source,
        })?;
        Ok(Some(At { value, line: at.line }))
    }

    fn read<T>(
        &self,
        key: &'static str,
        wanted: &'static str,
        narrow: impl FnOnce(&'t DeValue<'t>) -> Option<T>,
    ) -> Result<Option<At<T>>, PlanError> {
        let Some(value) = self.get(key) else { return Ok(None) };
        let narrowed =
            narrow(value.get_ref()).ok_or_else(|| self.wrong_type(key, value, wanted))?;
        Ok(Some(At { value: narrowed, line: self.line(value) }))
    }

    fn get(&self, key: &'static str) -> Option<&'t Spanned<DeValue<'t>>> {
        debug_assert!(self.keys.iter().any(|known| known.name == key), "'{key}' has no entry");
        self.table.get(key)
    }

    fn wrong_type(
        &self,
        key: &'static str,
        value: &Spanned<DeValue<'_>>,
        wanted: &'static str,
    ) -> PlanError {
        let found = match value.get_ref() {
            DeValue::String(_) => "a text",
            DeValue::Integer(_) => "a whole number",
            DeValue::Float(_) => "a number with decimals",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a section",
        };
        PlanError::WrongType {
            line: self.line(value),
            key,
            found,
            wanted,
            example: self.example(key),
        }
    }

    fn line<T>(&self, spanned: &Spanned<T>) -> usize {
        line_at(self.text, spanned.span().start)
    }
}

/// What was typed, cut when very long.
pub(super) fn shortened(text: &str) -> String {
    if text.chars().count() <= MOST_SHOWN {
        return text.to_owned();
    }
    text.chars().take(MOST_SHOWN).chain(['…']).collect()
}

/// As much of a text as an error repeats.
const MOST_SHOWN: usize = 60;

/// The line of `text` on which the byte `offset` stands, counted from 1.
pub(super) fn line_at(text: &str, offset: usize) -> usize {
    1 + text.bytes().take(offset).filter(|byte| *byte == b'\n').count()
}
