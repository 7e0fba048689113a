//! A session without data: round trips, then which sizes of packet pass each way.
//!
//! near drives two searches at the same time ([`sound`]), one a way: toward far it sends sized datagrams and hears that
//! they arrived, toward near it asks for them. far answers ([`answer`]): small answers to whatever is authentic, sized
//! datagrams only while the peer's address is freshly proven and within the session's budget.

mod far;

use std::time::Duration;

use culvert_os::clock::{ClockPair, monotonic_ns};
use culvert_os::udp::{FlowSocket, ReceiveBatch, SendStop};
use culvert_session::path_mtu::{Family, PathMtuAsk, PathMtuOutcome, PathMtuSearch, Probe};
use culvert_stats::{ClockEstimate, DelayHistogram, ExchangeTimes, Percentiles};
use culvert_wire::datagram::{DatagramHeader, DatagramKind, HEADER_LEN, MAX_PAYLOAD, SignalBody};
use rand::Rng as _;

use crate::probe::Arrival;
use crate::signals::{FlowIdentity, Proofing, send_past_old_errors};

pub use far::answer;

use crate::timeline::{LOOK_UP_EVERY, Switch, nanos};

/// Time between two probes of the round trip.
const PROBE_EVERY: Duration = Duration::from_millis(20);
/// How long replies to the last of them are waited for.
const LAST_REPLY_PATIENCE: Duration = Duration::from_secs(1);
/// Datagrams taken at once: nothing here comes in numbers.
const AT_ONCE: usize = 4;

/// What is to be found out.
#[derive(Debug)]
pub struct Sounding {
    /// The family of the flow's addresses.
    pub family: Family,
    /// How long round trips are measured before sizes are tried.
    pub baseline: Duration,
    /// The search toward far.
    pub toward_far: PathMtuAsk,
    /// The search toward near.
    pub toward_near: PathMtuAsk,
}

/// What was found out.
#[derive(Debug, Clone)]
pub struct Sounded {
    /// Probes of the round trip that were sent.
    pub probes: u64,
    /// Round trips, microseconds; `None` when no probe was answered.
    pub round_trips: Option<Percentiles>,
    /// What the shortest round trip says of the two monotonic clocks, nanoseconds.
    pub clock: Option<ClockEstimate>,
    /// Toward far.
    pub toward_far: PathMtuOutcome,
    /// Toward near.
    pub toward_near: PathMtuOutcome,
}

/// near's part. Ends when both searches have, by their own bounds, or soon after the switch says stop: what was not
/// finished then is marked so by its verdict.
pub fn sound(
    flow: &FlowIdentity,
    socket: &FlowSocket,
    sounding: &Sounding,
    switch: &Switch,
) -> Sounded {
    let mut sounder = Sounder::new(flow, socket, sounding, switch);
    sounder.measure_round_trips();
    sounder.search();
    let now = monotonic_ns();
    let probes = sounder.probes;
    let [toward_far, toward_near] =
        [sounder.toward_far, sounder.toward_near].map(|way| way.ended(now));
    Sounded {
        probes,
        round_trips: sounder.round_trips.percentiles(),
        clock: sounder.clock,
        toward_far,
        toward_near,
    }
}

/// The search of one way, and what its probes were.
struct Way {
    ask: PathMtuAsk,
    search: PathMtuSearch,
    /// UDP payload of each probe, bytes, by its id.
    payloads: Vec<u16>,
    /// Header of each sized datagram sent from here, by its id: what a router must quote to be believed.
    headers: Vec<[u8; HEADER_LEN]>,
}

impl Way {
    fn new(ask: &PathMtuAsk, now_ns: u64) -> Self {
        let search = PathMtuSearch::new(ask.clone(), now_ns);
        Self { ask: ask.clone(), search, payloads: Vec::new(), headers: Vec::new() }
    }

    /// Begins anew, with the patience that the path's round trips call for.
    fn begin(&mut self, patience_ns: u64, now_ns: u64) {
        self.search = PathMtuSearch::new(self.ask.clone().wait_for(patience_ns), now_ns);
    }

    /// The peer says that a probe of this number arrived, as long as it was.
    fn arrived(&mut self, sequence: u64, payload: Option<u16>, now_ns: u64) {
        let Some(id) = id_of(sequence) else { return };
        let sent = usize::try_from(id).ok().and_then(|id| self.payloads.get(id));
        if sent.is_some_and(|sent| payload.is_none_or(|payload| payload == *sent)) {
            self.search.on_acknowledged(id, now_ns);
        }
    }

