//! One session as the practitioner wants it, checked, before any listener is asked.

use std::time::Duration;

use culvert_pathmodel::Family;
use culvert_record::{Asked, Kind, PathTaken, SurveyPosition, Toward};
use culvert_session::grant::Session;
use culvert_session::plan::{self, PlannedLoad, SETTLE_AUTO_AT_MOST, Settle, Target};
use culvert_units::{BitRate, Bytes, ExitStatus, Explain, format_duration};
use culvert_wire::message::{Limits, Load, SessionRequest, Way};

/// The buffer asked for each datagram socket unless told otherwise: 30 ms at 1 Gbit/s, beyond any pause of its thread.
pub(crate) const DATAGRAM_BUFFER: Bytes = Bytes::new(4 * 1024 * 1024);

/// How long the baseline is measured unless told otherwise: 25 probes.
pub(crate) const BASELINE: Duration = Duration::from_millis(500);

/// A session and the path it shall take.
#[derive(Debug, Clone)]
pub(crate) struct Wanted {
    /// Whom to dial.
    pub(crate) target: Target,
    /// In which family; `None` takes what the target has.
    pub(crate) family: Option<Family>,
    /// The path as it goes into the record.
    pub(crate) path: PathTaken,
    /// Its place in a survey.
    pub(crate) survey: Option<SurveyPosition>,
    /// The ways to load.
    pub(crate) toward: plan::Toward,
    /// What loads them.
    pub(crate) load: PlannedLoad,
    /// Length of the plateau.
    pub(crate) plateau: Duration,
    /// What is cut away before it.
    pub(crate) settle: Settle,
    /// The most payload the session may move, both ways together.
    pub(crate) at_most: Option<Bytes>,
    /// The socket buffer to ask for.
    pub(crate) buffer: Option<Bytes>,
    /// How long round trips are measured before data flows.
    pub(crate) baseline: Duration,
}

/// A listener that grants whatever makes sense.
const UNLIMITED: Limits =
    Limits { duration_ms: u64::MAX, rate_bps: None, bytes: None, flows: u16::MAX };

/// Datagrams a request plans each way; 0 for bulk and for what makes no sense, `None` without a pace.
pub(crate) fn planned_datagrams(request: &SessionRequest) -> Option<u64> {
    match Session::check(request.clone(), &UNLIMITED) {
        Ok(session) => session.pace_bps().map(|_| session.planned_datagrams()),
        Err(_) => Some(0),
    }
}

/// Widths of a series step, the widest first.
const STEPS_MS: [u64; 4] = [100, 50, 20, 10];

impl Wanted {
    /// The request for the listener.
    pub(crate) fn request(&self) -> Result<SessionRequest, WantedError> {
        let (for_ms, settle_ms) = (whole_ms(self.plateau)?, whole_ms(self.settle_at_most())?);
        let step_ms = STEPS_MS
            .into_iter()
            .find(|step| for_ms.is_multiple_of(*step) && settle_ms.is_multiple_of(*step))
            .ok_or_else(|| WantedError::Uneven {
                plateau: self.plateau,
                settle: self.settle_at_most(),
            })?;
        let request = SessionRequest {
            load: self.wire_load(),
            ways: self.ways(),
            for_ms,
            settle_ms,
            step_ms: u32::try_from(step_ms).unwrap_or(100),
            buffer_bytes: self.buffer_asked().map(Bytes::get),
            at_most_bytes_each_way: self
                .at_most
                .map(|all| all.get() / self.ways().len().max(1) as u64),
        };
        self.check_volume(&request)?;
        // Whatever no listener can grant need not be dialled for.
        Session::check(request.clone(), &UNLIMITED)
            .map_err(|refusal| WantedError::Senseless { text: refusal.text })?;
        Ok(request)
    }

    /// Every parameter as resolved, for the record.
    pub(crate) fn asked(&self, request: &SessionRequest) -> Asked {
        let of_load = match &self.load {
            PlannedLoad::Bulk { flows, congestion_control, mss, dscp } => Asked {
                flows: Some(*flows),
                congestion_control: Some(congestion_control.clone()),
                mss_bytes: *mss,
                dscp: *dscp,
                ..Asked::default()
            },
            PlannedLoad::Paced { pace, payload, burst, handover } => Asked {
                pace_bps: pace.map(BitRate::bits_per_second),
                payload_bytes: Some(*payload),
                burst_ns: burst.map(nanoseconds),
                handover: Some(*handover),
                ..Asked::default()
            },
        };
        Asked {
            toward: match self.toward {
                plan::Toward::Far => Toward::Far,
                plan::Toward::Near => Toward::Near,
                plan::Toward::Both => Toward::Both,
            },
            for_ms: request.for_ms,
            settle_ms: request.settle_ms,
            settle_auto: self.settle_is_auto(),
            at_most_bytes: self.at_most.map(Bytes::get),
            buffer_bytes: request.buffer_bytes,
            baseline_ms: u64::try_from(self.baseline.as_millis()).ok(),
            ..of_load
        }
    }

    /// The kind of the session.
    pub(crate) const fn kind(&self) -> Kind {
        match self.load {
            PlannedLoad::Bulk { .. } => Kind::Bulk,
            PlannedLoad::Paced { .. } => Kind::Paced,
        }
    }

