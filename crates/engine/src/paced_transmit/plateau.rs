//! When the plateau's first datagram left, and when the first one behind it left or was due.

use culvert_session::grant::Session;

/// The part of a transmitter's run that is reported: a range of numbers, or without a schedule all after the settle time.
#[derive(Debug)]
pub(super) struct PlateauSpan {
    numbers: Option<std::ops::Range<u64>>,
    settle_ns: u64,
    count: u64,
    began_ns: Option<u64>,
    ended_ns: Option<u64>,
}

impl PlateauSpan {
    pub(super) fn new(session: &Session, settle_ns: u64) -> Self {
        Self {
            numbers: session.plateau_numbers(),
            settle_ns,
            count: 0,
            began_ns: None,
            ended_ns: None,
        }
    }

    /// The first number of the plateau, where that is known beforehand.
    pub(super) fn from(&self) -> u64 {
        self.numbers.as_ref().map_or(0, |numbers| numbers.start)
    }

    /// `count` datagrams left at `now_ns`, `sent_ns` after the start; `from_due_ns` is when the plateau's first number is
    /// due by itself: its burst may leave before, and the time until then is not the plateau's.
    pub(super) fn sent(
        &mut self,
        first: u64,
        count: u64,
        now_ns: u64,
        sent_ns: u64,
        from_due_ns: u64,
    ) {
        let behind = first.saturating_add(count);
        let (inside, begins_ns) = match &self.numbers {
            Some(numbers) => (
                behind.min(numbers.end).saturating_sub(first.max(numbers.start)),
                now_ns.max(from_due_ns),
            ),
            None => (if sent_ns >= self.settle_ns { count } else { 0 }, now_ns),
        };
        self.count += inside;
        if inside > 0 && self.began_ns.is_none() {
            self.began_ns = Some(begins_ns);
        }
    }

    /// The plateau ends with the run; `now_ns` is when the next number was due, for the last one's own time belongs to
    /// the span.
    pub(super) fn end(&mut self, number: u64, now_ns: u64) {
        if number > self.from() {
            self.ended_ns = Some(now_ns);
        }
    }

    /// Datagrams of the plateau that left.
    pub(super) const fn count(&self) -> u64 {
        self.count
    }

    /// How long that took, nanoseconds.
    pub(super) fn span_ns(&self) -> Option<u64> {
        self.ended_ns?.checked_sub(self.began_ns?).filter(|span| *span > 0)
    }
}
