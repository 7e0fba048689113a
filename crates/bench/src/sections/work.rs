//! What each datagram costs both ends beside the system calls, by the bare tag of its header.

use std::hint::black_box;
use std::time::Instant;

use culvert_engine::paced_receive::{DatagramAccount, Taken};
use culvert_engine::signals::FlowIdentity;
use culvert_os::clock::{monotonic_ns, realtime_ns};
use culvert_os::udp::Received;
use culvert_session::grant::Session;
use culvert_stats::median;
use culvert_wire::Secret;
use culvert_wire::datagram::{DatagramHeader, DatagramKey, DatagramKind};
use culvert_wire::message::{Handover, Limits, Load, SessionRequest, Way};
use siphasher::sip::SipHasher24;

use crate::error::BenchError;
use crate::options::Options;
use crate::ratio::{Bar, Comparison, Trio};
use crate::table::Row;

/// Datagrams of one pass, whose headers stay in the first cache as those of a batch just received do.
const DATAGRAMS: usize = 64;
/// Passes that one timing takes.
const PASSES: usize = 4_000;
/// What a tag covers, bytes.
const TAGGED: usize = 24;
const PAYLOAD: usize = 64;
const KEY: [u8; 16] = [7; 16];
/// Without bursts, so that every datagram is timed; and with bursts of datagrams, whose first ones alone are.
const ALONE_BPS: u64 = 1_000_000;
const BURSTS_BPS: u64 = 10_000_000_000;

type Datagram = [u8; PAYLOAD];

pub(super) fn run(options: &Options) -> Result<Vec<Row>, BenchError> {
    let mut datagrams = [[0x5a; PAYLOAD]; DATAGRAMS];
    let (mut alone, mut bursts) = (Stream::new(ALONE_BPS)?, Stream::new(BURSTS_BPS)?);
    let mut timings: Vec<[f64; 6]> = Vec::new();
    // The first one warms up.
    for _ in 0..=options.pairs {
        let mut passes = [const { Vec::new() }; 6];
        for _ in 0..PASSES {
            let costs = [
                timed(|| alone.write(&mut datagrams)),
                timed(|| bare(&datagrams)),
                timed(|| alone.receive(&datagrams)),
                timed(|| bare(&datagrams)),
                timed(|| bursts.parse(&datagrams)),
                timed(|| bursts.receive(&datagrams)),
            ];
            for (pass, cost) in passes.iter_mut().zip(costs) {
                pass.push(cost);
            }
        }
        // What interrupts a pass is no cost of it.
        timings.push(passes.map(|pass| median(&pass).unwrap_or(f64::NAN) / DATAGRAMS as f64));
    }
    Ok(rows(timings.get(1..).unwrap_or_default()))
}

fn rows(timings: &[[f64; 6]]) -> Vec<Row> {
    let ratio = |name: &str, candidate: fn(&[f64; 6]) -> f64| {
        let trios: Vec<Trio> = timings
            .iter()
            .map(|row| Trio { candidate: candidate(row), reference: row[1], again: row[3] })
            .collect();
        Row::ratio(format!("work: {name} / bare SipHash"), Comparison::of(&trios))
    };
    let column = |what: &str, value: fn(&[f64; 6]) -> f64| {
        let values: Vec<f64> = timings.iter().map(value).collect();
        Row::plain(format!("work: {what}"), "ns", &values)
    };
    vec![
        ratio("parse + tag + account + histogram", |row| row[2]).bar(Bar::AtMost(2.5)),
        ratio("the same in bursts", |row| row[5]),
        column("bare SipHash of the header", |row| row[1]),
        column("all of a receiver's work on a datagram", |row| row[2]),
        column("the same in bursts, whose first ones alone are timed", |row| row[5]),
        column("parse and check the tag", |row| row[4]),
        column("write header and tag", |row| row[0]),
    ]
}

/// Nanoseconds.
fn timed<T>(work: impl FnOnce() -> T) -> f64 {
    let began = Instant::now();
    black_box(work());
    began.elapsed().as_nanos() as f64
}

fn bare(datagrams: &[Datagram]) {
    let hasher = SipHasher24::new_with_key(&KEY);
    for datagram in datagrams {
        black_box(hasher.hash(black_box(datagram.first_chunk::<TAGGED>().unwrap_or(&[0; TAGGED]))));
    }
}

