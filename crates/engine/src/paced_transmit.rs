//! The transmitter of a paced stream: one thread, absolute deadlines, batches only where the pace asks for them.

mod lead;
mod outbox;
mod plateau;
mod schedule;

use std::sync::{Arc, mpsc::Receiver};

use culvert_os::clock::{monotonic_ns, set_timer_slack, sleep_until};
use culvert_os::udp::{FlowSocket, ReceiveBatch, SendStop};
use culvert_session::grant::Session;
use culvert_session::pacing::LARGEST_DEBT_NS;
use culvert_units::Bytes;
use culvert_wire::datagram::{DatagramHeader, DatagramKind, MAX_SIGNAL, SignalBody};
use culvert_wire::message::{BufferReport, SessionRequest, TransmitterReport};

use crate::signals::{FlowIdentity, Proofing, SocketNews, first_socket};
use crate::timeline::{Switch, Timeline};
use lead::Lead;
use outbox::Outbox;
use plateau::PlateauSpan;
use schedule::Schedule;

/// How often the transmitter looks for challenges and echoes, nanoseconds.
const LOOK_AT_SIGNALS_EVERY_NS: u64 = 20_000_000;
/// The same while the rate follows what the peer reports.
const LOOK_WHEN_LED_EVERY_NS: u64 = 5_000_000;
/// A wait after the host itself took no datagram, nanoseconds: a full queue then holds several datagrams' time at any rate.
const AFTER_FULL_QUEUE_NS: u64 = 200_000;
/// How long nothing may leave because of errors, nanoseconds. A single one may have been brought by ICMP for an earlier
/// datagram: the path's MTU was learned, a route came back, or somebody forged it; the next datagram may well pass.
const ERRORS_AT_MOST_NS: u64 = 500_000_000;
/// Batches of signals taken at one look: whoever floods this socket does not keep its thread from the data.
const MOST_LOOKS: usize = 8;
/// How often the mapping of a NAT is kept open when nothing else is said, nanoseconds.
const KEEPALIVE_EVERY_NS: u64 = 1_000_000_000;

/// What a paced transmitter needs.
#[derive(Debug)]
pub struct PacedTransmit {
    /// Keys and numbers of its flow.
    pub flow: FlowIdentity,
    /// Brings the connected socket, and another when the peer's port has changed.
    pub sockets: Receiver<SocketNews>,
    /// Its side of the address proof.
    pub proofing: Proofing,
    /// What was granted.
    pub session: Session,
    /// The payload of each datagram, bytes.
    pub payload_bytes: u16,
    /// The times of the run.
    pub timeline: Timeline,
    /// What stops the thread.
    pub switch: Arc<Switch>,
}

/// Sends the planned datagrams when each is due, until the deadline.
pub fn transmit(plan: PacedTransmit) -> TransmitterReport {
    // A finer timer only makes the pace truer; the default costs 50 us of lateness.
    let _ = set_timer_slack(std::time::Duration::from_nanos(1));
    match Transmitter::new(plan) {
        Some(transmitter) => transmitter.run(),
        None => TransmitterReport {
            fault: Some("no proven address to send to".to_owned()),
            datagrams: Some(0),
            ..TransmitterReport::default()
        },
    }
}

struct Transmitter {
    plan: PacedTransmit,
    socket: FlowSocket,
    outbox: Outbox,
    incoming: ReceiveBatch,
    schedule: Schedule,
    /// What the rate follows instead of a schedule, in a capacity session.
    lead: Option<Box<Lead>>,
    start_ns: u64,
    deadline_ns: u64,
    paused: bool,
    number: u64,
    most: u64,
    plateau: PlateauSpan,
    next_look_ns: u64,
    next_keepalive_ns: u64,
    failing_since_ns: Option<u64>,
    refused: u64,
    queue_full: u64,
    buffer_full: u64,
    fault: Option<String>,
}

