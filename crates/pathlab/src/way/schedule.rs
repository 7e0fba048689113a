//! Packets on their way, ordered by when they go out.

use std::{
    cmp::{Ordering, Reverse},
    collections::BinaryHeap,
};

/// A packet that goes out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Departure<T> {
    /// When it was to go out.
    pub due_ns: u64,
    /// Its place among the packets that came in, from 0.
    pub number: u64,
    /// What was handed in with it.
    pub token: T,
    /// Whether it is a second copy.
    pub is_copy: bool,
    /// Whether no copy of it will follow, so that whatever `token` stands for is free.
    pub is_last: bool,
    pub(super) flow: usize,
    pub(super) place: u64,
    pub(super) length: u32,
}

#[derive(Debug, Clone, Copy)]
pub(super) struct Entry<T> {
    pub(super) number: u64,
    pub(super) flow: usize,
    /// Its place among the packets of its flow.
    pub(super) place: u64,
    pub(super) length: u32,
    pub(super) token: T,
    pub(super) is_copy: bool,
    pub(super) is_last: bool,
}

#[derive(Debug)]
pub(super) struct Schedule<T> {
    heap: BinaryHeap<Reverse<Due<T>>>,
    pushed: u64,
}

#[derive(Debug)]
struct Due<T> {
    at_ns: u64,
    /// Packets due at once leave in the order they were put in.
    order: u64,
    entry: Entry<T>,
}

impl<T: Copy> Schedule<T> {
    pub(super) fn push(&mut self, due_ns: u64, entry: Entry<T>) {
        self.heap.push(Reverse(Due { at_ns: due_ns, order: self.pushed, entry }));
        self.pushed += 1;
    }

    pub(super) fn take_due(&mut self, now_ns: u64) -> Option<Departure<T>> {
        self.next_due().filter(|due_ns| *due_ns <= now_ns)?;
        let Reverse(Due { at_ns: due_ns, entry, .. }) = self.heap.pop()?;
        Some(Departure {
            due_ns,
            number: entry.number,
            token: entry.token,
            is_copy: entry.is_copy,
            is_last: entry.is_last,
            flow: entry.flow,
            place: entry.place,
            length: entry.length,
        })
    }

    pub(super) fn next_due(&self) -> Option<u64> {
        self.heap.peek().map(|Reverse(due)| due.at_ns)
    }
}

impl<T> Default for Schedule<T> {
    fn default() -> Self {
        Self { heap: BinaryHeap::new(), pushed: 0 }
    }
}

impl<T> Due<T> {
    const fn key(&self) -> (u64, u64) {
        (self.at_ns, self.order)
    }
}

impl<T> PartialEq for Due<T> {
    fn eq(&self, other: &Self) -> bool {
        self.key() == other.key()
    }
}

impl<T> Eq for Due<T> {}

impl<T> PartialOrd for Due<T> {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl<T> Ord for Due<T> {
    fn cmp(&self, other: &Self) -> Ordering {
        self.key().cmp(&other.key())
    }
}
