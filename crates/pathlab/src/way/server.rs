//! A server with a queue: one packet after the other, each for as long as its work takes.

use std::collections::VecDeque;

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

/// How long something takes: `nanoseconds / of`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Work {
    nanoseconds: u128,
    of: u128,
}

impl Server {
    /// Takes in a packet and says when it is done with, rounded down to nanoseconds; `None` when too much waits.
    pub(super) fn serve(
        &mut self,
        arrives_ns: u64,
        length: u32,
        work: Work,
        queue: QueueLimit,
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
        self.work(work);
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

    fn work(&mut self, work: Work) {
        if self.left_over_of != work.of {
            (self.left_over, self.left_over_of) = (0, work.of);
        }
        let taken = work.nanoseconds + self.left_over;
        let whole = u64::try_from(taken / work.of).unwrap_or(u64::MAX);
        self.free_at_ns = self.free_at_ns.saturating_add(whole);
        self.left_over = taken % work.of;
    }
}

impl Work {
    /// Sending so many bytes at this rate; at rate 0 as slow as one bit a second.
    pub(super) fn of_link(rate: BitRate, bytes: u32) -> Self {
        Self { nanoseconds: bits(bytes) * SECOND, of: u128::from(rate.bits_per_second().max(1)) }
    }

    /// Handling a packet of so many bytes.
    pub(super) fn of_gateway(gateway: &Gateway, bytes: u32) -> Self {
        let packets = gateway.packets_per_second.map(|rate| u128::from(rate.get()));
        let rate = gateway.bits_per_second.map(|rate| u128::from(rate.get()));
        match (packets, rate) {
            (None, None) => Self { nanoseconds: 0, of: 1 },
            (Some(packets), None) => Self { nanoseconds: SECOND, of: packets },
            (None, Some(rate)) => Self { nanoseconds: bits(bytes) * SECOND, of: rate },
            (Some(packets), Some(rate)) => {
                Self { nanoseconds: (rate + bits(bytes) * packets) * SECOND, of: packets * rate }
            }
        }
    }
}

fn bits(bytes: u32) -> u128 {
    u128::from(bytes) * 8
}

const SECOND: u128 = 1_000_000_000;
