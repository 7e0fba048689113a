//! Reordering extents and n-reordering (RFC 4737) of a stream as it arrives, in fixed memory.
//!
//! [`crate::analyse_order`] looks at a whole recorded stream; this gives the same extents and the same n for a stream too
//! long to be kept.

#[cfg(test)]
mod tests;

use crate::{DelayHistogram, Percentiles};

/// The largest n that is counted apart. TCP's duplicate threshold is 3 (RFC 5681 3.2).
pub const MOST_N: usize = 8;

/// So many jumps and so many rising runs are remembered; when there are more, the older half is forgotten.
const KEPT: usize = 4096;

/// No datagram is the next: the one before was reordered.
const NO_NEXT: u64 = u64::MAX;

/// Watches the order of first copies.
///
/// What continues the datagram before it costs one comparison. A reordered one is late behind the first number above
/// its own, which can only be one that jumped ahead; so only jumps need to be remembered.
#[derive(Debug, Clone)]
pub struct OrderWatch {
    next: u64,
    expected: u64,
    jumps: Vec<Jump>,
    jumps_forgotten: bool,
    rising: Vec<RisingRun>,
    forgotten_end: u64,
    extents: DelayHistogram,
    beyond: u64,
    reached: [u64; MOST_N],
}

/// The first arrival behind a gap in the numbers.
#[derive(Debug, Clone, Copy)]
struct Jump {
    sequence: u64,
    place: u64,
}

/// Arrivals in a row with successive numbers that no later one undercut.
#[derive(Debug, Clone, Copy)]
struct RisingRun {
    first: u64,
    /// The place behind its last arrival.
    end: u64,
}

impl OrderWatch {
    /// Without an arrival so far.
    pub fn new() -> Self {
        let mut rising = Vec::with_capacity(KEPT);
        rising.push(RisingRun { first: 0, end: 0 });
        Self {
            next: 0,
            expected: 0,
            jumps: Vec::with_capacity(KEPT),
            jumps_forgotten: false,
            rising,
            forgotten_end: 0,
            extents: DelayHistogram::new(),
            beyond: 0,
            reached: [0; MOST_N],
        }
    }

    /// Takes in the first copy of `sequence`, which so many first copies arrived before.
    #[inline]
    pub fn accept(&mut self, sequence: u64, place: u64) {
        if sequence == self.next {
            self.next += 1;
        } else {
            self.out_of_turn(sequence, place);
        }
    }

    /// e of RFC 4737 4.2, in packets, of the reordered ones: exact up to 2000, 0.1 % beyond; `None` without one.
    pub fn extents(&self) -> Option<Percentiles> {
        self.extents.percentiles()
    }

    /// Reordered ones that were so late that nobody remembers what overtook them first: more than 4096 gaps ago.
    pub const fn beyond(&self) -> u64 {
        self.beyond
    }

    /// How many arrivals were n-reordered, for each n from 1 on (RFC 4737 5.3).
    pub const fn n_reordered(&self) -> [u64; MOST_N] {
        self.reached
    }

    #[cold]
    fn out_of_turn(&mut self, sequence: u64, place: u64) {
        if self.next != NO_NEXT {
            self.expected = self.next;
            self.close(place);
        }
        if sequence >= self.expected {
            if sequence > self.expected {
                self.jumped(Jump { sequence, place });
            }
            self.push(RisingRun { first: sequence, end: place });
            self.next = sequence.saturating_add(1);
            return;
        }
        self.next = NO_NEXT;
        self.late(sequence, place);
        self.push(RisingRun { first: sequence, end: place.saturating_add(1) });
    }

    fn close(&mut self, place: u64) {
        if let Some(open) = self.rising.last_mut() {
            open.end = place;
        }
    }

    fn late(&mut self, sequence: u64, place: u64) {
        let overtaken_by = self.jumps.partition_point(|jump| jump.sequence <= sequence);
        match self.jumps.get(overtaken_by) {
            Some(jump) if overtaken_by > 0 || !self.jumps_forgotten => {
                self.extents.record(place.saturating_sub(jump.place));
            }
            _ => self.beyond += 1,
        }
        while self.rising.last().is_some_and(|run| run.first > sequence) {
            self.rising.pop();
        }
        let smaller_before = self.rising.last().map_or(self.forgotten_end, |run| run.end);
        let in_a_row = place.saturating_sub(smaller_before);
        for (n, count) in (1..).zip(&mut self.reached) {
            *count += u64::from(in_a_row >= n);
        }
    }

    fn jumped(&mut self, jump: Jump) {
        if self.jumps.len() >= KEPT {
            self.jumps.drain(..KEPT / 2);
            self.jumps_forgotten = true;
        }
        self.jumps.push(jump);
    }

    fn push(&mut self, run: RisingRun) {
        if self.rising.len() >= KEPT {
            // What was forgotten may have had a smaller number: the n of a later one is then too small, never too large.
            self.forgotten_end = self.rising.drain(..KEPT / 2).next_back().map_or(0, |run| run.end);
        }
        self.rising.push(run);
    }
}

impl Default for OrderWatch {
    fn default() -> Self {
        Self::new()
    }
}
