//! A stream whose rate follows a capacity search: RFC 9097's sender.

use culvert_os::clock::sleep_until;
use culvert_session::capacity::{CapacityOutcome, CapacityParameters, CapacitySearch, Feedback};
use culvert_session::pacing::{DEFAULT_BURST_NS, Pacer, WakeUp, burst};
use culvert_units::{BitRate, Bytes};
use culvert_wire::datagram::Status;

use super::schedule::wait_for;

/// The search and the pace it asks for. Times are nanoseconds of this end's monotonic clock.
#[derive(Debug)]
pub(super) struct Lead {
    search: CapacitySearch,
    ip_bytes: u16,
    rate: Option<BitRate>,
    pacer: Pacer,
    wake_up: WakeUp,
}

impl Lead {
    pub(super) fn new(parameters: &CapacityParameters, start_ns: u64) -> Self {
        Self {
            search: CapacitySearch::new(parameters.clone(), start_ns),
            ip_bytes: parameters.ip_bytes,
            rate: None,
            pacer: Pacer::new(1, parameters.ip_bytes, 1, start_ns),
            wake_up: WakeUp::new(),
        }
    }

    /// A report of the receiver came in.
    pub(super) fn on_status(&mut self, number: u64, status: &Status, now_ns: u64) {
        self.search.on_feedback(Feedback::of(number, status, self.ip_bytes), now_ns);
    }

    /// So many datagrams have been sent since the beginning.
    pub(super) fn on_sent(&mut self, datagrams: u64, now_ns: u64) {
        self.search.on_sent(datagrams.saturating_mul(u64::from(self.ip_bytes)), now_ns);
    }

    /// Lets the search act on time, and follows it.
    pub(super) fn tick(&mut self, now_ns: u64) {
        if self.search.poll_timeout().is_some_and(|due| due <= now_ns) {
            self.search.handle_timeout(now_ns);
        }
        let rate = self.search.order().rate;
        if rate == self.rate {
            return;
        }
        if let Some(rate) = rate {
            let pace = rate.bits_per_second().max(1);
            let together = burst(pace, self.ip_bytes, DEFAULT_BURST_NS);
            // What was due goes on at the new pace; what a slow pace still waits for does not hold up a faster one.
            let begins = self.rate.map_or(now_ns, |_| self.pacer.next_due_ns());
            let one_ns = u64::from(self.ip_bytes).saturating_mul(8_000_000_000) / pace;
            let begins = begins.min(now_ns.saturating_add(one_ns));
            self.pacer = Pacer::new(pace, self.ip_bytes, together, begins);
        }
        self.rate = rate;
    }

    /// How many datagrams, at most `most`, leave now; `None` when nothing is due or nothing more may be sent.
    pub(super) fn take(&mut self, now_ns: u64, most: u64) -> Option<u64> {
        self.rate?;
        let budget = self.search.order().most_bytes.map_or(u64::MAX, Bytes::get);
        let most = most.min(budget / u64::from(self.ip_bytes).max(1));
        if most == 0 {
            return None;
        }
        self.pacer.take(now_ns, most).map(|departure| departure.count)
    }

    /// Puts back what was taken last and could not leave.
    pub(super) fn put_back(&mut self, count: u64) {
        self.pacer.put_back(count);
    }

    /// Waits for the next datagram, for the search, or until `look_ns`, whichever comes first.
    pub(super) fn wait(&mut self, look_ns: u64) {
        let until_ns = self.search.poll_timeout().map_or(look_ns, |due| due.min(look_ns));
        if self.rate.is_some() {
            wait_for(self.pacer.next_due_ns(), until_ns, &mut self.wake_up);
        } else {
            // A sleep that fails returns at once: the loop then asks again.
            let _ = sleep_until(until_ns);
        }
    }

    pub(super) const fn is_over(&self) -> bool {
        self.search.outcome().is_some()
    }

    /// What was found; a search that is not over is stopped.
    pub(super) fn into_outcome(mut self, now_ns: u64) -> Option<CapacityOutcome> {
        self.search.stop(now_ns);
        self.search.outcome().cloned()
    }
}
