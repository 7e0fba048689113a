//! What the datagrams' times tell, and whether the wall clock that stamps them was set meanwhile.

use culvert_os::clock::{ClockPair, monotonic_ns};
use culvert_os::udp::Received;
use culvert_stats::{
    DelaySample, DelayVariation, InterarrivalJitter, STAMP_ERROR_NS, SkewConfidence, TimedDelay,
};
use culvert_wire::datagram::DatagramHeader;
use culvert_wire::message::{ClockReport, DelayReport};

use super::flat;

/// A wall clock that moves against the monotonic one by more than this between two batches was set: steering it moves
/// it by at most 500 ppm (adjtimex(2)), 25 us in the 50 ms that pass at most.
const CLOCK_STEP_NS: u64 = 500_000;

/// Delays of those datagrams that have times of their own.
///
/// The datagrams of a burst leave at one instant and may arrive joined, with one receive time: only the first of a burst
/// is timed, and only when it is no follower of another.
#[derive(Debug)]
pub(super) struct Times {
    jitter: InterarrivalJitter,
    variation: DelayVariation,
    sample: DelaySample,
    clock: ClockPair,
    clock_at_ns: u64,
    step_ns: i64,
    /// Datagrams a burst has; `None` without a schedule.
    burst: Option<u64>,
    last_sent_ns: u64,
    untimed: u64,
    /// The least and the longest delay since they were last asked for, nanoseconds.
    span_ns: Option<(i64, i64)>,
}

impl Times {
    pub(super) fn new(burst: Option<u64>) -> Self {
        Self {
            jitter: InterarrivalJitter::default(),
            variation: DelayVariation::new(),
            sample: DelaySample::new(),
            clock: ClockPair::sample(),
            clock_at_ns: monotonic_ns(),
            step_ns: 0,
            burst,
            last_sent_ns: u64::MAX,
            untimed: 0,
            span_ns: None,
        }
    }

    /// How the wall clock relates to the monotonic one now.
    pub(super) fn sample(&mut self, now_ns: u64) {
        let clock = ClockPair::sample_quickly();
        let moved = clock.realtime_minus_monotonic_ns - self.clock.realtime_minus_monotonic_ns;
        let steered = now_ns.saturating_sub(self.clock_at_ns) / 2_000;
        if moved.unsigned_abs() > CLOCK_STEP_NS + steered + clock.error_ns + self.clock.error_ns {
            self.step_ns = self.step_ns.saturating_add(moved);
        }
        (self.clock, self.clock_at_ns) = (clock, now_ns);
    }

    #[inline]
    pub(super) fn accept(&mut self, header: &DatagramHeader, datagram: &Received<'_>) {
        let Some(number) = self.burst_led_by(header).filter(|_| !datagram.follows) else {
            self.untimed += 1;
            return;
        };
        let received =
            datagram.received_at_realtime_ns.and_then(|at| self.clock.to_monotonic_ns(at));
        let (Some(received), Ok(sent)) =
            (received.and_then(|at| i64::try_from(at).ok()), i64::try_from(header.sent_ns))
        else {
            return;
        };
        self.jitter.accept(sent, received);
        let delay_ns = received.saturating_sub(sent);
        self.variation.accept(number, delay_ns);
        self.sample.accept(TimedDelay { at_ns: received, delay_ns });
        let (least, longest) = self.span_ns.unwrap_or((delay_ns, delay_ns));
        self.span_ns = Some((least.min(delay_ns), longest.max(delay_ns)));
    }

    /// The number of the burst that begins with this datagram. Without a schedule a burst is what has one sending time;
    /// its number is the datagram's own, so that no two bursts pass for neighbours (RFC 3393 pairs these).
    #[inline]
    fn burst_led_by(&mut self, header: &DatagramHeader) -> Option<u64> {
        match self.burst {
            Some(1) => Some(header.sequence),
            Some(burst) => header.sequence.is_multiple_of(burst).then(|| header.sequence / burst),
            None => {
                let leads = header.sent_ns != self.last_sent_ns;
                self.last_sent_ns = header.sent_ns;
                leads.then_some(header.sequence)
            }
        }
    }

    /// The least and the longest delay since this was last asked, microseconds by two clocks.
    pub(super) fn take_span_us(&mut self) -> Option<(i64, i64)> {
        self.span_ns.take().map(|(least, longest)| (least / 1_000, longest / 1_000))
    }

    pub(super) fn step_us(&self) -> Option<i64> {
        (self.step_ns != 0).then_some(self.step_ns / 1_000)
    }

    /// What the delays say of the two clocks; nothing when one stepped.
    pub(super) fn clock_report(&self) -> Option<ClockReport> {
        if self.step_ns != 0 {
            return None;
        }
        // Both ends' stamps are off.
        let level = self.sample.level(2 * STAMP_ERROR_NS)?;
        Some(ClockReport {
            least_at_ns: level.least.at_ns,
            least_delay_ns: level.least.delay_ns,
            skew_ppm: level.skew.parts_per_million(),
            skew_supported: level.skew.confidence == SkewConfidence::Supported,
            level_pdv_us: Some(flat(level.pdv)),
            one_in: self.sample.one_in(),
        })
    }

    /// Nothing when the clock stepped: a step is a delay that nobody waited.
    pub(super) fn report(&self) -> Option<DelayReport> {
        if self.step_ns != 0 {
            return None;
        }
        Some(DelayReport {
            interarrival_jitter_us: self.jitter.value()? / 1_000.0,
            ipdv_us: self.variation.ipdv().map(flat),
            pdv_us: self.variation.pdv().map(flat),
            of_burst_heads: self.untimed > 0,
        })
    }
}
