//! The receiver's account of one datagram stream: what arrived, twice, out of order, or not at all.

#[cfg(test)]
mod tests;

use std::ops::Range;

use culvert_units::{ExitStatus, Explain, Fraction};

/// How far behind the highest sequence number a datagram is still told from its duplicate.
pub const DUPLICATE_WINDOW: u64 = 1 << 20;

const BITS: u64 = u64::BITS as u64;

/// One word more than the window needs: a window that begins inside a word then never meets its own end.
const WORDS: u64 = DUPLICATE_WINDOW / BITS + 1;

/// What the ledger made of one datagram.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Arrival {
    /// The first copy.
    New {
        /// A higher sequence number had arrived before it (RFC 4737 3.3).
        reordered: bool,
    },
    /// A copy of a datagram that had arrived before.
    Duplicate,
    /// [`DUPLICATE_WINDOW`] or more behind the highest sequence number: a first copy or a duplicate, nobody can tell.
    Late,
    /// A sequence number that was never planned.
    Beyond,
}

/// Counts datagrams by their sequence numbers, which begin at 0.
///
/// Fixed memory (256 KiB); every arrival costs the same, however far its sequence number jumps. An arrival counts in
/// exactly one of received, duplicates, late and beyond.
#[derive(Debug, Clone)]
pub struct SequenceLedger {
    planned: u64,
    next_expected: u64,
    words: Box<[Word]>,
    received: u64,
    reordered: u64,
    duplicates: u64,
    late: u64,
    beyond: u64,
    range: Option<Range<u64>>,
    received_in_range: u64,
}

/// Which of 64 neighbouring sequence numbers have arrived. The stamp says which 64: a word with the stamp of an
/// earlier block counts as empty, so a jump clears nothing.
#[derive(Debug, Clone, Copy)]
struct Word {
    block: u64,
    seen: u64,
}

/// What became of the datagrams of a stream.
///
/// Late arrivals are not among the received: they count as lost, as RFC 7680 has it for a packet that arrives after
/// the waiting time. At most `late` of the `lost` did arrive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LossCounts {
    /// Datagrams the transmitter sent.
    pub sent: u64,
    /// First copies that arrived.
    pub received: u64,
    /// Sent and not received.
    pub lost: u64,
    /// Lost of sent (RFC 7680 4.1); `None` when nothing was sent.
    pub loss_ratio: Option<Fraction>,
    /// First copies that arrived after a higher sequence number.
    pub reordered: u64,
    /// Reordered of received (RFC 4737 4.1); `None` when nothing was received.
    pub reordered_ratio: Option<Fraction>,
    /// Further copies of datagrams that had arrived.
    pub duplicates: u64,
    /// Arrivals too far behind to be told from duplicates.
    pub late: u64,
    /// Arrivals with a sequence number that was never planned.
    pub beyond: u64,
    /// The loss among the sequence numbers of the range given to [`SequenceLedger::with_range`].
    pub range: Option<RangeLoss>,
}

/// What became of the datagrams of one range of sequence numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RangeLoss {
    /// Datagrams of the range that the transmitter sent.
    pub sent: u64,
    /// First copies of them that arrived.
    pub received: u64,
    /// Sent and not received.
    pub lost: u64,
    /// Lost of sent; `None` when nothing of the range was sent.
    pub loss_ratio: Option<Fraction>,
}

/// The two ends' accounts of a stream exclude each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum LedgerContradiction {
    /// A datagram arrived that the transmitter says it never sent.
    #[error("the transmitter counts {sent} datagrams sent, but sequence number {highest} arrived")]
    NeverSent {
        /// What the transmitter says it sent.
        sent: u64,
        /// The highest sequence number that arrived.
        highest: u64,
    },
    /// The transmitter says it sent more than was planned.
    #[error("the transmitter counts {sent} datagrams sent, but only {planned} were planned")]
    MoreThanPlanned {
        /// What the transmitter says it sent.
        sent: u64,
        /// What was planned.
        planned: u64,
    },
}

impl SequenceLedger {
    /// A ledger for the sequence numbers `0..planned`.
    pub fn new(planned: u64) -> Self {
        Self {
            planned,
            next_expected: 0,
            // No block has this number: the highest is `u64::MAX / 64`.
            words: (0..WORDS).map(|_| Word { block: u64::MAX, seen: 0 }).collect(),
            received: 0,
            reordered: 0,
            duplicates: 0,
            late: 0,
            beyond: 0,
            range: None,
            received_in_range: 0,
        }
    }

