//! Which datagrams of a stream arrived, one bit each, and how the losses cluster: as [`crate::loss_runs()`] and
//! [`crate::bursts_and_gaps`] tell it, in memory that does not grow with the losses.

#[cfg(test)]
mod tests;

use culvert_units::Fraction;

use crate::{DelayHistogram, GMIN, Percentiles};

/// So many datagrams are remembered at most: 8 MiB of bits, of which only what is touched is taken.
pub const MOST_MAPPED: u64 = 1 << 26;

/// A loss is noticeable when it follows another within so many packets (RFC 3357 6.1 leaves it to the reader: this is
/// the distance that also parts two bursts).
pub const NOTICEABLE_WITHIN: u64 = GMIN;

const BITS: u64 = u64::BITS as u64;

/// The first copies of a stream, and which of them came again.
#[derive(Debug, Clone)]
pub struct LossMap {
    seen: Vec<u64>,
    again: Vec<u64>,
    replicated: u64,
}

/// How the losses of a stream cluster.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LossSummary {
    /// Datagrams sent.
    pub packets: u64,
    /// Of these, lost.
    pub lost: u64,
    /// Loss periods: runs of successive losses (RFC 3357 5.5).
    pub periods: u64,
    /// Their lengths in datagrams, exact up to 2000, 0.1 % beyond; `None` without a loss.
    pub lengths: Option<Percentiles>,
    /// Losses that follow another within [`NOTICEABLE_WITHIN`] datagrams.
    pub noticeable: u64,
    /// Bursts (RFC 3611 4.7.2, Gmin 16).
    pub bursts: u64,
    /// Datagrams in all bursts.
    pub burst_packets: u64,
    /// Losses in all bursts.
    pub burst_lost: u64,
    /// Stretches outside of bursts.
    pub gaps: u64,
}

impl LossMap {
    /// Of a stream of so many datagrams; those beyond [`MOST_MAPPED`] are not remembered.
    pub fn new(planned: u64) -> Self {
        let words = usize::try_from(planned.min(MOST_MAPPED).div_ceil(BITS)).unwrap_or(0);
        // Zeroed by the system as it is touched.
        Self { seen: vec![0; words], again: vec![0; words], replicated: 0 }
    }

    /// The first copy of `sequence` arrived.
    #[inline]
    pub fn arrived(&mut self, sequence: u64) {
        if let Some(word) = word_of(&mut self.seen, sequence) {
            *word |= 1 << (sequence % BITS);
        }
    }

    /// A further copy of `sequence` arrived.
    pub fn arrived_again(&mut self, sequence: u64) {
        if let Some(word) = word_of(&mut self.again, sequence) {
            let bit = 1 << (sequence % BITS);
            self.replicated += u64::from(*word & bit == 0);
            *word |= bit;
        }
    }

    /// Datagrams that arrived more than once (RFC 5560 5.2).
    pub const fn replicated(&self) -> u64 {
        self.replicated
    }

    /// How the losses among `0..sent` cluster; `None` when more was sent than is remembered.
    pub fn summary(&self, sent: u64) -> Option<LossSummary> {
        if sent > self.seen.len() as u64 * BITS {
            return None;
        }
        let mut tally = Tally::default();
        let mut lost_from = None;
        for (base, word) in (0..).step_by(64).zip(&self.seen).take_while(|(base, _)| *base < sent) {
            // Most words continue what was before: all received, or all lost.
            let goes_on = if lost_from.is_some() { 0 } else { u64::MAX };
            if *word == goes_on && base + BITS <= sent {
                continue;
            }
            for sequence in base..sent.min(base + BITS) {
                let is_lost = word >> (sequence % BITS) & 1 == 0;
                match (is_lost, lost_from) {
                    (true, None) => lost_from = Some(sequence),
                    (false, Some(first)) => {
                        tally.period(first, sequence - first);
                        lost_from = None;
                    }
                    _ => {}
                }
            }
        }
        if let Some(first) = lost_from {
            tally.period(first, sent - first);
        }
        Some(tally.finish(sent))
    }
}

fn word_of(words: &mut [u64], sequence: u64) -> Option<&mut u64> {
    words.get_mut(usize::try_from(sequence / BITS).ok()?)
}

/// Takes loss periods in the order of sending.
#[derive(Default)]
struct Tally {
    lengths: DelayHistogram,
    lost: u64,
    noticeable: u64,
    cluster: Option<Cluster>,
    last_burst_end: u64,
    bursts: u64,
    burst_packets: u64,
    burst_lost: u64,
    gaps: u64,
}

/// Loss periods that are too close to each other for a gap.
#[derive(Clone, Copy)]
struct Cluster {
    from: u64,
    end: u64,
    lost: u64,
}

impl Tally {
    fn period(&mut self, first: u64, length: u64) {
        self.lengths.record(length);
        self.lost += length;
        let end = first + length;
        // From the last loss before to this one; the further losses of the period follow at a distance of one.
        let follows = self.cluster.is_some_and(|last| first + 1 - last.end <= NOTICEABLE_WITHIN);
        self.noticeable += length - 1 + u64::from(follows);
        match &mut self.cluster {
            Some(cluster) if first - cluster.end < GMIN => {
                cluster.end = end;
                cluster.lost += length;
            }
            _ => {
                self.close();
                self.cluster = Some(Cluster { from: first, end, lost: length });
            }
        }
    }

    /// A single loss with enough received on both sides is part of a gap.
    fn close(&mut self) {
        let Some(burst) = self.cluster.take().filter(|cluster| cluster.lost > 1) else { return };
        self.bursts += 1;
        self.burst_packets += burst.end - burst.from;
        self.burst_lost += burst.lost;
        self.gaps += u64::from(burst.from > self.last_burst_end);
        self.last_burst_end = burst.end;
    }

    fn finish(mut self, packets: u64) -> LossSummary {
        self.close();
        self.gaps += u64::from(packets > self.last_burst_end);
        LossSummary {
            packets,
            lost: self.lost,
            periods: self.lengths.count(),
            lengths: self.lengths.percentiles(),
            noticeable: self.noticeable,
            bursts: self.bursts,
            burst_packets: self.burst_packets,
            burst_lost: self.burst_lost,
            gaps: self.gaps,
        }
    }
}

impl LossSummary {
    /// `noticeable` of `lost` (RFC 3357 6.1); `None` without a loss.
    pub fn noticeable_rate(&self) -> Option<Fraction> {
        Fraction::of(self.noticeable as f64, self.lost as f64)
    }
}
