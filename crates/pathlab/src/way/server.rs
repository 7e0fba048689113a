//! A server with a queue: one packet after the other, each for as long as its work takes.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, PoisonError},
    time::Duration,
};

use culvert_units::BitRate;

use super::nanoseconds;
use crate::{Gateway, QueueLimit};

/// When it is free again, and who waits.
#[derive(Debug, Default)]
pub(super) struct Server {
    free_at_ns: u64,
    /// What the last work took beyond whole nanoseconds, so that no rate drifts: `left_over / left_over_of`.
    left_over: u128,
    left_over_of: u128,
    /// When each packet that waits is begun, and its length.
    waiting: VecDeque<(u64, u32)>,
    waiting_bytes: u64,
}

/// A server of both directions.
///
/// Packets of one direction are offered in the order they came in, but those of the other may be offered somewhat
/// later than they came in. They then get the time that nobody had used, if that is enough for them, so that it does
/// not matter which direction is carried first.
#[derive(Debug, Default)]
pub(super) struct SharedServer {
    server: Server,
    /// Times in which nothing was to do, oldest first: from, to.
    idle: VecDeque<(u64, u64)>,
}

/// Where a direction meets its gateway.
#[derive(Debug, Default)]
pub(super) struct GatewayCore {
    own: Server,
    shared: Option<Arc<Mutex<SharedServer>>>,
    /// When the shared one is done with the last packet of this direction, which no later one overtakes.
    done_ns: u64,
}

/// How long something takes: `nanoseconds / of`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Work {
    nanoseconds: u128,
    of: u128,
}

/// How long something takes at some time, and until when this holds.
#[derive(Debug, Clone, Copy)]
pub(super) struct Span {
    /// No time at all when there is no server then.
    pub(super) work: Work,
    pub(super) ends_ns: u64,
}

impl Server {
    /// Takes in a packet and says when it is done with, rounded down to nanoseconds; `None` when too much waits. `span`
    /// tells the work of this packet at a time.
    pub(super) fn serve(
        &mut self,
        arrives_ns: u64,
        length: u32,
        queue: QueueLimit,
        span: impl Fn(u64) -> Span,
    ) -> Option<u64> {
        self.begin_until(arrives_ns);
        if arrives_ns > self.free_at_ns {
            (self.free_at_ns, self.left_over) = (arrives_ns, 0);
        }
        let begins_ns = self.free_at_ns;
        if begins_ns > arrives_ns {
            let fits = match queue {
                QueueLimit::Bytes(most) => self.waiting_bytes + u64::from(length) <= most.get(),
                QueueLimit::Time(most) => begins_ns - arrives_ns <= nanoseconds(most),
            };
            if !fits {
                return None;
            }
            self.waiting.push_back((begins_ns, length));
            self.waiting_bytes += u64::from(length);
        }
        self.work(span);
        Some(self.free_at_ns)
    }

    fn begin_until(&mut self, now_ns: u64) {
        while let Some(&(begins_ns, length)) = self.waiting.front()
            && begins_ns <= now_ns
        {
            self.waiting_bytes -= u64::from(length);
            self.waiting.pop_front();
        }
    }

    fn work(&mut self, span: impl Fn(u64) -> Span) {
        let Span { work, ends_ns } = span(self.free_at_ns);
        if self.left_over_of != work.of {
            (self.left_over, self.left_over_of) = (0, work.of);
        }
        let taken = work.nanoseconds + self.left_over;
        let whole = u64::try_from(taken / work.of).unwrap_or(u64::MAX);
        let done_ns = self.free_at_ns.saturating_add(whole);
        if done_ns <= ends_ns {
            (self.free_at_ns, self.left_over) = (done_ns, taken % work.of);
        } else {
            (self.free_at_ns, self.left_over) = (across_changes(self.free_at_ns, span), 0);
        }
    }
}

/// When something is done whose speed changes meanwhile: what is left of it at a change is done at the new speed. Exact
/// to a nanosecond a change.
fn across_changes(begins_ns: u64, span: impl Fn(u64) -> Span) -> u64 {
    let (mut at_ns, mut left) = (begins_ns, 1.0);
    loop {
        let Span { work, ends_ns } = span(at_ns);
        let whole_s = work.seconds();
        let takes = Duration::try_from_secs_f64(left * whole_s).map_or(u64::MAX, nanoseconds);
        let done_ns = at_ns.saturating_add(takes);
        if done_ns <= ends_ns {
            return done_ns;
        }
        left = (left - Duration::from_nanos(ends_ns - at_ns).as_secs_f64() / whole_s).max(0.0);
        at_ns = ends_ns;
    }
}

