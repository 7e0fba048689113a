//! Rounds of the program and of the same reference twice, in alternating order.

use std::time::Duration;

use crate::culvert::{Programs, Run};
use crate::error::BenchError;
use crate::process::Running;
use crate::ratio::{Comparison, Trio};
use crate::reference::Account;
use crate::sections::GIB;
use crate::table::{Row, say};

/// What one run of either side did.
#[derive(Debug, Clone, Copy)]
pub(super) struct Outcome {
    /// Payload bits per second at the receiver.
    pub(super) goodput_bps: f64,
    /// Payload bytes of the whole run at the receiver.
    pub(super) bytes: f64,
    /// Processor time of the transmitting process from start to end, seconds.
    pub(super) near_cpu_s: f64,
    /// The same of the receiving one, seconds.
    pub(super) far_cpu_s: f64,
    /// Datagrams that the receiver's host lost.
    pub(super) host_dropped: Option<f64>,
}

impl Outcome {
    /// The account of a session.
    pub(super) fn of_run(run: &Run) -> Result<Self, BenchError> {
        Ok(Self {
            goodput_bps: run.goodput_bps()?,
            bytes: run.bytes_received()?,
            near_cpu_s: run.near.cpu_s,
            far_cpu_s: run.far_cpu_s,
            host_dropped: run.host_dropped(),
        })
    }

    /// Runs the reference's receiver and then its sender, to which the receiver's port is appended.
    pub(super) fn of_reference(
        programs: &Programs,
        receiver: &[String],
        sender: &[String],
    ) -> Result<Self, BenchError> {
        let program = programs.path("culvert-reference");
        let mut far = Running::start(&program, programs.cores.far, receiver)?;
        let port = far.line()?;
        let sender = sender.iter().cloned().chain([format!("--port={port}")]);
        let near = Running::start(&program, programs.cores.near, sender)?;
        let (far, near) = (far.finish()?, near.finish()?);
        let (took, gave) = (account(&far.stdout)?, account(&near.stdout)?);
        Ok(Self {
            goodput_bps: took.window_bytes as f64 * 8.0 / took.window_s,
            bytes: took.bytes as f64,
            near_cpu_s: near.cpu_s,
            far_cpu_s: far.cpu_s,
            host_dropped: Some(gave.datagrams.saturating_sub(took.datagrams) as f64),
        })
    }

    /// Processor seconds of both ends for each GiB that arrived.
    pub(super) fn cpu_s_per_gib(&self) -> f64 {
        (self.near_cpu_s + self.far_cpu_s) / (self.bytes / GIB)
    }
}

/// The account that a reference printed.
pub(super) fn account(text: &str) -> Result<Account, BenchError> {
    serde_json::from_str(text.trim()).map_err(|_| BenchError::Answer {
        what: "culvert-reference".to_owned(),
        field: "account".to_owned(),
    })
}

/// The words of a window.
pub(super) fn window(settle: Duration, plateau: Duration) -> [String; 2] {
    [format!("--settle={}ms", settle.as_millis()), format!("--for={}ms", plateau.as_millis())]
}

/// One round: the program, and the reference twice.
pub(super) struct Round {
    pub(super) candidate: Outcome,
    pub(super) reference: Outcome,
    pub(super) again: Outcome,
}

/// So many rounds, those that failed left out. The program comes first in one and last in the next.
pub(super) fn rounds(
    count: u16,
    name: &str,
    mut candidate: impl FnMut() -> Result<Outcome, BenchError>,
    mut reference: impl FnMut() -> Result<Outcome, BenchError>,
) -> Result<Vec<Round>, BenchError> {
    let mut rounds = Vec::new();
    let mut last = None;
    for number in 0..count {
        match round(number % 2 == 0, &mut candidate, &mut reference) {
            Ok(round) => {
                say(&format!(
                    "{name} {}/{count}: {:.3} of {:.3} and {:.3} Gbit/s",
                    number + 1,
                    round.candidate.goodput_bps / 1e9,
                    round.reference.goodput_bps / 1e9,
                    round.again.goodput_bps / 1e9
                ));
                rounds.push(round);
            }
            Err(error) => {
                say(&format!("{name} {}/{count}: left out, {error}", number + 1));
                last = Some(error);
            }
        }
    }
    match last {
        // What fails every other time is no result.
        Some(error) if rounds.len() * 2 < usize::from(count) => Err(error),
        _ => Ok(rounds),
    }
}

fn round(
    candidate_first: bool,
    candidate: &mut impl FnMut() -> Result<Outcome, BenchError>,
    reference: &mut impl FnMut() -> Result<Outcome, BenchError>,
) -> Result<Round, BenchError> {
    if candidate_first {
        let candidate = candidate()?;
        return Ok(Round { candidate, reference: reference()?, again: reference()? });
    }
    let (again, reference) = (reference()?, reference()?);
    Ok(Round { reference, again, candidate: candidate()? })
}

/// Compares one quantity of all rounds.
pub(super) fn compare(rounds: &[Round], quantity: fn(&Outcome) -> f64) -> Option<Comparison> {
    let trios: Vec<Trio> = rounds
        .iter()
        .map(|round| Trio {
            candidate: quantity(&round.candidate),
            reference: quantity(&round.reference),
            again: quantity(&round.again),
        })
        .collect();
    Comparison::of(&trios)
}

/// Rates, processor time at each end and losses of both sides, for whoever wants to know what the ratios are made of.
pub(super) fn context(name: &str, rounds: &[Round]) -> Vec<Row> {
    let values = |of: fn(&Round) -> &Outcome, quantity: fn(&Outcome) -> f64| -> Vec<f64> {
        rounds.iter().map(|round| quantity(of(round))).collect()
    };
    let mut rows = Vec::new();
    for side in ["culvert", "reference"] {
        let of: fn(&Round) -> &Outcome =
            if side == "culvert" { |round| &round.candidate } else { |round| &round.reference };
        let row = |what: &str, unit, quantity| {
            Row::plain(format!("{name}, {side}: {what}"), unit, &values(of, quantity))
        };
        rows.push(row("at the receiver", "Gbit/s", |o| o.goodput_bps / 1e9));
        rows.push(row("near", "CPU s/GiB", |o| o.near_cpu_s / (o.bytes / GIB)));
        rows.push(row("far", "CPU s/GiB", |o| o.far_cpu_s / (o.bytes / GIB)));
        if rounds.iter().all(|round| of(round).host_dropped.is_some_and(|lost| lost > 0.0)) {
            rows.push(row("lost in this host", "datagrams", |o| o.host_dropped.unwrap_or(0.0)));
        }
    }
    rows
}
