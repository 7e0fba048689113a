//! One way of a session, as both ends account for it.

use culvert_record::{
    Caveat, Departure, Direction, Percentiles, Plateau, Series, TcpFacts, VoidReason, Way,
};
use culvert_stats::{ClockView, settle_auto};
use culvert_verdict::PACE_KEPT;
use culvert_wire::message::{
    BufferReport, DepartureReport, Load, ReceiverReport, SessionRequest, TcpSamplesReport,
    TransmitterReport,
};

use super::RunContext;
use crate::wanted::planned_datagrams;

/// Arrivals that take this much longer than sending did mean a queue that grew: delay variation alone is a few
/// milliseconds in a plateau of seconds (common practice, no published source).
const QUEUE_GREW: f64 = 1.01;

/// Bursts that leave later than this after they were due are no pace any more, microseconds (common practice).
const LATE_US: i64 = 1_000;

/// What a peer's percentiles must be to be one distribution's.
pub(super) fn is_ordered([n, min, p50, p95, p99, max]: [i64; 6]) -> bool {
    n > 0 && min <= p50 && p50 <= p95 && p95 <= p99 && p99 <= max
}

/// What went one way, as both ends account for it.
pub(super) struct Leg<'a> {
    pub(super) way: Way,
    pub(super) transmitter: Option<&'a TransmitterReport>,
    pub(super) receiver: Option<&'a ReceiverReport>,
    pub(super) series: &'a [u64],
    pub(super) transmitter_samples: Option<&'a TcpSamplesReport>,
    pub(super) receiver_samples: Option<&'a TcpSamplesReport>,
    pub(super) clocks: Option<ClockView>,
}

