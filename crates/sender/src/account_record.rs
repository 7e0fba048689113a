//! From the two ends' accounts to the run record.

use culvert_record::{
    Buffers, Caveat, CoreUse, Direction, End, Ends, Finding, Percentiles, Plateau, RunRecord,
    SCHEMA, Series, TcpFacts, VoidReason, Way,
};
use culvert_stats::settle_auto;
use culvert_units::explain;
use culvert_wire::message::{
    BufferReport, EndReport, Load, ReceiverReport, SessionRequest, TransmitterReport, UseReport,
};
use jiff::Timestamp;

use crate::dial::{Contact, family_of};
use crate::session::{Account, Broken};
use crate::wanted::Wanted;

/// What is known of a run besides its account.
#[derive(Debug)]
pub(crate) struct RunContext<'a> {
    /// What was wanted.
    pub(crate) wanted: &'a Wanted,
    /// What was asked of the listener.
    pub(crate) request: &'a SessionRequest,
    /// The two ends.
    pub(crate) contact: &'a Contact,
    /// This end's facts.
    pub(crate) near: &'a EndReport,
    /// When the session was asked for.
    pub(crate) started_at: Timestamp,
    /// Identifies the run.
    pub(crate) id: String,
}

/// The record of a session that ran.
pub(crate) fn record_of(context: &RunContext<'_>, account: &Account) -> RunRecord {
    let RunContext { wanted, request, contact, near, started_at, id } = context;
    let far = &contact.far;
    let (far_host, far_received, far_transmitted, port_changes) = match &account.far {
        Some(report) => (
            Some(&report.host),
            report.received.as_ref(),
            report.transmitted.as_ref(),
            report.port_changes,
        ),
        None => (None, None, None, 0),
    };
    let is_paced = matches!(request.load, Load::Paced { .. });
    let mut record = RunRecord {
        schema: SCHEMA.to_owned(),
        id: id.clone(),
        started_at: *started_at,
        kind: wanted.kind(),
        path: wanted.path.clone(),
        family: Some(family_of(contact.peer.ip())),
        asked: wanted.asked(request),
        survey: wanted.survey.clone(),
        void: None,
        caveats: Vec::new(),
        ends: Ends {
            near: Some(end_of(near, far.sees_peer_at.clone(), Some(&account.host))),
            far: Some(end_of(far, Some(contact.peer.ip().to_string()), far_host)),
        },
        toward_far: None,
        toward_near: None,
        rtt_baseline_us: account.round_trips.and_then(|trips| trips.baseline),
        rtt_transfer_us: account.round_trips.and_then(|trips| trips.transfer),
        fragmentation_allowed: is_paced.then_some(true),
    };
    let legs = [
        Leg {
            way: Way::Far,
            transmitter: account.transmitted.as_ref(),
            receiver: far_received,
            series: &account.series_far,
        },
        Leg {
            way: Way::Near,
            transmitter: far_transmitted,
            receiver: account.received.as_ref(),
            series: &account.series_near,
        },
    ];
    for leg in legs.iter().filter(|leg| request.ways.contains(&leg.way)) {
        let direction = Some(leg.direction(context));
        match leg.way {
            Way::Far => record.toward_far = direction,
            Way::Near => record.toward_near = direction,
        }
        record.caveats.extend(leg.caveats(request));
    }
    record.caveats.extend(caveats_of(account, contact, port_changes));
    record.void = void_of(account, &legs, request);
    record
}

/// What a peer's percentiles must be to be one distribution's.
fn is_ordered([n, min, p50, p95, p99, max]: [i64; 6]) -> bool {
    n > 0 && min <= p50 && p50 <= p95 && p95 <= p99 && p99 <= max
}

/// What went one way, as both ends account for it.
struct Leg<'a> {
    way: Way,
    transmitter: Option<&'a TransmitterReport>,
    receiver: Option<&'a ReceiverReport>,
    series: &'a [u64],
}

