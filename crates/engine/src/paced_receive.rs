//! The receiver of a paced stream: one thread that checks, counts and times every datagram.

use std::ops::Range;
use std::sync::{Arc, mpsc::Receiver};

use culvert_os::clock::{ClockPair, monotonic_ns};
use culvert_os::udp::{FlowSocket, ReceiveBatch};
use culvert_session::grant::Session;
use culvert_stats::{Arrival, DelayVariation, InterarrivalJitter, Percentiles, SequenceLedger};
use culvert_wire::datagram::{DatagramHeader, MAX_SIGNAL, SignalBody};
use culvert_wire::message::{BufferReport, DelayReport, ReceiverReport, SequenceReport};

use crate::legs::Side;
use crate::meter::Meter;
use crate::signals::{FlowIdentity, Proofing, SocketNews, first_socket};
use crate::timeline::{LOOK_UP_EVERY, Switch, Timeline};

/// Datagrams taken by one system call at most.
const BATCH: usize = 64;
/// How long a receiver that misses datagrams waits for another once the transmitter has told its final count.
const STRAGGLERS_NS: u64 = 500_000_000;
/// How long a receiver that has everything waits for further copies.
const FURTHER_COPIES_NS: u64 = 50_000_000;
/// The waiting time after which a datagram counts as lost at the latest (RFC 7680 2.8.2), from the end of the plateau.
const LONGEST_WAIT_NS: u64 = 3_000_000_000;
/// After so long without an authentic datagram the near end asks to be challenged again, nanoseconds. Its NAT may have
/// given it another port, and a far end that only transmits learns of that from nothing else; it gives up after three
/// seconds.
const ASK_AFTER_QUIET_NS: u64 = 500_000_000;
/// A wall clock that moves against the monotonic one by more than this between two batches was set: steering it moves
/// it by at most 500 ppm (adjtimex(2)), 25 us in the 50 ms that pass at most.
const CLOCK_STEP_NS: u64 = 500_000;

/// What a paced receiver needs.
#[derive(Debug)]
pub struct PacedReceive {
    /// Which end this is.
    pub side: Side,
    /// Keys and numbers of its flow.
    pub flow: FlowIdentity,
    /// Brings the connected socket, and another when the peer's port has changed.
    pub sockets: Receiver<SocketNews>,
    /// What was granted.
    pub session: Session,
    /// The payload of each datagram, bytes.
    pub payload_bytes: u16,
    /// The times of the run.
    pub timeline: Timeline,
    /// What stops the thread, and brings the final count.
    pub switch: Arc<Switch>,
    /// Counts the bytes.
    pub meter: Arc<Meter>,
}

/// Receives until everything that was sent has arrived, or nothing more can be expected.
pub fn receive(plan: PacedReceive) -> ReceiverReport {
    let Some(socket) = first_socket(&plan.sockets) else { return ReceiverReport::default() };
    // Without a timeout the thread would wait for ever on a dead path; a socket that refuses it is unusable anyway.
    let _ = socket.set_receive_timeout(Some(LOOK_UP_EVERY));
    let mut receiver = Receiving::new(plan, socket);
    receiver.run();
    receiver.report()
}

struct Receiving {
    plan: PacedReceive,
    socket: FlowSocket,
    batch: ReceiveBatch,
    ledger: SequenceLedger,
    times: Times,
    refused: u64,
    dropped_before: u64,
    drops_known: bool,
    last_arrival_ns: u64,
    last_asked_ns: u64,
    plateau: Range<u64>,
    plateau_arrival: Option<(u64, u64)>,
}

impl Receiving {
    fn new(plan: PacedReceive, socket: FlowSocket) -> Self {
        let planned = plan.session.planned_datagrams();
        Self {
            socket,
            // Signals come between the data, and are longer than the smallest of it.
            batch: ReceiveBatch::new(BATCH, usize::from(plan.payload_bytes).max(MAX_SIGNAL)),
            ledger: SequenceLedger::with_range(planned, Some(plan.session.plateau_numbers())),
            times: Times::new(),
            refused: 0,
            dropped_before: 0,
            drops_known: true,
            last_arrival_ns: 0,
            last_asked_ns: monotonic_ns(),
            plateau: plan.session.plateau_numbers(),
            plateau_arrival: None,
            plan,
        }
    }

    fn run(&mut self) {
        while !self.is_over(monotonic_ns()) {
            // An ICMP error tells of something this end sent, perhaps forged; it says nothing of what may arrive.
            let count = self.socket.receive_batch(&mut self.batch).unwrap_or(0);
            if count > 0 {
                self.take_in();
            } else if let Ok(news) = self.plan.sockets.try_recv() {
                self.take_news(news);
            } else if self.plan.side == Side::Near {
                self.ask_when_quiet();
            }
        }
    }

    fn take_news(&mut self, news: SocketNews) {
        // A pause is for those who send data.
        let SocketNews::Use(moved) = news else { return };
        self.count_drops();
        let _ = moved.set_receive_timeout(Some(LOOK_UP_EVERY));
        self.socket = moved;
    }

    fn ask_when_quiet(&mut self) {
        let now = monotonic_ns();
        if now.saturating_sub(self.last_arrival_ns.max(self.last_asked_ns)) >= ASK_AFTER_QUIET_NS {
            self.last_asked_ns = now;
            self.plan.flow.send(&self.socket, 0, SignalBody::Open);
        }
    }

