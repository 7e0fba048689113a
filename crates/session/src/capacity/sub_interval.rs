//! The receiver's reports, and the sub-intervals whose rates they give (RFC 9097 5.3 and 6.3).

use std::time::Duration;

use culvert_units::{BitRate, Bytes, Fraction};
use culvert_wire::capacity::SubInterval;
use culvert_wire::datagram::Status;

use super::adjust::LoadReport;

/// One status report of the receiver. Everything but the delays counts from the beginning of the session, so that a lost
/// report loses nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Feedback {
    /// Numbers the reports; one that is not above the last is left out.
    pub number: u32,
    /// Since the first datagram, nanoseconds of the receiver's monotonic clock.
    pub elapsed_ns: u64,
    /// IP-layer bytes that arrived, headers included (RFC 9097 5.3), first copies only.
    pub ip_bytes: u64,
    /// First copies that arrived.
    pub received: u64,
    /// Datagrams missing below the highest sequence number that arrived.
    pub lost: u64,
    /// First copies that arrived after a higher sequence number.
    pub reordered: u64,
    /// Further copies.
    pub duplicates: u64,
    /// The least and the longest delay since the report before, microseconds, by clocks that may differ by a constant;
    /// `None` when nothing arrived.
    pub delay_us: Option<(i64, i64)>,
}

/// Gathers reports into sub-intervals.
#[derive(Debug, Clone)]
pub(super) struct Gauge {
    length_ns: u64,
    from: Feedback,
    delay_us: Option<(i64, i64)>,
    done: Vec<SubInterval>,
}

impl Feedback {
    /// The report with this number, of packets that have `ip_bytes` each.
    pub fn of(number: u64, status: &Status, ip_bytes: u16) -> Self {
        Self {
            number: u32::try_from(number).unwrap_or(0),
            elapsed_ns: status.elapsed_ns,
            ip_bytes: status.received.saturating_mul(u64::from(ip_bytes)),
            received: status.received,
            lost: status.lost,
            reordered: status.reordered,
            duplicates: status.duplicates,
            delay_us: status.delay_us,
        }
    }

    /// Whether it follows `before` in every counter that cannot fall.
    pub(super) const fn follows(&self, before: &Self) -> bool {
        self.number > before.number
            && self.elapsed_ns >= before.elapsed_ns
            && self.ip_bytes >= before.ip_bytes
            && self.received >= before.received
    }

    /// What the time since `before` says about the load. `least_us` is the least delay of the whole test.
    pub(super) fn load_since(&self, before: &Self, least_us: i64) -> LoadReport {
        let grown = |now: u64, then: u64| now.saturating_sub(then);
        LoadReport {
            sequence_errors: grown(self.lost, before.lost)
                .saturating_add(grown(self.reordered, before.reordered))
                .saturating_add(grown(self.duplicates, before.duplicates)),
            delay_range_us: self.delay_us.map_or(0, |(_, most)| above(most, least_us)),
            delivered: self.rate_since(before),
        }
    }

    fn rate_since(&self, before: &Self) -> Option<BitRate> {
        let elapsed = Duration::from_nanos(self.elapsed_ns.saturating_sub(before.elapsed_ns));
        Bytes::new(self.ip_bytes.saturating_sub(before.ip_bytes)).over(elapsed)
    }
}

/// What a receiver's own reports amount to: all that is left when the searching end is not heard of again. Search and
/// verifications are not told apart here.
#[derive(Debug, Clone)]
pub struct Reported {
    gauge: Gauge,
    least_delay_us: Option<i64>,
}

impl Reported {
    /// Sub-intervals of so many milliseconds.
    pub fn new(sub_interval_ms: u64) -> Self {
        Self { gauge: Gauge::new(sub_interval_ms, Feedback::default()), least_delay_us: None }
    }

    /// Takes the next report in.
    pub fn accept(&mut self, feedback: &Feedback) {
        let least = feedback.delay_us.map(|(least, _)| least);
        self.least_delay_us = least.into_iter().chain(self.least_delay_us).min();
        self.gauge.accept(feedback, self.least_delay_us.unwrap_or(0));
    }

    /// The sub-intervals that are complete.
    pub fn sub_intervals(&self) -> &[SubInterval] {
        self.gauge.done()
    }
}

impl Gauge {
    /// Sub-intervals of `length_ms` from the report `from` on.
    pub(super) fn new(length_ms: u64, from: Feedback) -> Self {
        let length_ns = length_ms.saturating_mul(1_000_000).max(1);
        Self { length_ns, from, delay_us: None, done: Vec::new() }
    }

    /// Takes the next report in. A sub-interval ends with the first report that completes its length.
    pub(super) fn accept(&mut self, feedback: &Feedback, least_us: i64) {
        self.delay_us = widest(self.delay_us, feedback.delay_us);
        let length_ns = feedback.elapsed_ns.saturating_sub(self.from.elapsed_ns);
        if length_ns < self.length_ns {
            return;
        }
        let lost = feedback.lost.saturating_sub(self.from.lost);
        let received = feedback.received.saturating_sub(self.from.received);
        if let Some(rate_bps) = feedback.rate_since(&self.from) {
            self.done.push(SubInterval {
                from_ns: self.from.elapsed_ns,
                length_ns,
                rate_bps,
                received,
                lost,
                loss_ratio: Fraction::of(lost as f64, lost as f64 + received as f64),
                least_delay_us: self.delay_us.map(|(least, _)| above(least, least_us)),
                longest_delay_us: self.delay_us.map(|(_, most)| above(most, least_us)),
            });
        }
        self.from = *feedback;
        self.delay_us = None;
    }

    pub(super) fn done(&self) -> &[SubInterval] {
        &self.done
    }
}

fn widest(a: Option<(i64, i64)>, b: Option<(i64, i64)>) -> Option<(i64, i64)> {
    let Some((least, most)) = a else { return b };
    b.map_or(a, |(other_least, other_most)| Some((least.min(other_least), most.max(other_most))))
}

fn above(delay: i64, least: i64) -> u64 {
    if delay > least { delay.abs_diff(least) } else { 0 }
}
