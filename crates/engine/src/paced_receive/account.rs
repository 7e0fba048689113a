//! What becomes of each datagram of a stream: checked, counted, timed; without allocation, dispatch or lock.

use std::ops::Range;

use culvert_os::udp::Received;
use culvert_session::grant::Session;
use culvert_stats::{Arrival, LossMap, NOTICEABLE_WITHIN, OrderWatch, SequenceLedger};
use culvert_wire::datagram::{DatagramHeader, DatagramKind, Signal, Status};
use culvert_wire::message::{ClockReport, DelayReport, LossReport, OrderReport, SequenceReport};

use super::{flat, times::Times};
use crate::signals::HeaderReader;

/// The receiver's account of one stream.
#[derive(Debug)]
pub struct DatagramAccount {
    payload_bytes: u16,
    ledger: SequenceLedger,
    order: OrderWatch,
    map: LossMap,
    times: Times,
    plateau: PlateauTest,
    received_plateau: u64,
    plateau_arrival: Option<(u64, u64)>,
    refused: u64,
    joined: u64,
    drops: JoinedDrops,
    now_ns: u64,
}

/// What a datagram was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// The first copy of a datagram of the stream.
    New,
    /// A further copy, or too late to be told from one.
    Again,
    /// No data: somebody has to act on it.
    Signal(Signal),
    /// Not one that can be counted.
    Refused {
        /// Whether the peer made it: its tag is right.
        ours: bool,
    },
}

/// How many datagrams were lost where the socket dropped something joined.
#[derive(Debug, Clone, Copy, Default)]
struct JoinedDrops {
    seen: u32,
    datagrams: u64,
}

/// The most datagrams the kernel joins (`UDP_GRO_CNT_MAX`, and `UDP_MAX_SEGMENTS` since Linux 6.9).
const MOST_JOINED: u64 = 128;

impl JoinedDrops {
    /// Something was dropped before `sequence` came, and after `highest` had: the missing numbers between them, as far as
    /// so many drops can account for them.
    fn note(&mut self, times: u32, sequence: u64, highest: Option<u64>) {
        let expected = highest.map_or(0, |highest| highest.saturating_add(1));
        let missing = sequence.saturating_sub(expected);
        let most = u64::from(times.wrapping_sub(self.seen)).saturating_mul(MOST_JOINED);
        self.datagrams = self.datagrams.saturating_add(missing.min(most));
        self.seen = times;
    }
}

/// Which datagrams the plateau has.
#[derive(Debug)]
enum PlateauTest {
    Numbers(Range<u64>),
    SentFrom(u64),
}

impl DatagramAccount {
    /// Nothing arrived so far.
    pub fn new(session: &Session, payload_bytes: u16) -> Self {
        let settle_ns = crate::timeline::nanos(session.settle());
        let every = session.pace_bps().map(|_| session.burst());
        Self {
            payload_bytes,
            ledger: SequenceLedger::new(session.planned_datagrams()),
            order: OrderWatch::new(),
            map: LossMap::new(session.planned_datagrams()),
            times: Times::new(every),
            plateau: session
                .plateau_numbers()
                .map_or(PlateauTest::SentFrom(settle_ns), PlateauTest::Numbers),
            received_plateau: 0,
            plateau_arrival: None,
            refused: 0,
            joined: 0,
            drops: JoinedDrops::default(),
            now_ns: 0,
        }
    }

    /// The next datagrams were taken from the system at this time: once a batch.
    pub fn at(&mut self, now_ns: u64) {
        self.now_ns = now_ns;
        self.times.sample(now_ns);
    }

    /// Takes in one datagram.
    #[inline]
    pub fn take(&mut self, reader: &HeaderReader, datagram: &Received<'_>) -> Taken {
        let read = reader.header(datagram.payload).filter(|_| !datagram.truncated);
        let Some(header) = read else {
            self.refused += 1;
            return Taken::Refused { ours: false };
        };
        if header.kind != DatagramKind::Data
            && let Some(signal) = Signal::read(&header, datagram.payload)
        {
            return Taken::Signal(signal);
        }
        if header.length != self.payload_bytes {
            self.refused += 1;
            return Taken::Refused { ours: true };
        }
        self.joined += u64::from(datagram.follows);
        if datagram.drops_before != self.drops.seen {
            self.drops.note(datagram.drops_before, header.sequence, self.ledger.highest());
        }
        match self.ledger.accept(header.sequence) {
            Arrival::New { .. } => {
                self.note_new(&header, datagram);
                Taken::New
            }
            Arrival::Beyond => {
                self.refused += 1;
                Taken::Refused { ours: true }
            }
            Arrival::Duplicate => {
                self.map.arrived_again(header.sequence);
                Taken::Again
            }
            Arrival::Late => Taken::Again,
        }
    }

