//! The receiver of a paced stream: one thread that checks, counts and times every datagram.

mod account;
mod inbox;
mod reporter;
mod times;

use std::sync::{Arc, mpsc::Receiver};

use culvert_os::clock::monotonic_ns;
use culvert_os::udp::FlowSocket;
use culvert_session::grant::Session;
use culvert_stats::Percentiles;
use culvert_wire::datagram::SignalBody;
use culvert_wire::message::{ReceiverReport, SequenceReport};

pub use account::{DatagramAccount, Taken};
use inbox::Inbox;
use reporter::Reporter;

use crate::legs::Side;
use crate::meter::Meter;
use crate::paced_transmit::buffer_report;
use crate::signals::{FlowIdentity, Proofing, SocketNews, first_socket};
use crate::timeline::{LOOK_UP_EVERY, Switch, Timeline};

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
    inbox: Inbox,
    account: DatagramAccount,
    reporter: Option<Reporter>,
    dropped_before: u64,
    drops_known: bool,
    last_arrival_ns: u64,
    last_asked_ns: u64,
}

impl Receiving {
    fn new(plan: PacedReceive, socket: FlowSocket) -> Self {
        Self {
            inbox: Inbox::new(&plan.session, plan.payload_bytes, &socket),
            account: DatagramAccount::new(&plan.session, plan.payload_bytes),
            reporter: plan.session.capacity().map(Reporter::new),
            socket,
            dropped_before: 0,
            drops_known: true,
            last_arrival_ns: 0,
            last_asked_ns: monotonic_ns(),
            plan,
        }
    }

    fn run(&mut self) {
        while !self.is_over(monotonic_ns()) {
            // An ICMP error tells of something this end sent, perhaps forged; it says nothing of what may arrive.
            let count = self.inbox.receive(&self.socket);
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
        self.account.moved();
        let _ = moved.set_receive_timeout(Some(LOOK_UP_EVERY));
        self.inbox.moved_to(&moved);
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
        // A search ends when it has found what it looked for.
        let deadline = match self.reporter {
            Some(_) => self.last_arrival_ns,
            None => self.plan.timeline.arriving_ends_ns(self.plan.meter.origin_ns()),
        };
        let quiet = now.saturating_sub(self.last_arrival_ns.max(deadline));
        let patience =
            if self.account.received() >= sent { FURTHER_COPIES_NS } else { STRAGGLERS_NS };
        quiet >= patience || now >= deadline.saturating_add(LONGEST_WAIT_NS)
    }

    fn take_in(&mut self) {
        let now = monotonic_ns();
        self.account.at(now);
        let mut bytes = 0;
        let mut authentic = false;
        let mut stamp = None;
        let reader = self.plan.flow.reader();
        // Joined datagrams are walked inside one another: a loop outside would ask after each where the next one is.
        self.inbox.datagrams().for_each(|datagram| {
            match self.account.take(&reader, &datagram) {
                Taken::New => {
                    bytes += datagram.payload.len() as u64;
                    stamp = datagram.received_at_realtime_ns.or(stamp);
                }
                Taken::Signal(signal) => {
                    Proofing::Answer.on_signal(&self.plan.flow, &self.socket, &signal);
                }
                Taken::Refused { ours: false } => return,
                Taken::Again | Taken::Refused { ours: true } => {}
            }
            authentic = true;
        });
        if authentic {
            self.last_arrival_ns = now;
            self.plan.switch.saw_peer(now);
        }
        if bytes > 0 {
            self.plan.meter.count(now, bytes);
            self.report_status(now, stamp);
        }
    }

    fn report_status(&mut self, now: u64, stamp: Option<i64>) {
        let Some(reporter) = &mut self.reporter else { return };
        if let Some((number, status)) = reporter.after(now, stamp, &mut self.account) {
            self.plan.flow.send(&self.socket, number, SignalBody::Status(status));
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
        let (buffer, buffer_capped) =
            buffer_report(self.plan.session.request(), self.socket.granted().receive);
        ReceiverReport {
            bytes: self.plan.meter.total(),
            series_steps: 0,
            budget_exceeded: false,
            buffer,
            buffer_capped,
            sequence: Some(SequenceReport {
                host_dropped: self.drops_known.then(|| {
                    self.account.host_dropped(self.dropped_before, self.plan.switch.announced())
                }),
                ..self.account.sequence()
            }),
            delay: self.account.delay(),
            losses: self.plan.switch.announced().and_then(|sent| self.account.losses(sent)),
            order: Some(self.account.order()),
            clock: self.account.clock(),
            clock_step_us: self.account.clock_step_us(),
            handover: Some(self.inbox.report(self.account.joined())),
            sub_intervals: self
                .reporter
                .as_ref()
                .map(|reporter| reporter.sub_intervals().to_vec())
                .unwrap_or_default(),
            ..ReceiverReport::default()
        }
    }
}

/// Percentiles as they travel.
pub(crate) fn flat(p: Percentiles) -> [i64; 6] {
    [i64::try_from(p.n).unwrap_or(i64::MAX), p.min, p.p50, p.p95, p.p99, p.max]
}
