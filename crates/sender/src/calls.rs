//! A call session: its parts one after the other, two of them with a bulk session of its own beside.

mod outcome;

use std::thread;
use std::time::Duration;

use culvert_record::{
    Beside, CallFacts, Finding, Kind, LedgerError, RunRecord, VoidReason, Way, describe_void,
};
use culvert_report::CallsPart;
use culvert_session::calls::{CALL_PACE, CALL_PAYLOAD, call_bytes, call_parts};
use culvert_session::plan::{PlannedLoad, Settle, Toward};
use culvert_units::{Bytes, explain, format_duration};
use culvert_wire::message::{Handover, RefusalReason};

use crate::args::CallsArgs;
use crate::interrupt::Interrupt;
use crate::runner::{RunError, Runner, Seen};
use crate::session::SessionError;
use crate::wanted::{BASELINE, Wanted};

/// What is cut away before each part.
const SETTLE: Duration = Duration::from_secs(1);
/// How long the bulk flow runs before the call is dialled, and how much longer than the call it is to last: dialling
/// through the queue it makes takes several round trips.
const LEAD: Duration = Duration::from_millis(1_500);
const TAIL: Duration = Duration::from_secs(4);
/// How often it is looked whether the bulk flow still runs meanwhile.
const LOOK: Duration = Duration::from_millis(50);

/// The parts of a call session.
#[derive(Debug)]
pub(crate) struct CallParts {
    call: Wanted,
    parts: Vec<Beside>,
    bulk_at_most: Option<Bytes>,
    call_volume: Bytes,
}

/// Why a call session ended before its time.
#[derive(Debug)]
pub(crate) enum Stopped {
    /// No session came about.
    Failed(Box<RunError>),
    /// One broke.
    Void(Finding),
}

impl CallParts {
    /// The parts as asked.
    pub(crate) fn new(args: &CallsArgs, seen: &Seen) -> Self {
        let for_ms = u64::try_from((args.length + SETTLE).as_millis()).unwrap_or(u64::MAX);
        let header = u16::try_from(seen.family.header_length() + 8).unwrap_or(u16::MAX);
        let mut planned = call_parts(for_ms).to_vec();
        if args.alone {
            planned.truncate(1);
        }
        let payload = CALL_PACE.carried_in(args.length + SETTLE).get() + u64::from(CALL_PAYLOAD);
        let call = Wanted {
            path: args.through.taken(&args.target),
            target: args.target.clone(),
            family: Some(seen.family),
            survey: None,
            toward: Toward::Both,
            load: PlannedLoad::Paced {
                pace: Some(CALL_PACE),
                payload: CALL_PAYLOAD,
                burst: None,
                // As a call's packets leave, each by itself.
                handover: Handover::Single,
            },
            plateau: args.length,
            settle: Settle::Fixed(SETTLE),
            // Only a listener with a limit of its own has to be told.
            at_most: seen.limits.bytes.map(|_| Bytes::new(2 * payload)),
            buffer: None,
            baseline: BASELINE,
        };
        Self {
            call,
            bulk_at_most: args.at_most.map(|all| Bytes::new(all.get() / 2)),
            call_volume: call_bytes(&planned, header),
            parts: planned.into_iter().map(|part| of_part(part.beside)).collect(),
        }
    }

    /// What it will move, in one sentence, for before it moves it.
    pub(crate) fn volume_sentence(&self) -> String {
        let calls = format!("the calls move {} in IP packets", self.call_volume);
        let length = format_duration(self.bulk_length() + SETTLE);
        match self.bulk_at_most {
            _ if self.parts.len() == 1 => calls,
            Some(most) => format!("{calls}, and each of two bulk flows beside them at most {most}"),
            None => format!(
                "{calls}, and each of two bulk flows beside them as much as the path carries in {length}; --at-most caps \
                 them, --alone leaves them out"
            ),
        }
    }

    /// Runs each part and hands it on; says why when it had to stop.
    pub(crate) fn run(
        &self,
        runner: &Runner,
        keep: &mut dyn FnMut(CallsPart) -> Result<(), LedgerError>,
    ) -> Result<Option<Stopped>, LedgerError> {
        for beside in &self.parts {
            let part = match self.part(runner, *beside) {
                Ok(part) => part,
                Err(error) => return Ok(Some(Stopped::Failed(Box::new(error)))),
            };
            let void = part.run.as_ref().and_then(|run| run.void.clone());
            keep(part)?;
            if let Some(void) = void.filter(ends_all) {
                return Ok(Some(Stopped::Void(void)));
            }
        }
        Ok(None)
    }

