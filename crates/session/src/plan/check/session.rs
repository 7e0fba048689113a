//! The sessions.

use std::time::Duration;

use culvert_units::{BitRate, Bytes, Dscp, format_duration};
use culvert_wire::datagram::{MAX_PAYLOAD, MIN_PAYLOAD};
use culvert_wire::message::Handover;

use super::{at_most_so_many, in_range, positive, whole_number, word};
use crate::grant::{LARGEST_BUFFER, SEGMENT_BYTES};
use crate::pacing::LARGEST_DEBT_NS;
use crate::plan::error::seconds;
use crate::plan::{
    Plan, PlanError, PlannedLoad, PlannedSession, Settle, TextProblem, Toward,
    typed::{At, Key, Section},
};

/// What a listener grants for settle and plateau together unless told otherwise.
const GRANTED: Duration = Duration::from_mins(2);
const SHORTEST: Duration = Duration::from_secs(1);
const MOST_FLOWS: i64 = 64;
const FLOWS: u16 = 1;
const PAYLOAD: u16 = 1_200;
/// Instead of a pace: as fast as the transmitting host can.
const UNLIMITED: &str = "unlimited";
const CONGESTION_CONTROL: &str = "cubic";

const KEYS: &[Key] = &[
    Key { name: "kind", example: "kind = \"bulk\"" },
    Key { name: "toward", example: "toward = \"far\"" },
    Key { name: "for", example: "for = \"5s\"" },
    Key { name: "settle", example: "settle = \"1s\"" },
    Key { name: "flows", example: "flows = 1" },
    Key { name: "congestion_control", example: "congestion_control = \"cubic\"" },
    Key { name: "mss", example: "mss = 1360" },
    Key { name: "dscp", example: "dscp = \"af11\"" },
    Key { name: "buffer", example: "buffer = \"4MiB\"" },
    Key { name: "pace", example: "pace = \"20Mbit/s\"" },
    Key { name: "payload", example: "payload = 1200" },
    Key { name: "burst", example: "burst = \"100us\"" },
    Key { name: "handover", example: "handover = \"auto\"" },
];

#[derive(Clone, Copy)]
enum Kind {
    Bulk,
    Paced,
}

/// `plan` with its sessions, each of which fits the plan's budget.
pub(super) fn add_sessions(
    mut plan: Plan,
    typed: &Section<'_>,
    most: usize,
) -> Result<Plan, PlanError> {
    let sections = typed.sections("sessions", "[[sessions]]", KEYS)?;
    if sections.is_empty() {
        return typed.required("sessions", None);
    }
    at_most_so_many(sections.len(), "sessions", most)?;
    for section in &sections {
        let session = session(section)?;
        if let (Some(needed), Some(at_most)) = (plan.volume_of(&session), plan.at_most())
            && needed > at_most
        {
            return Err(PlanError::AboveBudget { line: section.begins_at(), needed, at_most });
        }
        plan.sessions.push(session);
    }
    Ok(plan)
}

fn session(section: &Section<'_>) -> Result<PlannedSession, PlanError> {
    let kind = section.required("kind", section.text("kind")?)?;
    let kind = word("kind", kind, &[("bulk", Kind::Bulk), ("paced", Kind::Paced)])?;
    only_its_own_keys(section, kind)?;
    let toward = section.required("toward", section.text("toward")?)?;
    let ways = [("far", Toward::Far), ("near", Toward::Near), ("both", Toward::Both)];
    let toward = word("toward", toward, &ways)?;
    let plateau = section.required("for", section.duration("for")?)?;
    let show = |time: &Duration| seconds(*time);
    let plateau = in_range(section, "for", plateau, (SHORTEST, GRANTED), show)?;
    let settle = settle(section)?;
    let load = match kind {
        Kind::Bulk => bulk(section)?,
        Kind::Paced => paced(section, plateau)?,
    };
    let buffer = buffer(section)?;
    let session = PlannedSession { toward, plateau, settle: settle.for_load(&load), load, buffer };
    if session.longest() > GRANTED {
        let (line, needed) = (section.begins_at(), session.longest());
        return Err(PlanError::SessionTooLong { line, needed, most: GRANTED });
    }
    Ok(session)
}

fn only_its_own_keys(section: &Section<'_>, kind: Kind) -> Result<(), PlanError> {
    let (kind, other, foreign): (_, _, &[_]) = match kind {
        Kind::Bulk => ("bulk", "paced", &["pace", "payload", "burst", "handover"]),
        Kind::Paced => ("paced", "bulk", &["flows", "congestion_control", "mss", "dscp"]),
    };
    section.first_of(foreign).map_or(Ok(()), |At { value: key, line }| {
        Err(PlanError::OtherKind { line, key, kind, other })
    })
}