    /// The same, counting the first copies in `range` apart as well; `None` counts none apart.
    pub fn with_range(planned: u64, range: Option<Range<u64>>) -> Self {
        Self { range, ..Self::new(planned) }
    }

    /// Enters the datagram with this sequence number.
    #[inline]
    pub fn accept(&mut self, sequence: u64) -> Arrival {
        if sequence >= self.planned {
            self.beyond += 1;
            return Arrival::Beyond;
        }
        if self.next_expected.saturating_sub(sequence) > DUPLICATE_WINDOW {
            self.late += 1;
            return Arrival::Late;
        }
        if !self.mark(sequence) {
            self.duplicates += 1;
            return Arrival::Duplicate;
        }
        self.received += 1;
        if self.range.as_ref().is_some_and(|range| range.contains(&sequence)) {
            self.received_in_range += 1;
        }
        let reordered = sequence < self.next_expected;
        if reordered {
            self.reordered += 1;
        } else {
            self.next_expected = sequence + 1;
        }
        Arrival::New { reordered }
    }

    /// First copies that arrived so far.
    pub const fn received(&self) -> u64 {
        self.received
    }

    /// First copies that arrived so far in the range; `None` when no range is counted apart.
    pub fn received_in_range(&self) -> Option<u64> {
        self.range.as_ref().map(|_| self.received_in_range)
    }

    /// Further copies that arrived so far.
    pub const fn duplicates(&self) -> u64 {
        self.duplicates
    }

    /// First copies that arrived so far after a higher sequence number.
    pub const fn reordered(&self) -> u64 {
        self.reordered
    }

    /// Arrivals so far that could not be told from duplicates.
    pub const fn late(&self) -> u64 {
        self.late
    }

    /// Arrivals so far with a sequence number that was never planned.
    pub const fn beyond(&self) -> u64 {
        self.beyond
    }

    /// The highest planned sequence number that arrived so far.
    pub const fn highest(&self) -> Option<u64> {
        self.next_expected.checked_sub(1)
    }

    /// Balances the account with what the transmitter says it sent: the sequence numbers `0..sent`.
    pub fn finish(&self, sent: u64) -> Result<LossCounts, LedgerContradiction> {
        if let Some(highest) = self.highest().filter(|highest| *highest >= sent) {
            return Err(LedgerContradiction::NeverSent { sent, highest });
        }
        if sent > self.planned {
            return Err(LedgerContradiction::MoreThanPlanned { sent, planned: self.planned });
        }
        // Every received number is below `sent` and counted once, so neither difference can wrap.
        let lost = sent.saturating_sub(self.received);
        Ok(LossCounts {
            sent,
            received: self.received,
            lost,
            loss_ratio: ratio(lost, sent),
            reordered: self.reordered,
            reordered_ratio: ratio(self.reordered, self.received),
            duplicates: self.duplicates,
            late: self.late,
            beyond: self.beyond,
            range: self.range.as_ref().map(|range| {
                let sent_of_range = range.end.min(sent).saturating_sub(range.start);
                let lost = sent_of_range.saturating_sub(self.received_in_range);
                RangeLoss {
                    sent: sent_of_range,
                    received: self.received_in_range,
                    lost,
                    loss_ratio: ratio(lost, sent_of_range),
                }
            }),
        })
    }

    /// Marks a sequence number inside the window; false when it was marked before.
    #[inline]
    fn mark(&mut self, sequence: u64) -> bool {
        let block = sequence / BITS;
        let bit = 1_u64 << (sequence % BITS);
        let slot = usize::try_from(block % WORDS).ok().and_then(|slot| self.words.get_mut(slot));
        let Some(word) = slot else { return false };
        if word.block != block {
            *word = Word { block, seen: 0 };
        }
        let first = word.seen & bit == 0;
        word.seen |= bit;
        first
    }
}

impl Explain for LedgerContradiction {
    fn hint(&self) -> Option<String> {
        Some("the two ends disagree on the stream, so its loss is unknown; run it again with both programs of one version".to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Void
    }
}

fn ratio(part: u64, whole: u64) -> Option<Fraction> {
    Fraction::of(part as f64, whole as f64)
}