impl Transmitter {
    fn new(plan: PacedTransmit) -> Option<Self> {
        let socket = first_socket(&plan.sockets)?;
        let budget = plan.session.budget_each_way().unwrap_or(Bytes::new(u64::MAX));
        let most = (budget.get() / u64::from(plan.payload_bytes).max(1))
            .min(plan.session.planned_datagrams());
        let start_ns = plan.timeline.start_ns.max(monotonic_ns());
        Some(Self {
            outbox: Outbox::new(&plan.session, plan.payload_bytes, &socket),
            incoming: ReceiveBatch::new(8, MAX_SIGNAL),
            schedule: Schedule::new(&plan.session, plan.payload_bytes, start_ns),
            lead: plan.session.capacity().map(|asked| Box::new(Lead::new(asked, start_ns))),
            start_ns,
            paused: false,
            // A thread that started late still sends for the whole length.
            deadline_ns: start_ns.saturating_add(plan.timeline.length_ns),
            number: 0,
            most,
            plateau: PlateauSpan::new(&plan.session, plan.timeline.settle_ns),
            next_look_ns: 0,
            next_keepalive_ns: 0,
            failing_since_ns: None,
            refused: 0,
            queue_full: 0,
            buffer_full: 0,
            fault: None,
            socket,
            plan,
        })
    }

    fn run(mut self) -> TransmitterReport {
        while self.number < self.most && !self.plan.switch.is_stopped() && self.fault.is_none() {
            let now = monotonic_ns();
            if self.is_over(now) {
                break;
            }
            self.look_at_signals(now);
            if let Some(lead) = &mut self.lead {
                lead.tick(now);
            }
            if self.paused {
                pause_until(now + LOOK_AT_SIGNALS_EVERY_NS);
                continue;
            }
            let most = self.outbox.room().min(self.most - self.number);
            let due = match &mut self.lead {
                Some(lead) => lead.take(now, most),
                None => self.schedule.take(now, most),
            };
            match (due, &mut self.lead) {
                (Some(count), _) => self.send(count),
                (None, Some(lead)) => lead.wait(self.next_look_ns),
                (None, None) => self.schedule.wait(self.next_look_ns),
            }
        }
        // The last number's own time belongs to the span, wherever the deadline lies.
        let complete = self.number >= self.most;
        let next_due = if complete { self.schedule.due_at(self.number) } else { self.deadline_ns };
        let now = monotonic_ns();
        let ended_ns = if self.schedule.is_unlimited() { now } else { now.max(next_due) };
        self.plateau.end(self.number, ended_ns);
        if !complete && self.fault.is_none() && !self.plan.switch.is_stopped() {
            self.schedule.give_up_before(self.deadline_ns);
        }
        self.schedule.end(ended_ns - self.start_ns);
        self.report(ended_ns)
    }

    /// What was due before the deadline may leave a little late, as anywhere else in the run.
    fn is_over(&self, now: u64) -> bool {
        if self.lead.as_ref().is_some_and(|lead| lead.is_over()) {
            return true;
        }
        if self.schedule.is_unlimited() {
            return now >= self.deadline_ns;
        }
        now >= self.deadline_ns.saturating_add(LARGEST_DEBT_NS)
            || self.schedule.next_due_ns() >= self.deadline_ns
    }

    fn send(&mut self, count: u64) {
        let now = monotonic_ns();
        let sent_ns = now.saturating_sub(self.start_ns);
        let first = DatagramHeader {
            kind: DatagramKind::Data,
            stream: self.plan.flow.stream,
            length: self.plan.payload_bytes,
            session: self.plan.flow.session,
            sequence: self.number,
            sent_ns,
        };
        self.outbox.fill(first, &self.plan.flow.send_key, count);
        let outcome = self.outbox.send(&self.socket, count);
        let sent = outcome.sent as u64;
        self.schedule.left(now, sent_ns, sent);
        self.plateau.sent(
            self.number,
            sent,
            now,
            sent_ns,
            self.schedule.due_at(self.plateau.from()),
        );
        self.number += sent;
        if sent > 0 {
            self.failing_since_ns = None;
        }
        self.schedule.put_back(count - sent);
        if let Some(lead) = &mut self.lead {
            lead.on_sent(self.number, now);
            lead.put_back(count - sent);
        }
        if let Some(stop) = outcome.stopped {
            self.on_stop(&stop, count - sent);
        }
    }