    fn is_over(&self, now: u64) -> bool {
        if self.plan.switch.is_stopped() {
            return true;
        }
        let Some(sent) = self.plan.switch.announced() else {
            let bound = self.plan.timeline.reading_ends_ns(self.plan.meter.origin_ns());
            return now >= bound.saturating_add(LONGEST_WAIT_NS);
        };
        let deadline = self.plan.timeline.arriving_ends_ns(self.plan.meter.origin_ns());
        let quiet = now.saturating_sub(self.last_arrival_ns.max(deadline));
        let patience =
            if self.ledger.received() >= sent { FURTHER_COPIES_NS } else { STRAGGLERS_NS };
        quiet >= patience || now >= deadline.saturating_add(LONGEST_WAIT_NS)
    }

    fn take_in(&mut self) {
        let clock = self.times.sample();
        let now = monotonic_ns();
        let mut bytes = 0;
        let mut authentic = false;
        for datagram in self.batch.datagrams() {
            let Some((header, signal)) =
                self.plan.flow.read(datagram.payload).filter(|_| !datagram.truncated)
            else {
                self.refused += 1;
                continue;
            };
            authentic = true;
            if let Some(signal) = signal {
                Proofing::Answer.on_signal(&self.plan.flow, &self.socket, &signal);
                continue;
            }
            if header.length != self.plan.payload_bytes {
                self.refused += 1;
                continue;
            }
            match self.ledger.accept(header.sequence) {
                Arrival::New { .. } => {
                    if self.plateau.contains(&header.sequence) {
                        let (first, _) = self.plateau_arrival.unwrap_or((now, now));
                        self.plateau_arrival = Some((first, now));
                    }
                    bytes += datagram.payload.len() as u64;
                    let received =
                        datagram.received_at_realtime_ns.and_then(|at| clock.to_monotonic_ns(at));
                    self.times.accept(&header, received);
                }
                Arrival::Beyond => self.refused += 1,
                Arrival::Duplicate | Arrival::Late => {}
            }
        }
        if authentic {
            self.last_arrival_ns = now;
            self.plan.switch.saw_peer(now);
        }
        if bytes > 0 {
            self.plan.meter.count(now, bytes);
        }
    }

    fn count_drops(&mut self) {
        match self.socket.dropped() {
            Ok(Some(drops)) => self.dropped_before += u64::from(drops),
            _ => self.drops_known = false,
        }
    }

    fn report(mut self) -> ReceiverReport {
        self.count_drops();
        ReceiverReport {
            bytes: self.plan.meter.total(),
            series_steps: 0,
            budget_exceeded: false,
            buffer: BufferReport {
                asked_bytes: self.plan.session.request().buffer_bytes,
                granted_bytes: Some(self.socket.granted().receive as u64),
            },
            sequence: Some(SequenceReport {
                received: self.ledger.received(),
                received_plateau: self.ledger.received_in_range().unwrap_or(0),
                plateau_arrival_ns: self.plateau_arrival.map(|(first, last)| last - first),
                duplicates: self.ledger.duplicates(),
                reordered: self.ledger.reordered(),
                refused: self.refused,
                late: self.ledger.late(),
                host_dropped: self.drops_known.then_some(self.dropped_before),
            }),
            delay: self.times.report(),
            clock_step_us: self.times.step_us(),
            ..ReceiverReport::default()
        }
    }
}

/// What the datagrams' times tell, and whether the wall clock that stamps them was set meanwhile.
struct Times {
    jitter: InterarrivalJitter,
    variation: DelayVariation,
    clock: ClockPair,
    clock_at_ns: u64,
    step_ns: i64,
}

impl Times {
    fn new() -> Self {
        Self {
            jitter: InterarrivalJitter::default(),
            variation: DelayVariation::new(),
            clock: ClockPair::sample(),
            clock_at_ns: monotonic_ns(),
            step_ns: 0,
        }
    }

    /// How the wall clock relates to the monotonic one now.
    fn sample(&mut self) -> ClockPair {
        let (clock, now) = (ClockPair::sample(), monotonic_ns());
        let moved = clock.realtime_minus_monotonic_ns - self.clock.realtime_minus_monotonic_ns;
        let steered = now.saturating_sub(self.clock_at_ns) / 2_000;
        if moved.unsigned_abs() > CLOCK_STEP_NS + steered + clock.error_ns + self.clock.error_ns {
            self.step_ns = self.step_ns.saturating_add(moved);
        }
        (self.clock, self.clock_at_ns) = (clock, now);
        clock
    }

    fn accept(&mut self, header: &DatagramHeader, received_ns: Option<u64>) {
        let (Some(received), Ok(sent)) =
            (received_ns.and_then(|at| i64::try_from(at).ok()), i64::try_from(header.sent_ns))
        else {
            return;
        };
        self.jitter.accept(sent, received);
        self.variation.accept(header.sequence, received.saturating_sub(sent));
    }

    fn step_us(&self) -> Option<i64> {
        (self.step_ns != 0).then_some(self.step_ns / 1_000)
    }

    /// Nothing when the clock stepped: a step is a delay that nobody waited.
    fn report(&self) -> Option<DelayReport> {
        if self.step_ns != 0 {
            return None;
        }
        Some(DelayReport {
            interarrival_jitter_us: self.jitter.value()? / 1_000.0,
            ipdv_us: self.variation.ipdv().map(flat),
            pdv_us: self.variation.pdv().map(flat),
        })
    }
}

fn flat(p: Percentiles) -> [i64; 6] {
    [i64::try_from(p.n).unwrap_or(i64::MAX), p.min, p.p50, p.p95, p.p99, p.max]
}