impl SharedServer {
    /// As [`Server::serve`]; nothing begins before `earliest_ns`.
    fn serve(
        &mut self,
        (arrives_ns, earliest_ns): (u64, u64),
        length: u32,
        queue: QueueLimit,
        span: impl Fn(u64) -> Span,
    ) -> Option<u64> {
        let free_at_ns = self.server.free_at_ns;
        if arrives_ns < free_at_ns
            && let Some(done_ns) = self.use_idle(arrives_ns.max(earliest_ns), &span)
        {
            return Some(done_ns);
        }
        let done_ns = self.server.serve(arrives_ns, length, queue, span)?;
        if arrives_ns > free_at_ns {
            self.idle.push_back((free_at_ns, arrives_ns));
            if self.idle.len() > MOST_IDLE {
                self.idle.pop_front();
            }
        }
        Some(done_ns)
    }

    /// Does the work in a time that nobody has used, the first one after `from_ns` that holds it.
    fn use_idle(&mut self, from_ns: u64, span: impl Fn(u64) -> Span) -> Option<u64> {
        let after = self.idle.partition_point(|(_, to_ns)| *to_ns <= from_ns);
        for place in after..self.idle.len() {
            let &(idle_ns, to_ns) = self.idle.get(place)?;
            let begins_ns = idle_ns.max(from_ns);
            let done_ns = across_changes(begins_ns, &span);
            if done_ns > to_ns {
                continue;
            }
            let left = [(idle_ns, begins_ns), (done_ns, to_ns)];
            self.idle.remove(place);
            for one in left.into_iter().rev().filter(|(from, to)| from < to) {
                self.idle.insert(place, one);
            }
            return Some(done_ns);
        }
        None
    }
}

/// Both directions are carried with at most some hundred microseconds between them: so many packets.
const MOST_IDLE: usize = 256;

impl GatewayCore {
    /// One that serves both directions where the conditions say so.
    pub(super) fn shared_by_two() -> (Self, Self) {
        let shared = Arc::default();
        let one = |shared| Self { shared: Some(shared), ..Self::default() };
        (one(Arc::clone(&shared)), one(shared))
    }

    /// As [`Server::serve`].
    pub(super) fn serve(
        &mut self,
        arrives_ns: u64,
        length: u32,
        gateway: &Gateway,
        span: impl Fn(u64) -> Span,
    ) -> Option<u64> {
        let Some(shared) = self.shared.as_ref().filter(|_| gateway.shared) else {
            return self.own.serve(arrives_ns, length, gateway.queue, span);
        };
        // Whoever panicked meanwhile has left nothing half done: every field is a plain number.
        let mut shared = shared.lock().unwrap_or_else(PoisonError::into_inner);
        let times = (arrives_ns, self.done_ns);
        let done_ns = shared.serve(times, length, gateway.queue, span)?;
        self.done_ns = done_ns;
        Some(done_ns)
    }
}

impl Work {
    /// What takes no time.
    pub(super) const NONE: Self = Self { nanoseconds: 0, of: 1 };

    /// Sending so many bytes at this rate; at rate 0 as slow as one bit a second.
    pub(super) fn of_link(rate: BitRate, bytes: u32) -> Self {
        Self { nanoseconds: bits(bytes) * SECOND, of: u128::from(rate.bits_per_second().max(1)) }
    }

    /// Handling a packet of so many bytes.
    pub(super) fn of_gateway(gateway: &Gateway, bytes: u32) -> Self {
        let packets = gateway.packets_per_second.map(|rate| u128::from(rate.get()));
        let rate = gateway.bits_per_second.map(|rate| u128::from(rate.get()));
        match (packets, rate) {
            (None, None) => Self::NONE,
            (Some(packets), None) => Self { nanoseconds: SECOND, of: packets },
            (None, Some(rate)) => Self { nanoseconds: bits(bytes) * SECOND, of: rate },
            (Some(packets), Some(rate)) => {
                Self { nanoseconds: (rate + bits(bytes) * packets) * SECOND, of: packets * rate }
            }
        }
    }

    fn seconds(self) -> f64 {
        self.nanoseconds as f64 / self.of as f64 / 1e9
    }
}

fn bits(bytes: u32) -> u128 {
    u128::from(bytes) * 8
}

const SECOND: u128 = 1_000_000_000;
