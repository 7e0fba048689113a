//! What the probe flow says of clocks and queues, as the record has it.

use std::time::Duration;

use culvert_engine::probe::RoundTrips;
use culvert_pathmodel::buffer_delay;
use culvert_record::{Clocks, QueueDelay};
use culvert_stats::ClockView;

pub(super) fn clocks_of(view: ClockView) -> Clocks {
    Clocks {
        exchanges: view.exchanges,
        drift_ppm: view.drift_seen.then_some(view.drift.ratio * 1e6),
        drift_error_ppm: view.drift.error * 1e6,
        error_us: view
            .relation
            .map(|relation| relation.offset_at(view.middle_ns).error_ns.div_ceil(1_000)),
        step_us: view.step.map(|step| step.by_ns / 1_000),
    }
}

/// Queue delay, and the buffer delay of RFC 6349 4.3.
pub(super) fn queue_delay_of(trips: &RoundTrips) -> Option<QueueDelay> {
    let (baseline, transfer) = (trips.baseline?, trips.transfer?);
    let before = Duration::from_micros(u64::try_from(baseline.p50).ok()?);
    let during = trips.transfer_mean_us.map(|mean| Duration::from_secs_f64(mean / 1e6));
    Some(QueueDelay {
        queue_delay_us: transfer.p50.saturating_sub(baseline.p50),
        buffer_delay: during
            .and_then(|during| buffer_delay(before, during))
            .map(culvert_units::Fraction::get),
    })
}

#[cfg(test)]
mod tests {
    use culvert_stats::Percentiles;

    use super::*;

    fn exactly(n: u64, p50: i64) -> Percentiles {
        Percentiles { n, min: p50, p50, p95: p50, p99: p50, max: p50 }
    }

    /// RFC 6349 4.3's example: 25 ms before and 32 ms during the transfer is a buffer delay of 28 %.
    #[test]
    fn rfc_6349_buffer_delay() {
        let trips = RoundTrips {
            by: culvert_engine::probe::ProbedBy::Udp,
            sent: 20,
            baseline: Some(exactly(10, 25_000)),
            transfer: Some(exactly(10, 31_000)),
            transfer_mean_us: Some(32_000.0),
            clocks: None,
        };
        let delay = queue_delay_of(&trips).expect("both are there");
        assert_eq!(delay.queue_delay_us, 6_000);
        assert!((delay.buffer_delay.expect("a share") - 0.28).abs() < 1e-9);
        assert_eq!(queue_delay_of(&RoundTrips { baseline: None, ..trips }), None);
    }
}