impl Leg<'_> {
    fn direction(&self, context: &RunContext<'_>) -> Direction {
        let request = context.request;
        let series = (!self.series.is_empty())
            .then(|| Series { step_ms: request.step_ms, bytes: self.series.to_vec() });
        let plateau = series
            .as_ref()
            .map(|series| plateau_of(series, request, context.wanted.asked(request).settle_auto));
        let goodput =
            series.as_ref().zip(plateau).and_then(|(series, plateau)| series.goodput(plateau));
        let direction = Direction {
            goodput_bps: goodput.map(culvert_units::BitRate::bits_per_second),
            plateau,
            series,
            bytes_sent: self.transmitter.map(|report| report.bytes),
            bytes_received: self.receiver.map(|report| report.bytes),
            receive_buffer: self.receiver.map(|report| buffers_of(report.buffer)),
            send_buffer: self.transmitter.map(|report| buffers_of(report.buffer)),
            ..Direction::default()
        };
        match request.load {
            Load::Bulk { .. } => Direction { tcp: self.transmitter.map(tcp_of), ..direction },
            Load::Paced { payload_bytes, .. } => self.with_datagrams(direction, payload_bytes),
        }
    }

    fn with_datagrams(&self, direction: Direction, payload_bytes: u16) -> Direction {
        let sequence = self.receiver.and_then(|report| report.sequence);
        let delay = self.receiver.and_then(|report| report.delay);
        let sent = self.transmitter.and_then(|report| report.datagrams);
        let received = sequence.map(|sequence| sequence.received);
        let lost = sent.zip(received).and_then(|(sent, received)| sent.checked_sub(received));
        let share = |part: Option<u64>, whole: Option<u64>| {
            part.zip(whole)
                .filter(|(_, whole)| *whole > 0)
                .map(|(part, whole)| part as f64 / whole as f64)
        };
        let span = self.transmitter.and_then(|report| report.plateau_ns);
        let rate = |count: Option<u64>| bits_per_second(count?, payload_bytes, span?);
        let reordered = sequence.map(|sequence| sequence.reordered);
        Direction {
            offered_bps: rate(self.transmitter.and_then(|report| report.datagrams_plateau)),
            delivered_bps: rate(sequence.map(|sequence| sequence.received_plateau)),
            sent,
            received,
            lost,
            loss_ratio: share(lost, sent),
            reordered,
            reordered_ratio: share(reordered, received),
            duplicates: sequence.map(|sequence| sequence.duplicates),
            host_dropped: sequence.and_then(|sequence| sequence.host_dropped),
            interarrival_jitter_us: delay.map(|delay| delay.interarrival_jitter_us),
            ipdv_us: delay
                .and_then(|delay| delay.ipdv_us)
                .filter(|p| is_ordered(*p))
                .map(percentiles_of),
            pdv_us: delay
                .and_then(|delay| delay.pdv_us)
                .filter(|p| is_ordered(*p))
                .map(percentiles_of),
            ..direction
        }
    }

    fn caveats(&self, request: &SessionRequest) -> Vec<Finding> {
        let mut caveats = Vec::new();
        let toward = self.way;
        if let Some(report) = self.transmitter {
            let unacknowledged_bytes = report.bytes_written.saturating_sub(report.bytes);
            if unacknowledged_bytes > 0 {
                caveats.push(Caveat::DrainCutShort { toward, unacknowledged_bytes });
            }
            if report.refused_datagrams > 0 {
                caveats
                    .push(Caveat::DatagramsRefused { toward, refused: report.refused_datagrams });
            }
        }
        if let Load::Bulk { congestion_control: asked, .. } = &request.load
            && let Some(used) =
                self.transmitter.and_then(|report| report.congestion_control.clone())
            && used != *asked
        {
            let asked = asked.clone();
            caveats.push(Caveat::CongestionControlNotAllowed { toward, asked, used });
        }
        if let Some(step_us) = self.receiver.and_then(|report| report.clock_step_us) {
            caveats.push(Caveat::ClockStepped { toward, step_us });
        }
        let buffers = [
            self.receiver.map(|report| report.buffer),
            self.transmitter.map(|report| report.buffer),
        ];
        for buffer in buffers.into_iter().flatten() {
            if let (Some(asked_bytes), Some(granted_bytes)) =
                (buffer.asked_bytes, buffer.granted_bytes)
                && granted_bytes < asked_bytes
            {
                caveats.push(Caveat::BufferCapped { toward, asked_bytes, granted_bytes });
            }
        }
        caveats.iter().map(Caveat::to_finding).collect()
    }

    /// A receiver that counted more, step by step, than it says it read contradicts itself.
    fn contradicts_itself(&self) -> Option<VoidReason> {
        let bytes = self.receiver?.bytes;
        let counted = self.series.iter().fold(0_u64, |sum, step| sum.saturating_add(*step));
        (counted > bytes).then_some(VoidReason::CountsContradict {
            toward: self.way,
            sent: bytes,
            received: counted,
        })
    }

    /// Whether the budget ended this leg before its time.
    fn spent(&self, budget: Option<u64>) -> bool {
        budget.is_some_and(|budget| {
            self.transmitter.is_some_and(|report| report.bytes_written >= budget)
        })
    }
}

