//! A path in virtual time: a limiter with a bucket or a line with a queue, and a round trip. A flow of bytes in steps of
//! a millisecond, apart from every estimate of the search.

use std::collections::VecDeque;

use super::super::*;

pub(super) const MS: u64 = 1_000_000;

#[derive(Debug, Clone, Copy)]
pub(super) struct Path {
    /// What it carries, IP-layer bits per second.
    pub(super) rate: f64,
    /// How much the queue before it holds, bytes. A limiter has none.
    pub(super) queue: f64,
    /// How much a limiter lets through at once, bytes; a line has none.
    pub(super) bucket: f64,
    pub(super) one_way_ms: u64,
    /// Every so many reports one is lost on the way back; 0 loses none.
    pub(super) report_lost: u64,
    /// What the transmitter can send, bits per second.
    pub(super) transmitter: f64,
    /// No report comes after this, milliseconds.
    pub(super) dies_ms: u64,
}

impl Path {
    pub(super) fn line(megabits: f64, queue_ms: f64, one_way_ms: u64) -> Self {
        Self {
            rate: megabits * 1e6,
            queue: megabits * 1e6 / 8.0 * queue_ms / 1e3,
            bucket: 0.0,
            one_way_ms,
            report_lost: 0,
            transmitter: 1e12,
            dies_ms: u64::MAX,
        }
    }

    pub(super) fn limiter(megabits: f64, bucket_ms: f64, one_way_ms: u64) -> Self {
        let bucket = megabits * 1e6 / 8.0 * bucket_ms / 1e3;
        Self { queue: 0.0, bucket, ..Self::line(megabits, 0.0, one_way_ms) }
    }

    /// Runs a search over the path to its end.
    pub(super) fn run(self, parameters: CapacityParameters) -> CapacityOutcome {
        let mut run = Run::new(self, parameters);
        for ms in 1..=120_000 {
            run.step(ms);
            if let Some(outcome) = run.search.outcome() {
                return outcome.clone();
            }
        }
        panic!("the search did not end");
    }
}

struct Run {
    path: Path,
    packet: f64,
    search: CapacitySearch,
    owed: f64,
    sent: u64,
    waiting: f64,
    tokens: f64,
    /// What arrives when: milliseconds, bytes, delay in microseconds.
    under_way: VecDeque<(u64, f64, i64)>,
    reports: VecDeque<(u64, Feedback)>,
    lost: f64,
    arrived: f64,
    seen: Feedback,
}

impl Run {
    fn new(path: Path, parameters: CapacityParameters) -> Self {
        Self {
            path,
            packet: f64::from(parameters.ip_bytes),
            search: CapacitySearch::new(parameters, 0),
            owed: 0.0,
            sent: 0,
            waiting: 0.0,
            tokens: path.bucket,
            under_way: VecDeque::new(),
            reports: VecDeque::new(),
            lost: 0.0,
            arrived: 0.0,
            seen: Feedback::default(),
        }
    }

    fn step(&mut self, ms: u64) {
        let now = ms * MS;
        while self.search.poll_timeout().is_some_and(|due| due <= now) {
            let due = self.search.poll_timeout().unwrap();
            self.search.handle_timeout(due);
        }
        while self.reports.front().is_some_and(|(at, _)| *at <= ms) {
            let (_, feedback) = self.reports.pop_front().unwrap();
            self.search.on_feedback(feedback, now);
        }
        let offered = self.transmit(now);
        self.carry(offered, ms);
        self.receive(ms);
    }

    /// Whole packets that are due in this millisecond.
    fn transmit(&mut self, now: u64) -> f64 {
        let order = self.search.order();
        let rate = order.rate.map_or(0.0, |rate| rate.bits_per_second() as f64);
        self.owed += rate.min(self.path.transmitter) / 8e3;
        let mut packets = (self.owed / self.packet).floor();
        if let Some(most) = order.most_bytes {
            packets = packets.min((most.get() as f64 / self.packet).floor());
        }
        self.owed = if rate > 0.0 { self.owed - packets * self.packet } else { 0.0 };
        self.sent += whole(packets * self.packet);
        self.search.on_sent(self.sent, now);
        packets * self.packet
    }

    fn carry(&mut self, offered: f64, ms: u64) {
        let served = self.path.rate / 8e3;
        let through = if self.path.bucket > 0.0 {
            self.tokens = (self.tokens + served).min(self.path.bucket.max(served));
            let through = offered.min(self.tokens);
            self.tokens -= through;
            self.lost += offered - through;
            through
        } else {
            let room = self.path.queue + served - self.waiting;
            let entered = offered.min(room);
            self.lost += offered - entered;
            self.waiting += entered;
            let through = self.waiting.min(served);
            self.waiting -= through;
            through
        };
        if through > 0.0 {
            let queued_us = whole(self.waiting / self.path.rate * 8e6);
            let delay = i64::try_from(self.path.one_way_ms * 1000 + queued_us).unwrap();
            self.under_way.push_back((ms + self.path.one_way_ms, through, delay));
        }
    }

    fn receive(&mut self, ms: u64) {
        while self.under_way.front().is_some_and(|(at, _, _)| *at <= ms) {
            let (_, bytes, delay) = self.under_way.pop_front().unwrap();
            self.arrived += bytes;
            let (least, most) = self.seen.delay_us.unwrap_or((delay, delay));
            self.seen.delay_us = Some((least.min(delay), most.max(delay)));
        }
        if !ms.is_multiple_of(50) || ms > self.path.dies_ms || self.arrived < self.packet {
            return;
        }
        let received = whole(self.arrived / self.packet);
        let feedback = Feedback {
            number: u32::try_from(ms / 50).unwrap(),
            elapsed_ns: ms * MS,
            ip_bytes: received * whole(self.packet),
            received,
            lost: whole(self.lost / self.packet),
            ..self.seen
        };
        self.seen.delay_us = None;
        if !(ms / 50).is_multiple_of(self.path.report_lost) {
            self.reports.push_back((ms + self.path.one_way_ms, feedback));
        }
    }
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "amounts of a few gigabytes"
)]
fn whole(amount: f64) -> u64 {
    amount as u64
}