impl Leg<'_> {
    /// The figures of this way.
    pub(super) fn direction(&self, context: &RunContext<'_>) -> Direction {
        let request = context.request;
        let series = self.series_of(request);
        let plateau = series.as_ref().map(|_| plateau_of(request));
        let goodput =
            series.as_ref().zip(plateau).and_then(|(series, plateau)| series.goodput(plateau));
        let direction = Direction {
            goodput_bps: goodput.map(culvert_units::BitRate::bits_per_second),
            plateau,
            series,
            bytes_sent: self
                .transmitter
                .filter(|report| !report.acknowledged_unknown)
                .map(|report| report.bytes),
            bytes_received: self.receiver.map(|report| report.bytes),
            receive_buffer: self.receiver.map(|report| report.buffer),
            send_buffer: self.transmitter.map(|report| report.buffer),
            ..Direction::default()
        };
        match request.load {
            Load::Bulk { .. } => Direction { tcp: self.tcp_facts(), ..direction },
            Load::Paced { payload_bytes, .. } | Load::Capacity { payload_bytes, .. } => {
                self.with_datagrams(direction, payload_bytes, planned_datagrams(request))
            }
            Load::Sounding {} => direction,
        }
    }

    fn tcp_facts(&self) -> Option<TcpFacts> {
        let report = self.transmitter?;
        Some(TcpFacts {
            congestion_control: report.congestion_control.clone(),
            segment_payload_bytes: report.segment_payload_bytes,
            timestamps: report.timestamps,
            retransmitted_bytes: report.retransmitted_bytes,
            dscp: report.dscp,
            discarded_in_kernel: self.receiver.and_then(|report| report.discarded_in_kernel),
            transmitter_samples: self.transmitter_samples.cloned(),
            receiver_samples: self.receiver_samples.cloned(),
        })
    }

    fn with_datagrams(
        &self,
        direction: Direction,
        payload_bytes: u16,
        planned: Option<u64>,
    ) -> Direction {
        let sequence = self.receiver.and_then(|report| report.sequence);
        let delay = self.delay();
        let sent = self.transmitter.and_then(|report| report.datagrams);
        let received = sequence.map(|sequence| sequence.received);
        let lost = sent.zip(received).and_then(|(sent, received)| sent.checked_sub(received));
        let share = |part: Option<u64>, whole: Option<u64>| {
            part.zip(whole)
                .filter(|(_, whole)| *whole > 0)
                .map(|(part, whole)| part as f64 / whole as f64)
        };
        let (offered_bps, delivered_bps) = self.datagram_rates(payload_bytes, planned);
        let reordered = sequence.map(|sequence| sequence.reordered);
        Direction {
            offered_bps,
            delivered_bps,
            sent,
            received,
            lost,
            loss_ratio: share(lost, sent),
            reordered,
            reordered_ratio: share(reordered, received),
            duplicates: sequence.map(|sequence| sequence.duplicates),
            late: sequence.map(|sequence| sequence.late),
            refused: sequence.map(|sequence| sequence.refused),
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
            delay_of_burst_heads: delay.map(|delay| delay.of_burst_heads),
            replicated: self.receiver.and_then(|report| report.order).map(|order| order.replicated),
            loss_runs: self.loss_runs(),
            reordering: self.reordering(),
            clock_skew: self.clock_skew(),
            one_way_delay: self.one_way_delay(),
            sent_by: self.transmitter.and_then(|report| report.handover),
            received_by: self.receiver.and_then(|report| report.handover),
            departure: self
                .transmitter
                .and_then(|report| Some(departure_of(report.departure?, report.debt_dropped_ns))),
            queue_full: self.transmitter.map(|report| report.queue_full),
            buffer_full: self.transmitter.map(|report| report.buffer_full),
            ..direction
        }
    }

    /// What weakens them, as far as the ends say so themselves.
    pub(super) fn caveats(&self, context: &RunContext<'_>) -> Vec<Caveat> {
        let transmitter =
            self.transmitter.map(|report| self.transmitter_caveats(report, context.request));
        let receiver = self.receiver.map(|report| self.receiver_caveats(report));
        let buffers = [
            self.receiver.map(|report| (report.buffer, report.buffer_capped)),
            self.transmitter.map(|report| (report.buffer, report.buffer_capped)),
        ];
        let capped = buffers.into_iter().flatten().filter_map(|buffer| self.capped(buffer));
        let unsteady = self.not_steady(context);
        transmitter.into_iter().chain(receiver).flatten().chain(capped).chain(unsteady).collect()
    }

    fn transmitter_caveats(
        &self,
        report: &TransmitterReport,
        request: &SessionRequest,
    ) -> Vec<Caveat> {
        let toward = self.way;
        let mut caveats = Vec::new();
        let unacknowledged_bytes = report.bytes_written.saturating_sub(report.bytes);
        if unacknowledged_bytes > 0 {
            caveats.push(Caveat::DrainCutShort { toward, unacknowledged_bytes });
        }
        let unread =
            self.receiver.map_or(0, |receiver| report.bytes.saturating_sub(receiver.bytes));
        if unread > 0 && matches!(request.load, Load::Bulk { .. }) {
            caveats.push(Caveat::AcknowledgedUnread { toward, bytes: unread });
        }
        if report.refused_datagrams > 0 {
            caveats.push(Caveat::DatagramsRefused { toward, refused: report.refused_datagrams });
        }
        if report.debt_dropped_ns > 0 {
            let dropped_ms = report.debt_dropped_ns.div_ceil(1_000_000);
            caveats.push(Caveat::PaceDebtDropped { toward, dropped_ms });
        }
        caveats.extend(self.not_as_asked(report, request));
        let times = report.queue_full.saturating_add(report.buffer_full);
        if times > 0 {
            caveats.push(Caveat::HostQueueFull { toward, times });
        }
        caveats.extend(report.departure.and_then(|departure| uneven(toward, departure)));
        caveats
    }

    /// What the transmitter's TCP did otherwise than it was asked to.
    fn not_as_asked(&self, report: &TransmitterReport, request: &SessionRequest) -> Vec<Caveat> {
        let toward = self.way;
        let Load::Bulk { congestion_control, mss_bytes, dscp, .. } = &request.load else {
            return Vec::new();
        };
        let control = report.congestion_control.clone().filter(|used| used != congestion_control);
        let control = control.map(|used| Caveat::CongestionControlNotAllowed {
            toward,
            asked: congestion_control.clone(),
            used,
        });
        let segment =
            mss_bytes.zip(mss_of(report)).filter(|(asked, used)| u64::from(*asked) != *used);
        let segment = segment.map(|(asked, used_bytes)| Caveat::SegmentSizeOther {
            toward,
            asked_bytes: asked.into(),
            used_bytes,
        });
        let mark = dscp.zip(report.dscp).filter(|(asked, used)| asked != used);
        let mark = mark.map(|(asked, used)| Caveat::MarkOther {
            toward,
            asked: asked.get(),
            used: used.get(),
        });
        control.into_iter().chain(segment).chain(mark).collect()
    }

    fn receiver_caveats(&self, report: &ReceiverReport) -> Vec<Caveat> {
        let toward = self.way;
        let mut caveats = Vec::new();
        if let Some(sequence) = report.sequence {
            if sequence.late > 0 {
                caveats.push(Caveat::TooLate { toward, late: sequence.late });
            }
            if sequence.refused > 0 {
                caveats.push(Caveat::RefusedDatagrams { toward, refused: sequence.refused });
            }
        }
        if let Some(delay) = self.delay().filter(|delay| delay.of_burst_heads) {
            let timed = delay.pdv_us.and_then(|[n, ..]| u64::try_from(n).ok()).unwrap_or(0);
            let received = report.sequence.map_or(0, |sequence| sequence.received);
            caveats.push(Caveat::DelayOfBurstHeads { toward, timed, received });
        }
        let between = self.clock_step_us().filter(|_| report.sequence.is_some());
        if let Some(step_us) = report.clock_step_us.or(between) {
            caveats.push(Caveat::ClockStepped { toward, step_us });
        }
        caveats
    }

    fn capped(&self, (buffer, is_capped): (BufferReport, bool)) -> Option<Caveat> {
        let (asked_bytes, granted_bytes) = (buffer.asked_bytes?, buffer.granted_bytes?);
        is_capped.then_some(Caveat::BufferCapped { toward: self.way, asked_bytes, granted_bytes })
    }

    /// Under `auto` the data says whether what was cut away was enough.
    fn not_steady(&self, context: &RunContext<'_>) -> Option<Caveat> {
        let request = context.request;
        let series = self.series_of(request).filter(|_| context.wanted.settle_is_auto())?;
        let needed = settle_auto(&series, request.for_ms, request.settle_ms);
        (needed >= request.settle_ms)
            .then_some(Caveat::NotSteady { toward: self.way, settle_ms: request.settle_ms })
    }

    fn series_of(&self, request: &SessionRequest) -> Option<Series> {
        (!self.series.is_empty())
            .then(|| Series { step_ms: request.step_ms, bytes: self.series.to_vec() })
    }

    /// Offered and delivered rate over the plateau's numbers; over the whole run when the transmitter fell so far behind
    /// that it sent few of these, or none.
    fn datagram_rates(
        &self,
        payload_bytes: u16,
        planned: Option<u64>,
    ) -> (Option<u64>, Option<u64>) {
        let (Some(transmitter), sequence) =
            (self.transmitter, self.receiver.and_then(|report| report.sequence))
        else {
            return (None, None);
        };
        let kept_up = planned.is_none_or(|planned| {
            transmitter.datagrams.is_some_and(|sent| sent as f64 >= planned as f64 * PACE_KEPT)
        });
        let rate =
            |count: Option<u64>, span: Option<u64>| bits_per_second(count?, payload_bytes, span?);
        if !kept_up {
            let received = sequence.map(|sequence| sequence.received);
            return (
                rate(transmitter.datagrams, transmitter.whole_ns),
                rate(received, transmitter.whole_ns),
            );
        }
        let sending = transmitter.plateau_ns;
        // A queue that grows meanwhile delivers over a longer time than was sent over; the path is no faster than that.
        let arrived = sequence.and_then(|sequence| sequence.plateau_arrival_ns);
        let queue_grew = sending
            .zip(arrived)
            .is_some_and(|(sent, arrived)| arrived as f64 > sent as f64 * QUEUE_GREW);
        let arriving = if queue_grew { arrived } else { sending };
        let received = sequence.map(|sequence| sequence.received_plateau);
        (rate(transmitter.datagrams_plateau, sending), rate(received, arriving))
    }

    /// What makes the leg worthless by what its ends say, when both say anything.
    pub(super) fn void(&self, request: &SessionRequest) -> Option<VoidReason> {
        let toward = self.way;
        let (Some(transmitter), Some(receiver)) = (self.transmitter, self.receiver) else {
            return Some(VoidReason::AccountIncomplete { toward });
        };
        let each = request.at_most_bytes_each_way.unwrap_or(u64::MAX);
        if let Some(cause) = transmitter.fault.clone() {
            return Some(VoidReason::TransmitterFailed { cause });
        }
        if transmitter.budget_spent {
            let at_most_bytes = each.saturating_mul(request.ways.len() as u64);
            return Some(VoidReason::BudgetSpent { at_most_bytes });
        }
        if receiver.budget_exceeded {
            return Some(VoidReason::BudgetExceeded { toward, at_most_bytes: each });
        }
        // Only the far end's series has travelled.
        if toward == Way::Far && receiver.series_steps as usize != self.series.len() {
            return Some(VoidReason::AccountIncomplete { toward });
        }
        self.contradiction(transmitter, receiver)
    }

    /// A receiver that counted more, step by step, than it says it read, or more datagrams of the plateau than left.
    fn contradiction(
        &self,
        transmitter: &TransmitterReport,
        receiver: &ReceiverReport,
    ) -> Option<VoidReason> {
        let counted = self.series.iter().fold(0_u64, |sum, step| sum.saturating_add(*step));
        let plateau = receiver.sequence.map_or(0, |sequence| sequence.received_plateau);
        let sent = transmitter.datagrams_plateau.unwrap_or(u64::MAX);
        let toward = self.way;
        if counted > receiver.bytes {
            Some(VoidReason::CountsContradict { toward, sent: receiver.bytes, received: counted })
        } else if plateau > sent {
            Some(VoidReason::CountsContradict { toward, sent, received: plateau })
        } else {
            None
        }
    }
}

