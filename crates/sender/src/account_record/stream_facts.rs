//! What the receiver of datagrams told beyond counts, as the record has it. What contradicts itself, or the counts, is
//! left out: it is no finding that can be defended.

use culvert_record::{LossRuns, OneWay, Reordering, SkewFacts, Way};
use culvert_wire::message::{ClockReport, DelayReport, LossReport};

use super::leg::{Leg, is_ordered, percentiles_of};

impl Leg<'_> {
    /// What the times tell, unless the clocks were set against each other.
    pub(super) fn delay(&self) -> Option<DelayReport> {
        self.receiver.and_then(|report| report.delay).filter(|_| self.clock_step_us().is_none())
    }

    /// By how much the far clock was set against the near one, microseconds.
    pub(super) fn clock_step_us(&self) -> Option<i64> {
        self.clocks.and_then(|clocks| clocks.step).map(|step| step.by_ns / 1_000)
    }

    pub(super) fn loss_runs(&self) -> Option<LossRuns> {
        let losses = self.receiver?.losses.filter(|losses| self.agrees(losses))?;
        let share = |part: u64, whole: u64| (whole > 0).then(|| part as f64 / whole as f64);
        let gap_packets = losses.sent - losses.burst_packets;
        Some(LossRuns {
            runs: losses.runs,
            lengths: losses.lengths.filter(|p| is_ordered(*p)).map(percentiles_of),
            noticeable: losses.noticeable,
            noticeable_within: losses.noticeable_within,
            noticeable_rate: share(losses.noticeable, losses.lost),
            bursts: losses.bursts,
            burst_datagrams: losses.burst_packets,
            burst_lost: losses.burst_lost,
            burst_density: share(losses.burst_lost, losses.burst_packets),
            gaps: losses.gaps,
            gap_density: share(losses.lost - losses.burst_lost, gap_packets),
        })
    }

    /// The runs are those of the stream that both ends counted.
    fn agrees(&self, losses: &LossReport) -> bool {
        let sent = self.transmitter.and_then(|report| report.datagrams);
        let received = self.receiver.and_then(|report| report.sequence).map(|one| one.received);
        let lost = sent.zip(received).and_then(|(sent, received)| sent.checked_sub(received));
        sent == Some(losses.sent)
            && lost == Some(losses.lost)
            && losses.runs <= losses.lost
            && losses.noticeable <= losses.lost
            && losses.burst_lost <= losses.burst_packets.min(losses.lost)
            && losses.burst_packets <= losses.sent
    }

    pub(super) fn reordering(&self) -> Option<Reordering> {
        let report = self.receiver?;
        let order = report.order?;
        let extents = order.extents.filter(|p| is_ordered(*p)).map(percentiles_of);
        let known = extents.map_or(0, |extents| extents.n);
        let reordered = report.sequence?.reordered;
        (known.checked_add(order.beyond) == Some(reordered)).then_some(Reordering {
            extents,
            extents_unknown: order.beyond,
            n_reordered: order.n_reordered,
        })
    }

    fn clock_report(&self) -> Option<ClockReport> {
        self.delay()?;
        self.receiver?.clock
    }

    pub(super) fn clock_skew(&self) -> Option<SkewFacts> {
        let clock = self.clock_report()?;
        Some(SkewFacts {
            ppm: clock.skew_ppm,
            supported: clock.skew_supported,
            pdv_us: clock.level_pdv_us.filter(|p| is_ordered(*p)).map(percentiles_of),
            one_in: clock.one_in,
        })
    }

    /// The least delay by the probe flow's view of both clocks, and with it the others above it.
    pub(super) fn one_way_delay(&self) -> Option<OneWay> {
        let (clock, relation) = (self.clock_report()?, self.clocks?.relation?);
        let zero_ns = i64::try_from(self.transmitter?.zero_ns?).ok()?;
        let apparent_ns = clock.least_delay_ns.checked_sub(zero_ns)?;
        let least = match self.way {
            Way::Far => {
                let sent_ns = clock.least_at_ns.checked_sub(apparent_ns)?;
                relation.toward_far(sent_ns, apparent_ns)
            }
            Way::Near => relation.toward_near(clock.least_at_ns, apparent_ns),
        };
        let [_, _, above_us, ..] = clock.level_pdv_us.filter(|p| is_ordered(*p))?;
        let least_us = least.delay_ns.div_euclid(1_000);
        let error_us = least.error_ns.div_ceil(1_000).saturating_add(1);
        // Less than nothing by more than the error is no delay: the peer's account is of other clocks.
        let possible = least_us.saturating_add_unsigned(error_us) >= 0;
        possible.then_some(OneWay { least_us, p50_us: least_us.saturating_add(above_us), error_us })
    }
}