    #[inline]
    fn note_new(&mut self, header: &DatagramHeader, datagram: &Received<'_>) {
        self.map.arrived(header.sequence);
        self.order.accept(header.sequence, self.ledger.received() - 1);
        let is_of_plateau = match &self.plateau {
            PlateauTest::Numbers(numbers) => numbers.contains(&header.sequence),
            PlateauTest::SentFrom(settle_ns) => header.sent_ns >= *settle_ns,
        };
        if is_of_plateau {
            self.received_plateau += 1;
            let (first, _) = self.plateau_arrival.unwrap_or((self.now_ns, self.now_ns));
            self.plateau_arrival = Some((first, self.now_ns));
        }
        self.times.accept(header, datagram);
    }

    /// First copies so far.
    pub const fn received(&self) -> u64 {
        self.ledger.received()
    }

    /// Datagrams that came joined to one before them.
    pub const fn joined(&self) -> u64 {
        self.joined
    }

    /// Datagrams that the socket dropped, given how often it dropped something and, once known, how many were sent.
    ///
    /// Joined datagrams count once at the socket: there the numbers that are missing at each drop are counted instead.
    pub fn host_dropped(&self, times: u64, sent: Option<u64>) -> u64 {
        if self.joined == 0 {
            return times;
        }
        let mut drops = self.drops;
        if let (Ok(times), Some(sent)) = (u32::try_from(times), sent) {
            drops.note(times, sent, self.ledger.highest());
        }
        drops.datagrams
    }

    /// The socket is another one, whose drops are counted from zero.
    pub const fn moved(&mut self) {
        self.drops.seen = 0;
    }

    /// What the numbers tell; what the socket dropped is not known here.
    pub fn sequence(&self) -> SequenceReport {
        SequenceReport {
            received: self.ledger.received(),
            received_plateau: self.received_plateau,
            plateau_arrival_ns: self.plateau_arrival.map(|(first, last)| last - first),
            duplicates: self.ledger.duplicates(),
            reordered: self.ledger.reordered(),
            refused: self.refused,
            late: self.ledger.late(),
            host_dropped: None,
        }
    }

    /// How the losses cluster, once it is known how many were sent.
    pub fn losses(&self, sent: u64) -> Option<LossReport> {
        let summary = self.map.summary(sent)?;
        Some(LossReport {
            sent,
            lost: summary.lost,
            runs: summary.periods,
            lengths: summary.lengths.map(flat),
            noticeable: summary.noticeable,
            noticeable_within: NOTICEABLE_WITHIN,
            bursts: summary.bursts,
            burst_packets: summary.burst_packets,
            burst_lost: summary.burst_lost,
            gaps: summary.gaps,
        })
    }

    /// How far datagrams were overtaken, and how many came more than once.
    pub fn order(&self) -> OrderReport {
        OrderReport {
            extents: self.order.extents().map(flat),
            beyond: self.order.beyond(),
            n_reordered: self.order.n_reordered(),
            replicated: self.map.replicated(),
        }
    }

    /// What the times say of the clocks; `None` when the wall clock that stamps datagrams was set meanwhile.
    pub fn clock(&self) -> Option<ClockReport> {
        self.times.clock_report()
    }

    /// The totals for a report at `elapsed_ns` after the first arrival, with the delays since the report before.
    pub fn status(&mut self, elapsed_ns: u64) -> Status {
        let received = self.ledger.received();
        let expected = self.ledger.highest().map_or(0, |highest| highest.saturating_add(1));
        Status {
            elapsed_ns,
            received,
            lost: expected.saturating_sub(received),
            reordered: self.ledger.reordered(),
            duplicates: self.ledger.duplicates(),
            delay_us: self.times.take_span_us(),
        }
    }

    /// What the times tell; `None` when the wall clock that stamps datagrams was set meanwhile.
    pub fn delay(&self) -> Option<DelayReport> {
        self.times.report()
    }

    /// By how much the wall clock was set, microseconds.
    pub fn clock_step_us(&self) -> Option<i64> {
        self.times.step_us()
    }
}

#[cfg(test)]
mod tests;
