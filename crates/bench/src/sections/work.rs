//! What each datagram costs its receiver, beside the bare tag of its header.

use std::hash::Hasher as _;
use std::hint::black_box;
use std::time::Instant;

use culvert_stats::{DelayVariation, InterarrivalJitter, SequenceLedger};
use culvert_wire::Secret;
use culvert_wire::datagram::{DatagramHeader, DatagramKey, DatagramKind, HEADER_LEN};
use siphasher::sip::SipHasher24;

use crate::options::Options;
use crate::ratio::{Bar, Comparison, Trio};
use crate::table::Row;

/// Datagrams of one pass, whose headers stay in the first cache as those of a batch just received do.
const DATAGRAMS: u64 = 64;
/// Passes that one timing takes.
const PASSES: u64 = 4_000;
/// What a tag covers, bytes.
const TAGGED: usize = 24;
const KEY: [u8; 16] = [7; 16];
/// Datagrams that a long run plans: none of the measured ones lies beyond.
const PLANNED: u64 = u64::MAX;

pub(super) fn run(options: &Options) -> Vec<Row> {
    let key = DatagramKey::new(Secret::new(KEY));
    let datagrams = headers(&key);
    let mut accounting = Accounting::new();
    let mut timings: Vec<[f64; 6]> = Vec::new();
    // The first one warms up.
    for _ in 0..=options.pairs {
        timings.push([
            timed(&datagrams, |datagram, _| bare(datagram)),
            timed(&datagrams, |datagram, number| accounting.receive(datagram, &key, number)),
            timed(&datagrams, |datagram, _| bare(datagram)),
            timed(&datagrams, |datagram, _| parsed(datagram, &key)),
            timed(&datagrams, |_, number| accounting.account(number, number * 10_000)),
            emitting(&key),
        ]);
    }
    let timings = timings.get(1..).unwrap_or_default();
    let trios: Vec<Trio> = timings
        .iter()
        .map(|&[reference, candidate, again, ..]| Trio { candidate, reference, again })
        .collect();
    let column = |what: &str, index: usize| {
        let values: Vec<f64> = timings.iter().filter_map(|row| row.get(index).copied()).collect();
        Row::plain(format!("work: {what}"), "ns", &values)
    };
    vec![
        Row::ratio(
            "work: parse + tag + account + histogram / bare SipHash",
            Comparison::of(&trios),
        )
        .bar(Bar::AtMost(2.5)),
        column("bare SipHash of the header", 0),
        column("all of a receiver's work on a datagram", 1),
        column("parse and check the tag", 3),
        column("account and histogram", 4),
        column("write header and tag", 5),
    ]
}

/// Nanoseconds for each datagram.
fn timed(
    datagrams: &[[u8; HEADER_LEN]],
    mut work: impl FnMut(&[u8; HEADER_LEN], u64) -> u64,
) -> f64 {
    let began = Instant::now();
    let mut number = 0;
    for _ in 0..PASSES {
        for datagram in datagrams {
            black_box(work(black_box(datagram), number));
            number += 1;
        }
    }
    began.elapsed().as_nanos() as f64 / number as f64
}

fn bare(datagram: &[u8; HEADER_LEN]) -> u64 {
    let (tagged, _) = datagram.split_at(TAGGED);
    let mut hasher = SipHasher24::new_with_key(&KEY);
    hasher.write(tagged);
    hasher.finish()
}

fn parsed(datagram: &[u8; HEADER_LEN], key: &DatagramKey) -> u64 {
    DatagramHeader::parse(datagram, key).map_or(0, |header| header.sequence)
}

/// What the receiver of a paced stream keeps of each datagram.
struct Accounting {
    ledger: SequenceLedger,
    jitter: InterarrivalJitter,
    variation: DelayVariation,
    number: u64,
}

impl Accounting {
    fn new() -> Self {
        Self {
            ledger: SequenceLedger::with_range(PLANNED, Some(0..PLANNED)),
            jitter: InterarrivalJitter::default(),
            variation: DelayVariation::new(),
            number: 0,
        }
    }

    /// Parses, checks and accounts. The number of the datagram is one further with each call, whatever its header says:
    /// sixty-four headers stand for a long stream.
    fn receive(&mut self, datagram: &[u8; HEADER_LEN], key: &DatagramKey, _: u64) -> u64 {
        let Ok(header) = DatagramHeader::parse(datagram, key) else { return 0 };
        self.account(header.sequence, header.sent_ns)
    }

    fn account(&mut self, sequence: u64, sent_ns: u64) -> u64 {
        self.number += 1;
        // Some microseconds on the way, never twice the same.
        let delay = 20_000 + (self.number.wrapping_mul(0x9e37_79b9) & 0x1fff);
        black_box(self.ledger.accept(self.number));
        let (sent, received) = (sent_ns.cast_signed(), (sent_ns + delay).cast_signed());
        self.jitter.accept(sent, received);
        self.variation.accept(self.number, received - sent);
        sequence
    }
}

fn headers(key: &DatagramKey) -> Vec<[u8; HEADER_LEN]> {
    (0..DATAGRAMS).map(|sequence| emitted(sequence, key)).collect()
}

fn emitted(sequence: u64, key: &DatagramKey) -> [u8; HEADER_LEN] {
    let mut datagram = [0; HEADER_LEN];
    let header = DatagramHeader {
        kind: DatagramKind::Data,
        stream: 0,
        length: 32,
        session: 9,
        sequence,
        sent_ns: sequence * 10_000,
    };
    // A header fits the length that it says.
    let _ = header.emit(key, &mut datagram);
    datagram
}

fn emitting(key: &DatagramKey) -> f64 {
    let began = Instant::now();
    for number in 0..DATAGRAMS * PASSES {
        black_box(emitted(black_box(number), key));
    }
    began.elapsed().as_nanos() as f64 / (DATAGRAMS * PASSES) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_measured_work_is_done() {
        let key = DatagramKey::new(Secret::new(KEY));
        let datagrams = headers(&key);
        for (number, datagram) in (0..).zip(&datagrams) {
            assert_eq!(parsed(datagram, &key), number);
            // The tag stands in the last eight bytes: parse would refuse any other.
            assert_eq!(bare(datagram).to_be_bytes(), datagram[TAGGED..]);
        }
        let mut accounting = Accounting::new();
        for (number, datagram) in (0..).zip(&datagrams) {
            accounting.receive(datagram, &key, number);
        }
        assert_eq!(accounting.ledger.received(), DATAGRAMS);
        assert_eq!(accounting.variation.pdv().map(|pdv| pdv.n), Some(DATAGRAMS));
    }
}