fn plateau_of(series: &Series, request: &SessionRequest, settle_is_auto: bool) -> Plateau {
    let from_ms = if settle_is_auto {
        settle_auto(series, request.for_ms, request.settle_ms)
    } else {
        request.settle_ms
    };
    Plateau { from_ms, to_ms: from_ms.saturating_add(request.for_ms) }
}

fn caveats_of(account: &Account, contact: &Contact, port_changes: u32) -> Vec<Finding> {
    let mut caveats = Vec::new();
    let silent = account.unanswered_opens > 0;
    let unanswered =
        account.round_trips.filter(|trips| trips.baseline.is_none() && trips.transfer.is_none());
    if silent {
        caveats.push(Caveat::ProbesUnanswered { sent: account.unanswered_opens });
    } else if let Some(trips) = unanswered {
        caveats.push(Caveat::ProbesUnanswered { sent: trips.sent });
    }
    if port_changes > 0 {
        caveats.push(Caveat::PortChanged { times: port_changes });
    }
    if contact.local.ip() == contact.peer.ip() {
        caveats.push(Caveat::SameHost {});
    }
    caveats.iter().map(Caveat::to_finding).collect()
}

/// The reason known to the session itself; what follows from the figures alone is judged later.
fn void_of(account: &Account, legs: &[Leg<'_>], request: &SessionRequest) -> Option<Finding> {
    let reason = match &account.broken {
        Some(Broken::Interrupted) => VoidReason::Interrupted {},
        Some(Broken::Channel(error)) => {
            VoidReason::ControlLost { cause: first_line(&explain(error)) }
        }
        Some(Broken::Refused(refusal)) => VoidReason::ControlLost { cause: refusal.text.clone() },
        None => {
            let fault = legs.iter().find_map(|leg| leg.transmitter?.fault.clone());
            let spent = legs.iter().any(|leg| leg.spent(request.at_most_bytes_each_way));
            if let Some(contradiction) = legs.iter().find_map(Leg::contradicts_itself) {
                return Some(contradiction.to_finding());
            }
            match (fault, request.at_most_bytes_each_way) {
                (Some(cause), _) => VoidReason::TransmitterFailed { cause },
                (None, Some(each)) if spent && matches!(request.load, Load::Bulk { .. }) => {
                    VoidReason::BudgetSpent {
                        at_most_bytes: each.saturating_mul(request.ways.len() as u64),
                    }
                }
                _ => return None,
            }
        }
    };
    Some(reason.to_finding())
}

fn first_line(text: &str) -> String {
    let line = text.lines().next().unwrap_or_default();
    line.strip_prefix("error: ").unwrap_or(line).to_owned()
}

fn end_of(report: &EndReport, seen_from: Option<String>, host: Option<&UseReport>) -> End {
    End {
        program: report.program.clone(),
        system: report.system.clone(),
        processor: report.processor.clone(),
        address: report.address.clone(),
        interface: report.interface.clone(),
        interface_mtu: report.interface_mtu,
        seen_from,
        cores: host.and_then(|host| host.cores.as_ref()).map(|cores| {
            cores
                .iter()
                .map(|core| CoreUse {
                    core: core.core,
                    user: core.user,
                    system: core.system,
                    softirq: core.softirq,
                    steal: core.steal,
                    busy: core.busy,
                })
                .collect()
        }),
        program_cpu_s: host.and_then(|host| host.program_cpu_s),
    }
}

fn tcp_of(report: &TransmitterReport) -> TcpFacts {
    TcpFacts {
        congestion_control: report.congestion_control.clone(),
        segment_payload_bytes: report.segment_payload_bytes,
        timestamps: report.timestamps,
        retransmitted_bytes: report.retransmitted_bytes,
    }
}

const fn buffers_of(report: BufferReport) -> Buffers {
    Buffers { asked_bytes: report.asked_bytes, granted_bytes: report.granted_bytes }
}

fn percentiles_of([n, min, p50, p95, p99, max]: [i64; 6]) -> Percentiles {
    Percentiles { n: u64::try_from(n).unwrap_or(0), min, p50, p95, p99, max }
}

fn bits_per_second(datagrams: u64, payload_bytes: u16, span_ns: u64) -> Option<u64> {
    let bits = u128::from(datagrams) * u128::from(payload_bytes) * 8_000_000_000;
    u64::try_from(bits.checked_div(u128::from(span_ns))?).ok()
}
