//! What a datagram costs beside the system calls: header and tag written, and read, checked, counted and timed; each
//! beside the bare SipHash of the header. Prints one JSON object: medians of nanoseconds a datagram, and their ratios.

use std::hint::black_box;
use std::io::Write as _;
use std::time::Instant;

use culvert_engine::paced_receive::{DatagramAccount, Taken};
use culvert_engine::signals::FlowIdentity;
use culvert_os::clock::{monotonic_ns, realtime_ns};
use culvert_os::udp::Received;
use culvert_session::grant::Session;
use culvert_wire::Secret;
use culvert_wire::datagram::{DatagramHeader, DatagramKey, DatagramKind};
use culvert_wire::message::{Handover, Limits, Load, SessionRequest, Way};
use siphasher::sip::SipHasher24;

const KEY: [u8; 16] = [7; 16];
const PAYLOAD: usize = 1_400;
/// Datagrams a round: their headers stay in the nearest caches, as those of a batch do.
const ROUND: usize = 256;
const ROUNDS: usize = 2_000;

fn main() -> std::io::Result<()> {
    let hasher = SipHasher24::new_with_key(&KEY);
    let mut datagrams = vec![[0x5a_u8; PAYLOAD]; ROUND];
    // Every datagram is timed at a pace that has no bursts; of a burst only the first one is.
    let mut alone = Account::new(10_000_000);
    let mut bursts = Account::new(10_000_000_000);
    let [mut bare, mut written, mut read_alone, mut read_bursts] = [const { Vec::new() }; 4];
    for _ in 0..ROUNDS {
        written.push(cost(|| alone.write(&mut datagrams)));
        bare.push(cost(|| {
            for datagram in &datagrams {
                black_box(hasher.hash(black_box(datagram.get(..24).unwrap_or_default())));
            }
        }));
        read_alone.push(cost(|| alone.read(&datagrams)));
        bursts.write(&mut datagrams);
        read_bursts.push(cost(|| bursts.read(&datagrams)));
    }
    let bare = median(bare);
    let figures = [
        ("siphash_ns", bare),
        ("write_ns", median(written)),
        ("receive_ns", median(read_alone)),
        ("receive_in_bursts_ns", median(read_bursts)),
    ];
    let nanoseconds = figures.map(|(name, value)| format!("\"{name}\":{value:.2}"));
    let ratios = figures.iter().skip(1).map(|(name, value)| {
        format!("\"{}_ratio\":{:.3}", name.trim_end_matches("_ns"), value / bare)
    });
    let all: Vec<_> = nanoseconds.into_iter().chain(ratios).collect();
    writeln!(std::io::stdout(), "{{{}}}", all.join(","))
}

fn cost(work: impl FnOnce()) -> f64 {
    let began = Instant::now();
    work();
    began.elapsed().as_nanos() as f64 / ROUND as f64
}

fn median(mut costs: Vec<f64>) -> f64 {
    costs.sort_by(f64::total_cmp);
    costs.get(costs.len() / 2).copied().unwrap_or(f64::NAN)
}

struct Account {
    account: DatagramAccount,
    flow: FlowIdentity,
    next: u64,
}

impl Account {
    fn new(pace_bps: u64) -> Self {
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
            for_ms: 100_000_000,
            settle_ms: 1_000,
            step_ms: 100,
            buffer_bytes: None,
            at_most_bytes_each_way: None,
        };
        let limits = Limits { duration_ms: u64::MAX, rate_bps: None, bytes: None, flows: 1 };
        let session = Session::check(request, &limits).expect("nothing is limited");
        let key = || DatagramKey::new(Secret::new(KEY));
        let flow = FlowIdentity { session: 1, stream: 0, send_key: key(), receive_key: key() };
        Self { account: DatagramAccount::new(&session, payload_bytes), flow, next: 0 }
    }

    fn write(&mut self, datagrams: &mut [[u8; PAYLOAD]]) {
        let sent_ns = monotonic_ns();
        for (sequence, datagram) in (self.next..).zip(datagrams) {
            let header = DatagramHeader {
                kind: DatagramKind::Data,
                stream: self.flow.stream,
                length: u16::try_from(PAYLOAD).unwrap_or(u16::MAX),
                session: self.flow.session,
                sequence,
                sent_ns,
            };
            let _ = header.emit(&self.flow.send_key, datagram);
        }
    }

    fn read(&mut self, datagrams: &[[u8; PAYLOAD]]) {
        self.account.at(monotonic_ns());
        let mut received_at = realtime_ns();
        for payload in datagrams {
            received_at += 12_345;
            let datagram = Received {
                payload: black_box(payload),
                received_at_realtime_ns: Some(received_at),
                truncated: false,
                follows: false,
                drops_before: 0,
            };
            assert_eq!(self.account.take(&self.flow, &datagram), Taken::New, "all are new");
        }
        self.next += datagrams.len() as u64;
    }
}