/// One stream, whose two ends do what the programs' own do.
struct Stream {
    received: DatagramAccount,
    flow: FlowIdentity,
    next: u64,
}

impl Stream {
    fn new(pace_bps: u64) -> Result<Self, BenchError> {
        let payload_bytes = u16::try_from(PAYLOAD).unwrap_or(u16::MAX);
        let request = SessionRequest {
            load: Load::Paced {
                pace_bps,
                payload_bytes,
                unlimited: false,
                burst_ns: None,
                handover: Handover::Auto,
            },
            ways: vec![Way::Far],
            for_ms: 1_000_000_000_000,
            settle_ms: 1_000,
            step_ms: 100,
            buffer_bytes: None,
            at_most_bytes_each_way: None,
        };
        let limits = Limits { duration_ms: u64::MAX, rate_bps: None, bytes: None, flows: 1 };
        let session = Session::check(request, &limits).map_err(|_| BenchError::Answer {
            what: "the session's own check".to_owned(),
            field: "grant".to_owned(),
        })?;
        let key = || DatagramKey::new(Secret::new(KEY));
        let flow = FlowIdentity { session: 1, stream: 0, send_key: key(), receive_key: key() };
        Ok(Self { received: DatagramAccount::new(&session, payload_bytes), flow, next: 0 })
    }

    fn write(&mut self, datagrams: &mut [Datagram]) {
        let sent_ns = monotonic_ns();
        let first = DatagramHeader {
            kind: DatagramKind::Data,
            stream: self.flow.stream,
            length: u16::try_from(PAYLOAD).unwrap_or(u16::MAX),
            session: self.flow.session,
            sequence: self.next,
            sent_ns,
        };
        // A header fits the length that it says.
        let _ = first
            .emit_run(&self.flow.send_key, datagrams.iter_mut().map(<[u8; PAYLOAD]>::as_mut_slice));
    }

    fn parse(&self, datagrams: &[Datagram]) {
        let reader = self.flow.reader();
        for datagram in datagrams {
            black_box(reader.header(black_box(datagram)));
        }
    }

    /// Takes a batch in; each datagram waited another time on its way.
    fn receive(&mut self, datagrams: &[Datagram]) -> usize {
        self.received.at(monotonic_ns());
        let mut received_at = realtime_ns();
        let reader = self.flow.reader();
        let mut new = 0;
        for (sequence, payload) in (self.next..).zip(datagrams) {
            received_at += 12_345 + (sequence.wrapping_mul(0x9e37_79b9) & 0x1fff).cast_signed();
            let datagram = Received {
                payload: black_box(payload),
                received_at_realtime_ns: Some(received_at),
                truncated: false,
                follows: false,
                drops_before: 0,
            };
            new += usize::from(self.received.take(&reader, &datagram) == Taken::New);
        }
        self.next += datagrams.len() as u64;
        new
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_measured_work_is_done() {
        for pace_bps in [ALONE_BPS, BURSTS_BPS] {
            let mut stream = Stream::new(pace_bps).expect("nothing is limited");
            let mut datagrams = [[0x5a; PAYLOAD]; DATAGRAMS];
            stream.write(&mut datagrams);
            let hasher = SipHasher24::new_with_key(&KEY);
            for datagram in &datagrams {
                // The tag stands behind what it covers: parse would refuse any other.
                assert_eq!(hasher.hash(&datagram[..TAGGED]).to_be_bytes(), datagram[TAGGED..32]);
                assert!(stream.flow.reader().header(datagram).is_some());
            }
            assert_eq!(stream.receive(&datagrams), DATAGRAMS);
            // A burst has 1953 of them: so many passes have the heads of several.
            for _ in 1..100 {
                stream.write(&mut datagrams);
                assert_eq!(stream.receive(&datagrams), DATAGRAMS);
            }
            assert_eq!(stream.received.received(), 100 * DATAGRAMS as u64);
            let of_burst_heads = stream.received.delay().expect("timed").of_burst_heads;
            assert_eq!(of_burst_heads, pace_bps == BURSTS_BPS);
        }
    }
}