    fn ended(mut self, now_ns: u64) -> PathMtuOutcome {
        self.search.stop(now_ns);
        // A search that was stopped has an outcome.
        *self.search.outcome().unwrap_or_else(|| unreachable!("a stopped search has ended"))
    }
}

fn id_of(sequence: u64) -> Option<u32> {
    u32::try_from(sequence).ok()
}

struct Sounder<'a> {
    flow: &'a FlowIdentity,
    socket: &'a FlowSocket,
    sounding: &'a Sounding,
    switch: &'a Switch,
    batch: ReceiveBatch,
    padding: Vec<u8>,
    probes: u64,
    sent_ns: Vec<Option<u64>>,
    round_trips: DelayHistogram,
    longest_us: u64,
    clock: Option<ClockEstimate>,
    toward_far: Way,
    toward_near: Way,
}

impl<'a> Sounder<'a> {
    fn new(
        flow: &'a FlowIdentity,
        socket: &'a FlowSocket,
        sounding: &'a Sounding,
        switch: &'a Switch,
    ) -> Self {
        let now = monotonic_ns();
        Self {
            flow,
            socket,
            sounding,
            switch,
            batch: ReceiveBatch::new(AT_ONCE, MAX_PAYLOAD),
            padding: incompressible(),
            probes: 0,
            sent_ns: Vec::new(),
            round_trips: DelayHistogram::new(),
            longest_us: 0,
            clock: None,
            toward_far: Way::new(&sounding.toward_far, now),
            toward_near: Way::new(&sounding.toward_near, now),
        }
    }

    fn measure_round_trips(&mut self) {
        let mut next = monotonic_ns();
        let end = next.saturating_add(nanos(self.sounding.baseline));
        while next < end && !self.switch.is_stopped() {
            self.sent_ns.push(Some(monotonic_ns()));
            self.flow.send(self.socket, self.probes, SignalBody::Probe);
            self.probes += 1;
            next = (next + nanos(PROBE_EVERY)).max(monotonic_ns());
            while monotonic_ns() < next && !self.switch.is_stopped() {
                self.listen(next);
            }
        }
        let give_up = monotonic_ns() + nanos(LAST_REPLY_PATIENCE);
        let waits = |this: &Self| this.sent_ns.iter().any(Option::is_some);
        while waits(self) && monotonic_ns() < give_up && !self.switch.is_stopped() {
            self.listen(give_up);
        }
    }

    fn search(&mut self) {
        // Three round trips: one that is late is not lost (RFC 8899 5.1.1 has it longer still).
        let patience = self.longest_us.saturating_mul(3_000);
        let now = monotonic_ns();
        self.toward_far.begin(patience, now);
        self.toward_near.begin(patience, now);
        while !self.switch.is_stopped() {
            let now = monotonic_ns();
            for way in [&mut self.toward_far, &mut self.toward_near] {
                way.search.handle_timeout(now);
            }
            if let Some(probe) = self.toward_far.search.poll_probe(now) {
                self.send_sized(probe);
            }
            if let Some(probe) = self.toward_near.search.poll_probe(now) {
                self.ask_for_sized(probe);
            }
            let ways = [&self.toward_far, &self.toward_near];
            if ways.iter().all(|way| way.search.outcome().is_some()) {
                return;
            }
            let due = ways.iter().filter_map(|way| way.search.poll_timeout()).min();
            self.listen(due.unwrap_or(u64::MAX));
            self.hear_routers();
        }
    }

    fn send_sized(&mut self, probe: Probe) {
        let payload = probe.udp_payload(self.sounding.family).unwrap_or_default();
        let sent = send_sized(self.flow, self.socket, probe.id.into(), payload, &mut self.padding);
        let (header, outcome) = sent.unwrap_or(([0; HEADER_LEN], Ok(())));
        self.toward_far.payloads.push(payload);
        self.toward_far.headers.push(header);
        if matches!(outcome, Err(SendStop::TooLong)) {
            self.toward_far.search.on_refused_here(probe.id, monotonic_ns());
        }
    }

    fn ask_for_sized(&mut self, probe: Probe) {
        let payload = probe.udp_payload(self.sounding.family).unwrap_or_default();
        self.toward_near.payloads.push(payload);
        let body = SignalBody::WantSized { bytes: payload.into() };
        self.flow.send(self.socket, probe.id.into(), body);
    }

    fn hear_routers(&mut self) {
        for said in self.socket.take_too_big() {
            let headers = self.toward_far.headers.iter().enumerate();
            let quoted = headers.rev().find(|(_, header)| quotes(&said.quoted, header));
            let id = quoted.and_then(|(id, _)| u32::try_from(id).ok());
            if let (Some(id), Ok(mtu)) = (id, u16::try_from(said.mtu)) {
                self.toward_far.search.on_too_big(id, mtu, monotonic_ns());
            }
        }
    }

