//! Reordering of a recorded arrival order in every dimension of RFC 4737.
//!
//! The streaming count of reordered packets is [`crate::SequenceLedger`]'s; this looks at a whole recorded stream.

#[cfg(test)]
mod tests;

use std::collections::{BTreeMap, HashSet};

use culvert_units::Fraction;

/// One packet as it arrived.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ArrivedPacket {
    /// Its number at the transmitter.
    pub sequence: u64,
    /// When it arrived, by the receiver's clock.
    pub arrived_us: i64,
    /// Bytes of payload.
    pub payload_bytes: u32,
}

/// One packet that arrived after a packet with a larger sequence number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReorderedPacket {
    /// Its number at the transmitter.
    pub sequence: u64,
    /// e: how many arrivals ago the earliest packet with a larger number came (4.2).
    pub extent: u64,
    /// How long ago that packet came, in microseconds (4.3).
    pub late_us: i64,
    /// Payload bytes of all earlier arrivals with a larger number (4.4).
    pub byte_offset: u64,
    /// n: how many arrivals in a row just before it have larger numbers (5.3); `None` when the very last one has not,
    /// then the packet is reordered but not n-reordered.
    pub n_reordering: Option<u64>,
}

/// The runs of in-order packets between reordered ones (RFC 4737 4.6).
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FreeRuns {
    /// p: packets that arrived.
    pub packets: u64,
    /// a: packets in order, those of the open run with them.
    pub in_order: u64,
    /// q: the sum of the squares of the run lengths; saturates.
    pub squares: u64,
    /// The length of each run that a reordered packet ended; their number is x.
    pub lengths: Vec<u64>,
    /// r: the length of the run that no reordered packet has ended.
    pub open: u64,
}

/// The reordering of one stream; duplicates were left out (RFC 4737 3.6).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderAnalysis {
    /// First copies that arrived.
    pub received: u64,
    /// The reordered ones in the order they arrived.
    pub reordered: Vec<ReorderedPacket>,
    /// Arrivals between successive reordering discontinuities, without the zero of the first (4.5).
    pub gaps: Vec<u64>,
    /// Reordering-free runs.
    pub runs: FreeRuns,
}

/// Analyses packets in the order they arrived, in O(n log n).
pub fn analyse_order(arrivals: &[ArrivedPacket]) -> OrderAnalysis {
    let mut copies = HashSet::with_capacity(arrivals.len());
    let mut scan = Scan::new(arrivals);
    let mut analysis = OrderAnalysis {
        received: 0,
        reordered: Vec::new(),
        gaps: Vec::new(),
        runs: FreeRuns::default(),
    };
    // The place of each discontinuity in the arrival order, and its rank in the order of detection.
    let mut discontinuities: BTreeMap<usize, usize> = BTreeMap::new();
    for packet in arrivals.iter().filter(|packet| copies.insert(packet.sequence)) {
        let place = scan.first.len();
        let found = scan.enter(*packet);
        analysis.received += 1;
        analysis.runs.enter(found.is_some());
        if let Some((reordered, at)) = found {
            analysis.reordered.push(reordered);
            discontinuities.entry(at).or_insert(place);
        }
    }
    let neighbours = discontinuities.iter().zip(discontinuities.iter().skip(1));
    analysis.gaps = neighbours
        .filter(|((_, earlier), (_, later))| earlier < later)
        .map(|((from, _), (to, _))| (to - from) as u64)
        .collect();
    analysis
}

impl OrderAnalysis {
    /// Reordered of received (4.1); `None` when nothing was received.
    pub fn reordered_ratio(&self) -> Option<Fraction> {
        Fraction::of(self.reordered.len() as f64, self.received as f64)
    }

    /// The degree of n-reordering: n-reordered of received (5.3 definition 2); `None` when nothing was received.
    ///
    /// At n = 3, TCP's duplicate threshold, it tells how much of the stream would have been sent again needlessly.
    pub fn degree_of_n_reordering(&self, n: u64) -> Option<Fraction> {
        let reached = |packet: &&ReorderedPacket| packet.n_reordering.is_some_and(|own| own >= n);
        Fraction::of(self.reordered.iter().filter(reached).count() as f64, self.received as f64)
    }
}

impl FreeRuns {
    /// a/x: the average run length; `None` without a reordered packet.
    pub fn mean(&self) -> Option<f64> {
        (!self.lengths.is_empty()).then(|| self.in_order as f64 / self.lengths.len() as f64)
    }

