//! The status reports of a capacity session's receiver (RFC 9097 8.1).

use culvert_os::clock::ClockPair;
use culvert_session::capacity::{CapacityParameters, Feedback, Reported};
use culvert_wire::capacity::SubInterval;
use culvert_wire::datagram::Status;

use super::account::DatagramAccount;

/// When a report is due, and what it says. Nothing is reported while nothing arrives: silence is the report then.
#[derive(Debug)]
pub(super) struct Reporter {
    every_ns: u64,
    ip_bytes: u16,
    first_ns: Option<u64>,
    due_ns: u64,
    number: u64,
    reported: Reported,
}

impl Reporter {
    pub(super) fn new(parameters: &CapacityParameters) -> Self {
        Self {
            every_ns: parameters.feedback_ms.saturating_mul(1_000_000),
            ip_bytes: parameters.ip_bytes,
            first_ns: None,
            due_ns: 0,
            number: 0,
            reported: Reported::new(parameters.sub_interval_ms),
        }
    }

    /// Datagrams were taken in at `now_ns`, the last of them stamped with this time of the wall clock. Gives the report's
    /// number and the report, when one is due.
    ///
    /// A report covers the time up to the last datagram's arrival at this host, whenever its thread came to read it.
    pub(super) fn after(
        &mut self,
        now_ns: u64,
        stamp_realtime_ns: Option<i64>,
        account: &mut DatagramAccount,
    ) -> Option<(u64, Status)> {
        let arrived = stamp_realtime_ns
            .and_then(|stamp| ClockPair::sample_quickly().to_monotonic_ns(stamp))
            .map_or(now_ns, |arrived| arrived.min(now_ns));
        let Some(first_ns) = self.first_ns else {
            self.first_ns = Some(arrived);
            self.due_ns = arrived.saturating_add(self.every_ns);
            return None;
        };
        if arrived < self.due_ns {
            return None;
        }
        let missed = arrived.saturating_sub(self.due_ns) / self.every_ns.max(1);
        self.due_ns = self.due_ns.saturating_add((missed + 1).saturating_mul(self.every_ns));
        self.number += 1;
        let status = account.status(arrived.saturating_sub(first_ns));
        self.reported.accept(&Feedback::of(self.number, &status, self.ip_bytes));
        Some((self.number, status))
    }

    /// What the reports amount to.
    pub(super) fn sub_intervals(&self) -> &[SubInterval] {
        self.reported.sub_intervals()
    }
}
