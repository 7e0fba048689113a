//! Carries the packets of one direction: a thread that reads frames, asks the paths, and sends what is due.

use std::{
    array,
    collections::HashMap,
    io::{self, IoSlice},
    net::IpAddr,
    sync::atomic::{AtomicBool, Ordering},
    time::Duration,
};

use culvert_os::{
    clock::{self, ClockPair},
    cpu,
    packet::{Captured, ETHERNET_HEADER, PacketRing, PacketSender},
    priority,
};
use culvert_units::Mtu;
use hdrhistogram::Histogram;

use super::{
    outcome::{Carried, Faults, Lateness},
    store::Store,
};
use crate::{Departure, OneWay, Verdict, ip};

/// One direction of all paths.
pub(super) struct Carrier {
    ring: PacketRing,
    work: Work,
}

/// One direction of one path, and the addresses that lead into it.
pub(super) struct Lane {
    pub(super) source: IpAddr,
    pub(super) destination: IpAddr,
    pub(super) way: OneWay<u32>,
}

/// The sockets of one direction.
pub(super) struct Sockets {
    /// Where packets come from.
    pub(super) from: PacketRing,
    /// Where they go.
    pub(super) onward: PacketSender,
    /// Where answers to them go.
    pub(super) back: PacketSender,
}

struct Work {
    onward: PacketSender,
    back: PacketSender,
    lanes: Vec<Lane>,
    /// The place of each lane by its addresses.
    places: HashMap<(IpAddr, IpAddr), usize>,
    store: Store,
    arrivals: Arrivals,
    /// What is sent now, and the place of its lane.
    due: Vec<(usize, Departure<u32>)>,
    lateness_ns: Histogram<u64>,
    faults: Faults,
    not_ours: u64,
    answers: u64,
}

impl Carrier {
    /// `began_ns` is time 0 of the paths on the monotonic clock.
    pub(super) fn new(sockets: Sockets, lanes: Vec<Lane>, began_ns: u64) -> io::Result<Self> {
        let addresses = |lane: &Lane| (lane.source, lane.destination);
        let places = lanes.iter().map(addresses).zip(0..).collect();
        let lateness_ns = Histogram::new_with_bounds(1, LATEST_NS, 3).map_err(io::Error::other)?;
        Ok(Self {
            ring: sockets.from,
            work: Work {
                onward: sockets.onward,
                back: sockets.back,
                lanes,
                places,
                store: Store::default(),
                arrivals: Arrivals::new(began_ns),
                due: Vec::with_capacity(PacketSender::MOST),
                lateness_ns,
                faults: Faults::default(),
                not_ours: 0,
                answers: 0,
            },
        })
    }

    /// Carries packets until `stop` is set and nothing is under way any more, or has been for too long.
    pub(super) fn run(mut self, stop: &AtomicBool) -> io::Result<(Vec<Lane>, Carried)> {
        clock::set_timer_slack(Duration::from_nanos(1))?;
        // Where this is refused, packets are late when there is much else to do, and the lateness tells so.
        let _ = priority::go_first();
        let mut give_up_ns = None;
        loop {
            let work = &mut self.work;
            let now_ns = work.arrivals.now();
            let taken = self.ring.receive(BATCH, |captured| work.take(&captured, now_ns));
            // What waits unread came in later than what was read, and may yet be due before what follows that.
            let until_ns = if taken < BATCH { now_ns } else { work.arrivals.last_ns.min(now_ns) };
            let sent = work.send_due(until_ns);
            if stop.load(Ordering::Relaxed) {
                let give_up_ns = *give_up_ns.get_or_insert(now_ns + LAST_PACKETS_NS);
                if work.next_due().is_none() || now_ns >= give_up_ns {
                    break;
                }
            }
            if taken > 0 || sent > 0 {
                // A thread that goes first and wakes for every packet would leave no processor for the hosts.
                if taken < BATCH && sent < PacketSender::MOST {
                    clock::sleep_until(work.arrivals.began_ns + now_ns + GATHERING_NS)?;
                }
            } else {
                let most_ns = now_ns + LONGEST_WAIT_NS;
                let until_ns = work.next_due().map_or(most_ns, |due_ns| due_ns.min(most_ns));
                self.ring.wait(work.arrivals.began_ns + until_ns)?;
            }
        }
        self.work.faults.ring_full = self.ring.dropped()?;
        let carried = Carried {
            faults: self.work.faults,
            not_ours: self.work.not_ours,
            answers: self.work.answers,
            lateness_us: Lateness::of(&self.work.lateness_ns),
            processor_s: cpu::thread_time().ok().map(|time| time.total().as_secs_f64()),
        };
        Ok((self.work.lanes, carried))
    }
}

/// Frames read before what is due is sent.
const BATCH: usize = 32;
/// How long packets may gather while there is traffic.
const GATHERING_NS: u64 = 80_000;
const LONGEST_WAIT_NS: u64 = 50_000_000;
/// Whatever is later counts as this late.
const LATEST_NS: u64 = 100_000_000_000;
const LAST_PACKETS_NS: u64 = 1_000_000_000;

impl Work {
    fn take(&mut self, captured: &Captured<'_>, now_ns: u64) {
        if captured.truncated {
            self.faults.cut += 1;
            return;
        }
        let Some((ethernet, packet)) = captured.frame.split_at_checked(ETHERNET_HEADER) else {
            return;
        };
        let at_ns = self.arrivals.at(captured.received_at_realtime_ns, now_ns);
        self.offer(ethernet, packet, at_ns);
    }