/// The plateau ends with the run, also when the settle time is found from the data: what was cut away then tells only
/// whether it was enough. So everything else that is measured over the plateau lies in the same time.
const fn plateau_of(request: &SessionRequest) -> Plateau {
    let from_ms = request.settle_ms;
    Plateau { from_ms, to_ms: from_ms.saturating_add(request.for_ms) }
}

/// The MSS in use: the payload of a full segment and the 12 bytes that timestamps take of it (RFC 7323, RFC 6691).
fn mss_of(report: &TransmitterReport) -> Option<u64> {
    let options = if report.timestamps? { 12 } else { 0 };
    Some(u64::from(report.segment_payload_bytes?) + options)
}

fn departure_of(report: DepartureReport, dropped_ns: u64) -> Departure {
    Departure {
        dropped_ns: Some(dropped_ns),
        burst_datagrams: report.burst_datagrams,
        lateness_us: report.lateness_us.filter(|p| is_ordered(*p)).map(percentiles_of),
        steps: report.steps,
        uneven_steps: report.uneven_steps,
        spin_ns: report.spin_ns,
    }
}

/// Pacing failed when more than one in a hundred steps missed the pace, or one in a hundred bursts left later than a
/// millisecond: by then a stream meant to be even has gaps that queues on the path answer to.
fn uneven(toward: Way, departure: DepartureReport) -> Option<Caveat> {
    let DepartureReport { steps, uneven_steps, lateness_us, .. } = departure;
    let late_us = lateness_us.map_or(0, |[_, _, _, _, p99, _]| p99);
    let failed = uneven_steps.saturating_mul(100) > steps || late_us > LATE_US;
    failed.then_some(Caveat::PaceUneven { toward, uneven_steps, steps, late_us })
}

pub(super) fn percentiles_of([n, min, p50, p95, p99, max]: [i64; 6]) -> Percentiles {
    Percentiles { n: u64::try_from(n).unwrap_or(0), min, p50, p95, p99, max }
}

fn bits_per_second(datagrams: u64, payload_bytes: u16, span_ns: u64) -> Option<u64> {
    let bits = u128::from(datagrams) * u128::from(payload_bytes) * 8_000_000_000;
    u64::try_from(bits.checked_div(u128::from(span_ns))?).ok()
}