    fn part(&self, runner: &Runner, beside: Beside) -> Result<CallsPart, RunError> {
        let toward = match beside {
            Beside::Alone => {
                let run = runner.run(&self.call)?;
                return Ok(CallsPart {
                    beside,
                    not_measured: None,
                    run: Some(call_of(run, beside, None)),
                });
            }
            Beside::BulkTowardFar => Way::Far,
            Beside::BulkTowardNear => Way::Near,
        };
        let not_measured = |reason| CallsPart { beside, not_measured: Some(reason), run: None };
        let stop = runner.interrupt().branch();
        let both = self.beside_bulk(runner, toward, &stop)?;
        let bulk = match both.bulk {
            Err(error) if is_refusal(&error) => return Ok(not_measured(reason_of(&error))),
            bulk => bulk?,
        };
        let call = match both.call {
            None => Err(format!("the bulk flow ended before the call began{}", why(&bulk))),
            Some(Err(error)) if is_refusal(&error) => Err(reason_of(&error)),
            Some(call) => Ok(call?),
        };
        Ok(match call {
            Err(reason) => not_measured(reason),
            Ok(_) if !both.outlived && !runner.interrupt().is_raised() => {
                not_measured(format!("the bulk flow ended before the call did{}", why(&bulk)))
            }
            Ok(call) => {
                let goodput = bulk.direction(toward).filter(|_| bulk.void.is_none());
                let goodput = goodput.and_then(|direction| direction.goodput_bps);
                CallsPart { beside, not_measured: None, run: Some(call_of(call, beside, goodput)) }
            }
        })
    }

    /// A call while a bulk session of its own conversation runs.
    fn beside_bulk(
        &self,
        runner: &Runner,
        toward: Way,
        stop: &Interrupt,
    ) -> Result<Both, RunError> {
        let wanted = self.bulk(toward);
        let companion = runner.companion(stop.clone())?;
        Ok(thread::scope(|scope| {
            let bulk = scope.spawn(move || companion.run(&wanted));
            let mut waited = Duration::ZERO;
            while waited < LEAD && !bulk.is_finished() {
                thread::sleep(LOOK);
                waited += LOOK;
            }
            let call = (!bulk.is_finished())
                .then(|| runner.run(&Wanted { baseline: Duration::ZERO, ..self.call.clone() }));
            let outlived = !bulk.is_finished();
            // What has nothing beside it need not load the path.
            if matches!(call, Some(Err(_))) {
                stop.raise();
            }
            let bulk = bulk.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
            Both { call, bulk, outlived }
        }))
    }

    fn bulk(&self, toward: Way) -> Wanted {
        Wanted {
            toward: match toward {
                Way::Far => Toward::Far,
                Way::Near => Toward::Near,
            },
            load: PlannedLoad::Bulk {
                flows: 1,
                congestion_control: "cubic".to_owned(),
                mss: None,
                dscp: None,
            },
            plateau: self.bulk_length(),
            at_most: self.bulk_at_most,
            baseline: Duration::ZERO,
            ..self.call.clone()
        }
    }

    fn bulk_length(&self) -> Duration {
        SETTLE + self.call.plateau + TAIL
    }
}

/// A call and the bulk session beside it.
struct Both {
    /// `None` when the bulk session was over before.
    call: Option<Result<RunRecord, RunError>>,
    bulk: Result<RunRecord, RunError>,
    /// Whether the bulk session outlived the call.
    outlived: bool,
}

impl Stopped {
    /// Why, in words.
    pub(crate) fn reason(&self) -> String {
        match self {
            Self::Failed(error) => first_line(error),
            Self::Void(finding) => describe_void(finding),
        }
    }
}

/// The call's own record: of its own kind, judged, and with what it means for a call.
fn call_of(mut run: RunRecord, beside: Beside, bulk_goodput_bps: Option<u64>) -> RunRecord {
    run.kind = Kind::Calls;
    culvert_verdict::judge(&mut run, None);
    let rtt = run.rtt_transfer_us;
    let outcome = |way| {
        let direction = run.direction(way).filter(|_| run.void.is_none())?;
        outcome::of(direction, rtt.as_ref())
    };
    let facts = CallFacts {
        beside,
        bulk_goodput_bps,
        toward_far: outcome(Way::Far),
        toward_near: outcome(Way::Near),
    };
    run.call = Some(facts);
    run
}

const fn of_part(beside: culvert_session::calls::Beside) -> Beside {
    use culvert_session::calls::Beside as Planned;

    match beside {
        Planned::Alone => Beside::Alone,
        Planned::BulkTowardFar => Beside::BulkTowardFar,
        Planned::BulkTowardNear => Beside::BulkTowardNear,
    }
}

/// Whether no further part is worth trying.
fn ends_all(void: &Finding) -> bool {
    matches!(
        VoidReason::from_finding(void),
        Some(
            VoidReason::Interrupted {}
                | VoidReason::ControlLost { .. }
                | VoidReason::EndedByListener { .. }
        )
    )
}

/// The listener lets less run than this part needs: the parts that it lets run are no worse for it.
fn is_refusal(error: &RunError) -> bool {
    let of_limits = |reason| matches!(reason, RefusalReason::Busy | RefusalReason::Limit);
    matches!(
        error,
        RunError::Session(SessionError::Refused(refusal) | SessionError::NotGranted(refusal))
            if of_limits(refusal.reason)
    )
}

fn reason_of(error: &RunError) -> String {
    let RunError::Session(SessionError::Refused(refusal)) = error else { return first_line(error) };
    if refusal.reason == RefusalReason::Busy {
        format!("{}; two at a time need culvertd --limit-sessions 2", refusal.text)
    } else {
        first_line(error)
    }
}

fn why(bulk: &RunRecord) -> String {
    bulk.void.as_ref().map_or_else(String::new, |void| format!(": {}", describe_void(void)))
}

fn first_line(error: &RunError) -> String {
    let text = explain(error);
    let line = text.lines().next().unwrap_or_default();
    line.strip_prefix("error: ").unwrap_or(line).to_owned()
}