    fn offer(&mut self, ethernet: &[u8], bytes: &[u8], at_ns: u64) {
        let headers = is_ip(ethernet).then(|| ip::read(bytes)).flatten();
        let lane = headers.and_then(|headers| {
            let place = self.places.get(&(headers.source, headers.destination))?;
            Some((self.lanes.get_mut(*place)?, headers))
        });
        let Some((lane, headers)) = lane else {
            self.not_ours += 1;
            return;
        };
        let Some(number) = self.store.keep([ethernet, bytes]) else {
            self.faults.store_full += 1;
            return;
        };
        let verdict = lane.way.offer(at_ns, headers.packet, number);
        if matches!(verdict, Verdict::Kept { .. }) {
            return;
        }
        self.store.release(number);
        match verdict {
            Verdict::Split { mtu } => {
                for piece in ip::split(bytes, &headers, mtu) {
                    self.offer(ethernet, &piece, at_ns);
                }
            }
            Verdict::Dropped { answer: Some(mtu), .. } => {
                self.answer(ethernet, bytes, &headers, mtu);
            }
            Verdict::Dropped { answer: None, .. } | Verdict::Kept { .. } => {}
        }
    }

    fn answer(&mut self, ethernet: &[u8], bytes: &[u8], headers: &ip::Headers, mtu: Mtu) {
        let Some(answer) = ip::too_long(bytes, headers, mtu) else { return };
        // Both hosts have the same hardware address, so the header does for the way back too.
        let frame = [ethernet, &answer].concat();
        if self.back.send(&[IoSlice::new(&frame)]).sent == 1 {
            self.answers += 1;
        }
    }

    /// Sends what is due until then, at most as much as one call takes, and returns how much that was.
    fn send_due(&mut self, until_ns: u64) -> usize {
        self.due.clear();
        while self.due.len() < PacketSender::MOST
            && let Some((place, lane)) =
                self.lanes.iter_mut().enumerate().min_by_key(|(_, lane)| next_due(lane))
            && let Some(departure) = lane.way.take_due(until_ns)
        {
            self.due.push((place, departure));
        }
        let mut rest = self.due.as_slice();
        while !rest.is_empty() {
            let frames: [IoSlice<'_>; PacketSender::MOST] = array::from_fn(|at| {
                IoSlice::new(
                    rest.get(at).map_or(&[], |(_, departure)| self.store.frame(departure.token)),
                )
            });
            let outcome = self.onward.send(frames.get(..rest.len()).unwrap_or(&frames));
            let refused = usize::from(outcome.stopped.is_some());
            self.faults.not_sent += refused as u64;
            rest = rest.get((outcome.sent + refused).max(1)..).unwrap_or_default();
        }
        let after_ns = self.arrivals.now();
        for (place, departure) in &self.due {
            if let Some(lane) = self.lanes.get_mut(*place) {
                lane.way.went_out(departure, after_ns);
            }
            self.lateness_ns.saturating_record(after_ns - departure.due_ns.min(after_ns));
            if departure.is_last {
                self.store.release(departure.token);
            }
        }
        self.due.len()
    }

    fn next_due(&self) -> Option<u64> {
        self.lanes.iter().filter_map(|lane| lane.way.next_due()).min()
    }
}

fn next_due(lane: &Lane) -> u64 {
    lane.way.next_due().unwrap_or(u64::MAX)
}

/// By the `EtherType` at the end of the header (RFC 894, RFC 2464).
fn is_ip(ethernet: &[u8]) -> bool {
    ethernet.ends_with(&[0x08, 0x00]) || ethernet.ends_with(&[0x86, 0xdd])
}

/// When packets came in, by the kernel's own stamps, so that a late thread does not make packets late twice.
struct Arrivals {
    began_ns: u64,
    clocks: ClockPair,
    sampled_ns: u64,
    /// When the packet that was read last came in.
    last_ns: u64,
}

impl Arrivals {
    fn new(began_ns: u64) -> Self {
        Self { began_ns, clocks: ClockPair::sample(), sampled_ns: 0, last_ns: 0 }
    }

    /// Nanoseconds since the paths began.
    fn now(&self) -> u64 {
        clock::monotonic_ns().saturating_sub(self.began_ns)
    }

    /// When a packet with this stamp, which was read after `now_ns`, came in.
    fn at(&mut self, received_at_realtime_ns: i64, now_ns: u64) -> u64 {
        if now_ns > self.sampled_ns + RESAMPLE_NS {
            (self.clocks, self.sampled_ns) = (ClockPair::sample(), now_ns);
        }
        let monotonic_ns = self.clocks.to_monotonic_ns(received_at_realtime_ns);
        let at_ns = monotonic_ns.map_or(now_ns, |at| at.saturating_sub(self.began_ns));
        // A realtime clock that was set meanwhile would tell nonsense.
        self.last_ns = at_ns.clamp(now_ns.saturating_sub(OLDEST_NS), now_ns + NEWEST_NS);
        self.last_ns
    }
}

const RESAMPLE_NS: u64 = 10_000_000;
const OLDEST_NS: u64 = 1_000_000_000;
/// A packet may come in while a batch is being read.
const NEWEST_NS: u64 = 1_000_000;