    /// Takes in what comes before `deadline_ns`, or returns after a while.
    fn listen(&mut self, deadline_ns: u64) {
        let look_up = monotonic_ns() + nanos(LOOK_UP_EVERY);
        match self.socket.wait_readable(deadline_ns.min(look_up)) {
            Ok(true) => self.take_in(),
            Ok(false) => {}
            // An ICMP error comes at once: without a rest the thread would spin on a path that refuses.
            Err(_) => std::thread::sleep(Duration::from_millis(1)),
        }
    }

    fn take_in(&mut self) {
        if !self.socket.receive_batch(&mut self.batch).is_ok_and(|count| count > 0) {
            return;
        }
        let (clock, now) = (ClockPair::sample(), monotonic_ns());
        for datagram in self.batch.datagrams() {
            let Some((header, signal)) = self.flow.read(datagram.payload) else { continue };
            self.switch.saw_peer(now);
            let sequence = header.sequence;
            match signal.map(|signal| (signal, signal.body)) {
                None if header.kind == DatagramKind::Sized => {
                    self.toward_near.arrived(sequence, Some(header.length), now);
                }
                Some((_, SignalBody::SizedSeen)) => self.toward_far.arrived(sequence, None, now),
                Some((_, SignalBody::SizedTooBig { router_takes })) => {
                    too_big_there(&mut self.toward_near, sequence, router_takes, now);
                }
                Some((signal, SignalBody::ProbeReply { sequence, received_ns, .. })) => {
                    let asked = usize::try_from(sequence).ok();
                    let slot = asked.and_then(|asked| self.sent_ns.get_mut(asked));
                    let Some(sent_ns) = slot.and_then(Option::take) else { continue };
                    let arrived = Arrival::of(&datagram, &clock, now).after_ns(sent_ns);
                    let [near_sent, far_received, far_sent, near_received] =
                        [sent_ns, received_ns, signal.sent_ns, arrived]
                            .map(|at| i64::try_from(at).unwrap_or(i64::MAX));
                    let times = ExchangeTimes { near_sent, far_received, far_sent, near_received };
                    let estimate = times.estimate();
                    let micros = estimate.round_trip / 1_000;
                    self.round_trips.record(micros);
                    self.longest_us = self.longest_us.max(micros);
                    let better =
                        self.clock.is_none_or(|known| estimate.error_bound < known.error_bound);
                    if better && !estimate.negative_round_trip {
                        self.clock = Some(estimate);
                    }
                }
                Some((signal, _)) => Proofing::Answer.on_signal(self.flow, self.socket, &signal),
                None => {}
            }
        }
    }
}

/// far, or a router behind it, says that a datagram that was asked for is too big.
fn too_big_there(way: &mut Way, sequence: u64, router_takes: u64, now_ns: u64) {
    match (id_of(sequence), u16::try_from(router_takes)) {
        (Some(id), Ok(0)) => way.search.on_refused_here(id, now_ns),
        (Some(id), Ok(mtu)) => way.search.on_too_big(id, mtu, now_ns),
        _ => {}
    }
}

/// Whether a router quotes this datagram. A tag makes the header a proof; a router that quotes less than the header
/// (RFC 792 asks for the UDP header alone) leaves the addresses and ports, which the kernel has compared.
fn quotes(quoted: &[u8], header: &[u8; HEADER_LEN]) -> bool {
    let known = quoted.len().min(HEADER_LEN);
    quoted.get(..known) == header.get(..known)
}

/// Sends a datagram of so many bytes of UDP payload, tagged whole; gives its header and what the system said. `None`
/// when there is no such datagram.
fn send_sized(
    flow: &FlowIdentity,
    socket: &FlowSocket,
    sequence: u64,
    payload: u16,
    padding: &mut [u8],
) -> Option<([u8; HEADER_LEN], Result<(), SendStop>)> {
    let datagram = padding.get_mut(..usize::from(payload))?;
    let header = DatagramHeader {
        kind: DatagramKind::Sized,
        stream: flow.stream,
        length: payload,
        session: flow.session,
        sequence,
        sent_ns: monotonic_ns(),
    };
    header.emit(&flow.send_key, datagram).ok()?;
    let head = *datagram.first_chunk()?;
    Some((head, send_past_old_errors(socket, datagram)))
}

/// Random bytes, for a tunnel that compresses would let a long datagram of zeros pass as a short one.
fn incompressible() -> Vec<u8> {
    let mut padding = vec![0; MAX_PAYLOAD];
    rand::rng().fill_bytes(&mut padding);
    padding
}

#[cfg(test)]
mod tests;