    fn on_stop(&mut self, stop: &SendStop, left: u64) {
        self.queue_full += u64::from(matches!(stop, SendStop::QueueFull));
        self.buffer_full += u64::from(matches!(stop, SendStop::WouldBlock));
        let now = monotonic_ns();
        let since = *self.failing_since_ns.get_or_insert(now);
        let lasts = now.saturating_sub(since) > ERRORS_AT_MOST_NS;
        match stop {
            // Nobody listens there any more, or somebody says so: the address proof tells.
            SendStop::Failed(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => {}
            SendStop::TooLong if lasts => {
                self.refused += left;
                self.fault = Some(format!(
                    "the system refused datagrams of {} bytes payload: larger than the path's MTU allows",
                    self.plan.payload_bytes
                ));
            }
            SendStop::Failed(error) | SendStop::NotTaken(error) if lasts => {
                self.fault = Some(format!("sending failed: {error}"));
            }
            _ => pause_until(now + AFTER_FULL_QUEUE_NS),
        }
    }

    fn look_at_signals(&mut self, now: u64) {
        if now < self.next_look_ns {
            return;
        }
        let led = self.lead.is_some();
        self.next_look_ns =
            now + if led { LOOK_WHEN_LED_EVERY_NS } else { LOOK_AT_SIGNALS_EVERY_NS };
        for news in self.plan.sockets.try_iter() {
            self.paused = matches!(news, SocketNews::Pause);
            if let SocketNews::Use(moved) = news {
                self.socket = moved;
                self.plan.proofing = Proofing::challenge_from_now();
            }
        }
        for _ in 0..MOST_LOOKS {
            let waiting = self.socket.wait_readable(now).unwrap_or(false);
            if !waiting
                || !self.socket.receive_batch(&mut self.incoming).is_ok_and(|count| count > 0)
            {
                break;
            }
            for datagram in self.incoming.datagrams() {
                if let Some((_, Some(signal))) = self.plan.flow.read(datagram.payload) {
                    self.plan.switch.saw_peer(now);
                    // Whoever answers here is still here: what came from elsewhere was not the peer's doing.
                    self.paused &= !matches!(signal.body, SignalBody::Echo { .. });
                    self.plan.proofing.on_signal(&self.plan.flow, &self.socket, &signal);
                    if let (SignalBody::Status(status), Some(lead)) = (signal.body, &mut self.lead)
                    {
                        lead.on_status(signal.sequence, &status, now);
                    }
                }
            }
        }
        if !self.plan.proofing.is_kept(&self.plan.flow, &self.socket) {
            self.fault =
                Some("the peer's address answered no challenge for three seconds".to_owned());
        }
        if now >= self.next_keepalive_ns {
            self.next_keepalive_ns = now + KEEPALIVE_EVERY_NS;
            self.plan.flow.send(&self.socket, 0, self.plan.proofing.keepalive());
        }
    }

    fn report(self, ended_ns: u64) -> TransmitterReport {
        let (buffer, buffer_capped) =
            buffer_report(self.plan.session.request(), self.socket.granted().send);
        let bytes = self.number.saturating_mul(u64::from(self.plan.payload_bytes));
        TransmitterReport {
            bytes,
            bytes_written: bytes,
            buffer,
            buffer_capped,
            datagrams: Some(self.number),
            datagrams_plateau: Some(self.plateau.count()),
            plateau_ns: self.plateau.span_ns(),
            whole_ns: ended_ns.checked_sub(self.start_ns).filter(|whole| *whole > 0),
            debt_dropped_ns: self.schedule.dropped_ns(),
            // On a schedule all of a budget is planned for; without one it may run out.
            budget_spent: self.schedule.is_unlimited() && self.number >= self.most,
            refused_datagrams: self.refused,
            zero_ns: Some(self.start_ns),
            handover: Some(self.outbox.report()),
            departure: self.schedule.report(),
            queue_full: self.queue_full,
            buffer_full: self.buffer_full,
            fault: self.fault,
            capacity: self.lead.and_then(|lead| lead.into_outcome(ended_ns)).map(Box::new),
            ..TransmitterReport::default()
        }
    }
}

/// What was asked of one socket's buffer and granted, and whether that is less.
pub(crate) fn buffer_report(request: &SessionRequest, granted: usize) -> (BufferReport, bool) {
    let (asked_bytes, granted) = (request.buffer_bytes, granted as u64);
    let is_capped = asked_bytes.is_some_and(|asked| culvert_os::is_capped(asked, granted, 1));
    (BufferReport { asked_bytes, granted_bytes: Some(granted) }, is_capped)
}

fn pause_until(instant_ns: u64) {
    // A sleep that fails returns at once: the loop then asks again, and the pace stays true.
    let _ = sleep_until(instant_ns);
}