fn settle(section: &Section<'_>) -> Result<Settle, PlanError> {
    let Some(at) = section.text("settle")? else { return Ok(Settle::Auto) };
    if at.value == "auto" {
        return Ok(Settle::Auto);
    }
    let typed = section.required("settle", section.duration("settle")?)?;
    let range = (Duration::ZERO, GRANTED.saturating_sub(SHORTEST));
    in_range(section, "settle", typed, range, |time| seconds(*time)).map(Settle::Fixed)
}

fn buffer(section: &Section<'_>) -> Result<Option<Bytes>, PlanError> {
    let Some(typed) = section.bytes("buffer")? else { return Ok(None) };
    let range = (Bytes::new(1), LARGEST_BUFFER);
    in_range(section, "buffer", typed, range, ToString::to_string).map(Some)
}

fn bulk(section: &Section<'_>) -> Result<PlannedLoad, PlanError> {
    let flows = whole_number(section, "flows", 1, MOST_FLOWS)?.unwrap_or(FLOWS);
    let congestion_control = congestion_control(section)?;
    let [least, most] = [*SEGMENT_BYTES.start(), *SEGMENT_BYTES.end()].map(i64::from);
    let mss = whole_number(section, "mss", least, most)?;
    Ok(PlannedLoad::Bulk { flows, congestion_control, mss, dscp: dscp(section)? })
}

fn dscp(section: &Section<'_>) -> Result<Option<Dscp>, PlanError> {
    let key = "dscp";
    let Some(at) = section.text(key)? else { return Ok(None) };
    at.value.parse().map(Some).map_err(|_| PlanError::Text {
        line: at.line,
        key,
        problem: TextProblem::NotACodepoint,
        example: section.example(key),
    })
}

fn congestion_control(section: &Section<'_>) -> Result<String, PlanError> {
    let key = "congestion_control";
    let Some(at) = section.text(key)? else { return Ok(CONGESTION_CONTROL.to_owned()) };
    let in_word = |byte: u8| byte.is_ascii_alphanumeric() || matches!(byte, b'_' | b'-');
    let problem = match at.value.len() {
        0 => TextProblem::Empty,
        1..=MOST_CONGESTION_CONTROL if at.value.bytes().all(in_word) => {
            return Ok(at.value.to_owned());
        }
        1..=MOST_CONGESTION_CONTROL => TextProblem::NotAWord,
        found => TextProblem::Long { found, most: MOST_CONGESTION_CONTROL },
    };
    Err(PlanError::Text { line: at.line, key, problem, example: section.example(key) })
}

fn paced(section: &Section<'_>, plateau: Duration) -> Result<PlannedLoad, PlanError> {
    let [least, most] =
        [MIN_PAYLOAD, MAX_PAYLOAD].map(|bytes| i64::try_from(bytes).unwrap_or(i64::MAX));
    let payload = whole_number(section, "payload", least, most)?.unwrap_or(PAYLOAD);
    let pace = pace(section)?;
    if let Some(At { value: pace, line }) = pace
        && pace.carried_in(plateau).get() < u64::from(payload)
    {
        return Err(PlanError::PaceTooSlow { line, pace, payload, plateau });
    }
    Ok(PlannedLoad::Paced {
        pace: pace.map(|at| at.value),
        payload,
        burst: burst(section)?,
        handover: handover(section)?,
    })
}

/// The pace; `None` without limit.
fn pace(section: &Section<'_>) -> Result<Option<At<BitRate>>, PlanError> {
    if section.text("pace")?.is_some_and(|at| at.value == UNLIMITED) {
        return Ok(None);
    }
    let typed = section.required("pace", section.rate("pace")?)?;
    let line = typed.line;
    let nothing = BitRate::from_bits_per_second(0);
    let pace = positive(section, "pace", Some(typed), &nothing)?;
    section.required("pace", pace).map(|value| Some(At { value, line }))
}

fn burst(section: &Section<'_>) -> Result<Option<Duration>, PlanError> {
    let Some(typed) = section.duration("burst")? else { return Ok(None) };
    let range = (Duration::ZERO, Duration::from_nanos(LARGEST_DEBT_NS));
    in_range(section, "burst", typed, range, |time| format_duration(*time)).map(Some)
}

fn handover(section: &Section<'_>) -> Result<Handover, PlanError> {
    let Some(typed) = section.text("handover")? else { return Ok(Handover::Auto) };
    let ways = [
        ("auto", Handover::Auto),
        ("segmented", Handover::Segmented),
        ("batched", Handover::Batched),
        ("single", Handover::Single),
    ];
    word("handover", typed, &ways)
}

/// Linux's `TCP_CA_NAME_MAX` is 16, the closing zero included (`include/net/tcp.h`).
const MOST_CONGESTION_CONTROL: usize = 15;