    /// (q/a)/(a/x): 1 when all runs are equally long, larger when they vary; `None` without a reordered packet or
    /// without one in order.
    pub fn variation(&self) -> Option<f64> {
        let mean = self.mean().filter(|mean| *mean > 0.0)?;
        Some(self.squares as f64 / self.in_order as f64 / mean)
    }

    /// The pseudo-code of 4.6.3, which leaves out the update of `NextExp`; 3.3 has it.
    fn enter(&mut self, reordered: bool) {
        self.packets += 1;
        if !reordered {
            self.in_order += 1;
            self.open += 1;
            return;
        }
        self.squares = self.squares.saturating_add(self.open.saturating_mul(self.open));
        self.lengths.push(std::mem::take(&mut self.open));
    }
}

/// What has arrived so far, arranged so that each question takes logarithmic time.
struct Scan {
    /// Arrivals so far, in order.
    first: Vec<ArrivedPacket>,
    /// The largest sequence number up to each arrival: it never falls.
    largest: Vec<u64>,
    /// Places of arrivals that no later one undercut: sequence numbers rise along it.
    rising: Vec<usize>,
    payloads: PayloadSums,
}

impl Scan {
    fn new(arrivals: &[ArrivedPacket]) -> Self {
        Self {
            first: Vec::with_capacity(arrivals.len()),
            largest: Vec::with_capacity(arrivals.len()),
            rising: Vec::new(),
            payloads: PayloadSums::new(arrivals.iter().map(|packet| packet.sequence).collect()),
        }
    }

    /// Enters the next arrival; when it is reordered, returns its figures and the place of its discontinuity.
    fn enter(&mut self, packet: ArrivedPacket) -> Option<(ReorderedPacket, usize)> {
        let place = self.first.len();
        let discontinuity = self.largest.partition_point(|largest| *largest <= packet.sequence);
        let in_a_row = self.larger_in_a_row(packet.sequence);
        let reordered = self.first.get(discontinuity).map(|earliest| {
            let reordered = ReorderedPacket {
                sequence: packet.sequence,
                extent: (place - discontinuity) as u64,
                late_us: packet.arrived_us.saturating_sub(earliest.arrived_us),
                byte_offset: self.payloads.above(packet.sequence),
                n_reordering: (in_a_row > 0).then_some(in_a_row),
            };
            (reordered, discontinuity)
        });
        let largest = self.largest.last().map_or(packet.sequence, |l| packet.sequence.max(*l));
        self.largest.push(largest);
        self.rising.push(place);
        self.first.push(packet);
        self.payloads.add(packet.sequence, packet.payload_bytes);
        reordered
    }

    /// How many of the latest arrivals in a row have larger numbers; forgets them as candidates for later packets.
    fn larger_in_a_row(&mut self, sequence: u64) -> u64 {
        let larger = |place: &usize| self.first.get(*place).is_some_and(|p| p.sequence > sequence);
        while self.rising.last().is_some_and(larger) {
            self.rising.pop();
        }
        let smaller_before = self.rising.last().map_or(0, |place| place + 1);
        (self.first.len() - smaller_before) as u64
    }
}

/// Payload bytes per sequence number with sums over ranges in logarithmic time: a binary indexed tree over the ranks
/// of the numbers (P. M. Fenwick, Software: Practice and Experience 24(3), 1994; from memory).
struct PayloadSums {
    sequences: Vec<u64>,
    sums: Vec<u64>,
    total: u64,
}

impl PayloadSums {
    fn new(mut sequences: Vec<u64>) -> Self {
        sequences.sort_unstable();
        sequences.dedup();
        Self { sums: vec![0; sequences.len() + 1], sequences, total: 0 }
    }

    fn add(&mut self, sequence: u64, bytes: u32) {
        self.total += u64::from(bytes);
        let mut node = self.rank(sequence);
        while let Some(sum) = self.sums.get_mut(node) {
            *sum += u64::from(bytes);
            node += lowest_bit(node);
        }
    }

    fn above(&self, sequence: u64) -> u64 {
        let mut node = self.rank(sequence);
        let mut up_to = 0;
        while node > 0 {
            up_to += self.sums.get(node).copied().unwrap_or_default();
            node -= lowest_bit(node);
        }
        self.total - up_to
    }

    fn rank(&self, sequence: u64) -> usize {
        self.sequences.partition_point(|other| *other <= sequence)
    }
}

fn lowest_bit(node: usize) -> usize {
    node & node.wrapping_neg()
}