    /// What the session will move, in one sentence, for before it moves it.
    pub(crate) fn volume_sentence(&self) -> String {
        let length = format_duration(self.plateau + self.settle_at_most());
        if self.is_unlimited() {
            let most = self
                .at_most
                .map_or_else(|| "--at-most caps it".to_owned(), |most| format!("at most {most}"));
            return format!(
                "this moves as much as the transmitting host can in {length}, and leaves no room for others; {most}"
            );
        }
        match (self.paced_volume(), self.at_most) {
            (Some(volume), _) => format!("this moves {volume} of payload in {length}"),
            (None, Some(most)) => {
                format!("this moves as much as the path carries in {length}, at most {most}")
            }
            (None, None) => format!(
                "this moves as much as the path carries in {length} (100 Mbit/s would be {}); --at-most caps it",
                BitRate::from_megabits(100).carried_in(self.plateau + self.settle_at_most())
            ),
        }
    }

    /// Whether the data decides on the settle time.
    pub(crate) fn settle_is_auto(&self) -> bool {
        self.settle == Settle::Auto
    }

    /// The ways the session loads.
    pub(crate) fn ways(&self) -> Vec<Way> {
        match self.toward {
            plan::Toward::Far => vec![Way::Far],
            plan::Toward::Near => vec![Way::Near],
            plan::Toward::Both => Way::BOTH.to_vec(),
        }
    }

    const fn settle_at_most(&self) -> Duration {
        match self.settle {
            Settle::Auto => SETTLE_AUTO_AT_MOST,
            Settle::Fixed(settle) => settle,
        }
    }

    fn wire_load(&self) -> Load {
        match &self.load {
            PlannedLoad::Bulk { flows, congestion_control, mss, dscp } => Load::Bulk {
                flows: *flows,
                congestion_control: congestion_control.clone(),
                mss_bytes: *mss,
                dscp: *dscp,
            },
            PlannedLoad::Paced { pace, payload, burst, handover } => Load::Paced {
                pace_bps: pace.map_or(0, BitRate::bits_per_second),
                payload_bytes: *payload,
                unlimited: pace.is_none(),
                burst_ns: burst.map(nanoseconds),
                handover: *handover,
            },
        }
    }

    const fn is_unlimited(&self) -> bool {
        matches!(self.load, PlannedLoad::Paced { pace: None, .. })
    }

    fn buffer_asked(&self) -> Option<Bytes> {
        // TCP adapts its buffers by itself; a fixed one would only hinder it.
        self.buffer.or(match self.load {
            PlannedLoad::Bulk { .. } => None,
            PlannedLoad::Paced { .. } => Some(DATAGRAM_BUFFER),
        })
    }

    fn paced_volume(&self) -> Option<Bytes> {
        let PlannedLoad::Paced { pace: Some(pace), .. } = self.load else { return None };
        let each = pace.carried_in(self.plateau + self.settle_at_most()).get();
        Some(Bytes::new(each.saturating_mul(self.ways().len() as u64)))
    }

    fn check_volume(&self, request: &SessionRequest) -> Result<(), WantedError> {
        if let Load::Paced { pace_bps: 0, unlimited: false, .. } = request.load {
            return Err(WantedError::NoPace);
        }
        match (self.paced_volume(), self.at_most) {
            (Some(volume), Some(at_most)) if volume > at_most => {
                Err(WantedError::OverBudget { volume, at_most })
            }
            _ => Ok(()),
        }
    }
}

fn nanoseconds(duration: Duration) -> u64 {
    u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX)
}

fn whole_ms(duration: Duration) -> Result<u64, WantedError> {
    let ms = u64::try_from(duration.as_millis()).unwrap_or(u64::MAX);
    if Duration::from_millis(ms) == duration {
        Ok(ms)
    } else {
        Err(WantedError::NoMilliseconds { duration })
    }
}

/// Why a session cannot be as it was wanted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(crate) enum WantedError {
    /// A duration finer than a millisecond.
    #[error("{} is not a whole number of milliseconds", format_duration(*duration))]
    NoMilliseconds {
        /// The duration.
        duration: Duration,
    },
    /// Durations that no series step divides.
    #[error(
        "a plateau of {} after {} of settling cannot be divided into steps",
        format_duration(*plateau),
        format_duration(*settle)
    )]
    Uneven {
        /// The plateau.
        plateau: Duration,
        /// The settle time.
        settle: Duration,
    },
    /// A pace of nothing.
    #[error("a pace of 0 bit/s sends nothing")]
    NoPace,
    /// Something that no listener can do.
    #[error("{text}")]
    Senseless {
        /// What, with its value.
        text: String,
    },
    /// The session would move more than allowed.
    #[error("this session would move {volume}, more than the {at_most} allowed")]
    OverBudget {
        /// What it would move.
        volume: Bytes,
        /// What is allowed.
        at_most: Bytes,
    },
}

impl Explain for WantedError {
    fn hint(&self) -> Option<String> {
        Some(
            match self {
                Self::NoMilliseconds { .. } | Self::Uneven { .. } => "use multiples of 10ms",
                Self::NoPace => "give a rate such as --pace 10Mbit/s",
                Self::Senseless { .. } => "add --help to see what can be asked",
                Self::OverBudget { .. } => "lower the pace, shorten --for, or raise --at-most",
            }
            .to_owned(),
        )
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Usage
    }
}
