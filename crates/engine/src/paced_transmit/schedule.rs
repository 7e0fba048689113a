//! When the next datagrams leave, and how true to that they did.

use culvert_os::clock::{monotonic_ns, sleep_until};
use culvert_session::grant::Session;
use culvert_session::pacing::{Evenness, LONGEST_SPIN_NS, Pacer, WakeUp};
use culvert_stats::DelayHistogram;
use culvert_wire::message::DepartureReport;

use crate::paced_receive::flat;

/// A pace, or none: as fast as the host can.
#[derive(Debug)]
pub(super) struct Schedule {
    paced: Option<Box<Paced>>,
}

#[derive(Debug)]
struct Paced {
    pacer: Pacer,
    burst: u64,
    due_ns: u64,
    lateness: DelayHistogram,
    evenness: Evenness,
    wake_up: WakeUp,
}

impl Schedule {
    pub(super) fn new(session: &Session, payload_bytes: u16, start_ns: u64) -> Self {
        let burst = session.burst();
        let paced = session.pace_bps().map(|pace_bps| {
            Box::new(Paced {
                pacer: Pacer::new(pace_bps, payload_bytes, burst, start_ns),
                burst,
                due_ns: start_ns,
                lateness: DelayHistogram::new(),
                evenness: Evenness::new(pace_bps, payload_bytes, burst),
                wake_up: WakeUp::new(),
            })
        });
        Self { paced }
    }

    /// How many datagrams, at most `most`, leave at `now_ns`; `None` when nothing is due.
    pub(super) fn take(&mut self, now_ns: u64, most: u64) -> Option<u64> {
        let Some(paced) = &mut self.paced else { return Some(most) };
        let departure = paced.pacer.take(now_ns, most)?;
        paced.due_ns = departure.due_ns;
        Some(departure.count)
    }

    /// So many of those that were taken last left at `now_ns`.
    pub(super) fn left(&mut self, now_ns: u64, after_start_ns: u64, count: u64) {
        let Some(paced) = self.paced.as_mut().filter(|_| count > 0) else { return };
        paced.lateness.record(now_ns.saturating_sub(paced.due_ns) / 1_000);
        paced.evenness.left(after_start_ns, count);
    }

    /// Puts back what was taken last and could not leave.
    pub(super) fn put_back(&mut self, count: u64) {
        if let Some(paced) = &mut self.paced {
            paced.pacer.put_back(count);
        }
    }

    /// Waits for the next datagram, or until `look_ns` when that comes first: for a datagram it wakes before time, as
    /// far as this host wakes late, and spins the rest.
    pub(super) fn wait(&mut self, look_ns: u64) {
        let Some(paced) = &mut self.paced else { return };
        let due_ns = paced.pacer.next_due_ns();
        wait_for(due_ns, look_ns, &mut paced.wake_up);
    }

    /// What was due before `end_ns` and has not left will not leave any more.
    pub(super) fn give_up_before(&mut self, end_ns: u64) {
        if let Some(paced) = &mut self.paced {
            paced.pacer.give_up_before(end_ns);
        }
    }

    /// The transmitter ended so long after its start.
    pub(super) fn end(&mut self, after_start_ns: u64) {
        if let Some(paced) = &mut self.paced {
            paced.evenness.end(after_start_ns);
        }
    }

    pub(super) const fn is_unlimited(&self) -> bool {
        self.paced.is_none()
    }

    pub(super) fn next_due_ns(&self) -> u64 {
        self.paced.as_ref().map_or(0, |paced| paced.pacer.next_due_ns())
    }

    /// When the datagram `number` is due by itself; 0 without a schedule.
    pub(super) fn due_at(&self, number: u64) -> u64 {
        self.paced.as_ref().map_or(0, |paced| paced.pacer.due_at(number))
    }

    pub(super) fn dropped_ns(&self) -> u64 {
        self.paced.as_ref().map_or(0, |paced| paced.pacer.dropped_ns())
    }

    pub(super) fn report(&self) -> Option<DepartureReport> {
        let paced = self.paced.as_ref()?;
        Some(DepartureReport {
            burst_datagrams: paced.burst,
            lateness_us: paced.lateness.percentiles().map(flat),
            steps: paced.evenness.steps(),
            uneven_steps: paced.evenness.uneven(),
            spin_ns: (paced.wake_up.sleeps() > 0).then(|| paced.wake_up.margin_ns()),
        })
    }
}

/// A sleep that ends by itself so shortly before a deadline may end after it: what is to be looked at can wait for so long,
/// and is looked at behind the datagram.
const LOOK_CAN_WAIT_NS: u64 = 2 * LONGEST_SPIN_NS;

/// Waits until `due_ns`, or until `look_ns` when that comes clearly first.
pub(super) fn wait_for(due_ns: u64, look_ns: u64, wake_up: &mut WakeUp) {
    if due_ns > look_ns.saturating_add(LOOK_CAN_WAIT_NS) {
        // A sleep that fails returns at once: the loop then asks again, and the pace stays true.
        let _ = sleep_until(look_ns);
        return;
    }
    if let Some(wake_ns) = wake_up.sleep_until(monotonic_ns(), due_ns) {
        let _ = sleep_until(wake_ns);
        wake_up.woke(wake_ns, monotonic_ns());
    }
    while monotonic_ns() < due_ns {
        std::hint::spin_loop();
    }
}
