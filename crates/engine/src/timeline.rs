//! The times of one run on this end's monotonic clock, and what stops its threads.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

use culvert_session::grant::Session;

/// How long after the plateau's end a receiver still reads, and a transmitter waits for acknowledgements. On a slow
/// path buffers hold seconds of data; nobody waits for all of it.
pub const DRAIN: Duration = Duration::from_secs(1);
/// How long beyond the length of the run a bulk transmitter writes, unless the receiver says that it has enough: its
/// time began later, by the way there and by whatever kept the other end busy.
pub const LATE_RECEIVER: Duration = Duration::from_secs(2);
/// How long after its start a run waits for the first byte at most.
pub const FIRST_BYTE_PATIENCE: Duration = Duration::from_secs(3);
/// How often a waiting data thread looks whether it should stop.
pub const LOOK_UP_EVERY: Duration = Duration::from_millis(50);

/// Start, settle and length of a run, nanoseconds of this end's monotonic clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timeline {
    /// When data may begin to flow.
    pub start_ns: u64,
    /// Length of the settle time.
    pub settle_ns: u64,
    /// Length of settle and plateau together.
    pub length_ns: u64,
}

impl Timeline {
    /// The timeline of a session that starts at `start_ns`.
    pub fn new(session: &Session, start_ns: u64) -> Self {
        Self { start_ns, settle_ns: nanos(session.settle()), length_ns: nanos(session.length()) }
    }

    /// When a paced transmitter has sent everything, and a bulk one nearly has.
    pub const fn deadline_ns(&self) -> u64 {
        self.start_ns.saturating_add(self.length_ns)
    }

    /// When a bulk transmitter stops writing whatever it hears.
    pub fn transmitting_ends_ns(&self) -> u64 {
        self.deadline_ns().saturating_add(nanos(LATE_RECEIVER))
    }

    /// When the plateau begins, for what started at `start_ns`.
    pub const fn plateau_ns(&self) -> u64 {
        self.start_ns.saturating_add(self.settle_ns)
    }

    /// When the last of what was paced arrives on an idle path: the peer's time began later, by the way there.
    pub fn arriving_ends_ns(&self, first_byte_ns: Option<u64>) -> u64 {
        let since_first = first_byte_ns.map_or(0, |first| first.saturating_add(self.length_ns));
        self.deadline_ns().max(since_first)
    }

    /// When a receiver stops reading whatever comes: counted from its first byte, or from the start without one.
    pub fn reading_ends_ns(&self, first_byte_ns: Option<u64>) -> u64 {
        let length = self.length_ns.saturating_add(nanos(DRAIN));
        match first_byte_ns {
            Some(first) => first.saturating_add(length),
            None => self.start_ns.saturating_add(nanos(FIRST_BYTE_PATIENCE)),
        }
    }
}

/// Nanoseconds of a duration, at most what fits.
pub fn nanos(duration: Duration) -> u64 {
    u64::try_from(duration.as_nanos()).unwrap_or(u64::MAX)
}

/// What the control side tells the data threads, and hears from them. All orderings are relaxed: each value stands
/// alone.
#[derive(Debug)]
pub struct Switch {
    stop: AtomicBool,
    enough: AtomicBool,
    announced: AtomicU64,
    last_sign_ns: AtomicU64,
}

/// No final count was announced yet.
const NOT_ANNOUNCED: u64 = u64::MAX;

impl Default for Switch {
    fn default() -> Self {
        Self {
            stop: AtomicBool::new(false),
            enough: AtomicBool::new(false),
            announced: AtomicU64::new(NOT_ANNOUNCED),
            last_sign_ns: AtomicU64::new(0),
        }
    }
}

impl Switch {
    /// Tells all threads of the run to end now.
    pub fn stop(&self) {
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Whether the run was told to end.
    pub fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// The receiver's time is over: a bulk transmitter need not write any more.
    pub fn enough(&self) {
        self.enough.store(true, Ordering::Relaxed);
    }

    /// Whether a bulk transmitter may stop writing.
    pub fn is_enough(&self) -> bool {
        self.enough.load(Ordering::Relaxed) || self.is_stopped()
    }

    /// The peer's transmitter has finished after so many datagrams.
    pub fn announce(&self, datagrams: u64) {
        self.announced.store(datagrams.min(NOT_ANNOUNCED - 1), Ordering::Relaxed);
    }

    /// How many datagrams the peer's transmitter sent, once it has told.
    pub fn announced(&self) -> Option<u64> {
        let count = self.announced.load(Ordering::Relaxed);
        (count != NOT_ANNOUNCED).then_some(count)
    }

    /// An authentic sign of life came from the peer.
    pub fn saw_peer(&self, now_ns: u64) {
        self.last_sign_ns.fetch_max(now_ns, Ordering::Relaxed);
    }

    /// When the last sign of life came.
    pub fn last_sign_ns(&self) -> u64 {
        self.last_sign_ns.load(Ordering::Relaxed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_receivers_time_begins_with_its_first_byte() {
        let timeline = Timeline { start_ns: 1_000, settle_ns: 100, length_ns: 500 };
        assert_eq!(timeline.arriving_ends_ns(None), 1_500);
        assert_eq!(timeline.arriving_ends_ns(Some(1_400)), 1_900);
        assert_eq!(timeline.arriving_ends_ns(Some(900)), 1_500, "it began before this end did");
    }
}
