//! The probe flow: small datagrams that are answered at once, to measure round trips beside the data.
//!
//! Where UDP does not pass, a TCP flow of its own carries the same probes and replies behind one another. What it loses it
//! sends again, so that a lost probe shows as a late one.

mod carrier;
mod reflect;

use std::collections::HashMap;
use std::net::TcpStream;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use culvert_os::clock::monotonic_ns;
use culvert_os::udp::FlowSocket;
use culvert_stats::{ClockView, DelayHistogram, ExchangeTimes, Percentiles};
use culvert_wire::datagram::{Signal, SignalBody};

use crate::signals::FlowIdentity;
use crate::timeline::{LOOK_UP_EVERY, Switch, nanos};
pub(crate) use carrier::Arrival;
use carrier::{ByTcp, ByUdp, Carrier};
pub(crate) use reflect::answer_probe;
pub use reflect::{reflect, reflect_by_tcp};

/// Time between two probes before data flows.
const BASELINE_EVERY: Duration = Duration::from_millis(20);
/// Least time between two probes while data flows.
const TRANSFER_EVERY: Duration = Duration::from_millis(50);
/// Most time between two probes while data flows: enough of them for a median on the slowest line.
const TRANSFER_EVERY_AT_MOST: Duration = Duration::from_millis(250);
/// What a probe takes of an Ethernet line, in bits: 84 bytes of IPv4 and 38 around them.
const PROBE_BITS: u64 = (84 + 38) * 8;
/// Probes take at most this part of what flows, so that they stay within the noise of its goodput.
const PROBES_ONE_IN: u64 = 2_000;
/// How long after its last probe the prober still waits for replies.
const LAST_REPLY_PATIENCE: Duration = Duration::from_millis(500);
/// So many exchanges are kept for what they say of the clocks.
const MOST_EXCHANGES: usize = 8_192;

/// When the plateau lies, nanoseconds of the monotonic clock, set by the control side once data may flow; until then every probe is of the baseline.
#[derive(Debug)]
pub struct ProbeWindow {
    start: AtomicU64,
    from: AtomicU64,
    to: AtomicU64,
    every: AtomicU64,
}

impl Default for ProbeWindow {
    fn default() -> Self {
        let unset = || AtomicU64::new(u64::MAX);
        let every = AtomicU64::new(nanos(TRANSFER_EVERY));
        Self { start: unset(), from: unset(), to: unset(), every }
    }
}

impl ProbeWindow {
    /// Data flows from `start_ns`; what is reported of it is sent within `from_ns..to_ns`.
    pub fn set(&self, start_ns: u64, from_ns: u64, to_ns: u64) {
        self.from.store(from_ns, Ordering::Relaxed);
        self.to.store(to_ns, Ordering::Relaxed);
        self.start.store(start_ns, Ordering::Release);
    }

    /// Data flows at so many bits per second: on a slow line there are fewer probes.
    pub fn spare(&self, flowing_bps: u64) {
        self.every.store(nanos(transfer_every(flowing_bps)), Ordering::Relaxed);
    }

    fn is_baseline(&self, sent_ns: u64) -> bool {
        sent_ns < self.start.load(Ordering::Acquire)
    }

    fn is_transfer(&self, sent_ns: u64) -> bool {
        (self.from.load(Ordering::Relaxed)..self.to.load(Ordering::Relaxed)).contains(&sent_ns)
    }

    fn is_past(&self, now_ns: u64) -> bool {
        now_ns >= self.to.load(Ordering::Relaxed)
    }
}

/// What carried the probes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ProbedBy {
    /// Datagrams.
    Udp,
    /// A connection of their own.
    Tcp,
}

/// The way to the other end for probes.
#[derive(Debug)]
pub enum ProbePath {
    /// A socket whose address is proven.
    Udp(FlowSocket),
    /// A connection that has said which flow it is.
    Tcp(TcpStream),
}

/// The round trips of a run, microseconds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RoundTrips {
    /// What carried them.
    pub by: ProbedBy,
    /// Probes sent.
    pub sent: u64,
    /// Before data flowed.
    pub baseline: Option<Percentiles>,
    /// While data flowed, over the plateau.
    pub transfer: Option<Percentiles>,
    /// Their mean, microseconds.
    pub transfer_mean_us: Option<f64>,
    /// What all of them say of the two ends' monotonic clocks.
    pub clocks: Option<ClockView>,
}

/// Sends probes and times their replies until the window is past or the run is stopped.
pub fn probe(
    flow: &FlowIdentity,
    path: ProbePath,
    window: &ProbeWindow,
    switch: &Switch,
) -> RoundTrips {
    match path {
        ProbePath::Udp(socket) => {
            Prober::new(flow, ByUdp::new(socket), window, switch).run(ProbedBy::Udp)
        }
        ProbePath::Tcp(stream) => {
            Prober::new(flow, ByTcp::new(stream), window, switch).run(ProbedBy::Tcp)
        }
    }
}

/// How long to wait between probes beside data of this rate.
fn transfer_every(flowing_bps: u64) -> Duration {
    let nanoseconds = (PROBE_BITS * PROBES_ONE_IN * 1_000_000_000).checked_div(flowing_bps);
    nanoseconds
        .map_or(TRANSFER_EVERY_AT_MOST, Duration::from_nanos)
        .clamp(TRANSFER_EVERY, TRANSFER_EVERY_AT_MOST)
}

struct Prober<'a, C> {
    flow: &'a FlowIdentity,
    carrier: C,
    window: &'a ProbeWindow,
    switch: &'a Switch,
    sent: u64,
    /// When each unanswered probe was sent. At most 1200 of them in the longest session of two minutes.
    outstanding: HashMap<u64, u64>,
    baseline: DelayHistogram,
    transfer: DelayHistogram,
    exchanges: Vec<ExchangeTimes>,
}

impl<'a, C: Carrier> Prober<'a, C> {
    fn new(
        flow: &'a FlowIdentity,
        carrier: C,
        window: &'a ProbeWindow,
        switch: &'a Switch,
    ) -> Self {
        Self {
            flow,
            carrier,
            window,
            switch,
            sent: 0,
            outstanding: HashMap::new(),
            baseline: DelayHistogram::new(),
            transfer: DelayHistogram::new(),
            exchanges: Vec::new(),
        }
    }

    fn run(mut self, by: ProbedBy) -> RoundTrips {
        let mut next = monotonic_ns();
        while !self.switch.is_stopped() && !self.window.is_past(monotonic_ns()) {
            self.outstanding.insert(self.sent, monotonic_ns());
            self.carrier.send(self.flow, self.sent);
            self.sent += 1;
            let every_ns = if self.window.is_baseline(monotonic_ns()) {
                nanos(BASELINE_EVERY)
            } else {
                self.window.every.load(Ordering::Relaxed)
            };
            next = (next + every_ns).max(monotonic_ns());
            self.listen_until(next);
        }
        self.listen_until(monotonic_ns() + nanos(LAST_REPLY_PATIENCE));
        RoundTrips {
            by,
            sent: self.sent,
            baseline: self.baseline.percentiles(),
            transfer: self.transfer.percentiles(),
            transfer_mean_us: self.transfer.mean(),
            clocks: ClockView::of(&self.exchanges),
        }
    }

    fn listen_until(&mut self, deadline_ns: u64) {
        while monotonic_ns() < deadline_ns
            && !self.switch.is_stopped()
            && !self.all_answered_at_the_end()
        {
            if self.carrier.wait(deadline_ns.min(monotonic_ns() + nanos(LOOK_UP_EVERY))) {
                self.take_in();
            }
        }
    }

    fn all_answered_at_the_end(&self) -> bool {
        self.window.is_past(monotonic_ns()) && self.outstanding.is_empty()
    }

    fn take_in(&mut self) {
        let mut heard = Vec::new();
        let flow = self.flow;
        self.carrier.take_in(&mut |payload, arrival| {
            heard.extend(flow.read(payload).and_then(|(_, signal)| Some((signal?, arrival))));
        });
        for (signal, arrival) in heard {
            self.switch.saw_peer(arrival.now_ns);
            match signal.body {
                SignalBody::ProbeReply { sequence, received_ns, .. } => {
                    self.take_reply(&signal, sequence, received_ns, arrival);
                }
                _ => self.carrier.answer(self.flow, &signal),
            }
        }
    }

    fn take_reply(&mut self, reply: &Signal, sequence: u64, received_ns: u64, arrival: Arrival) {
        // A further copy of a reply tells nothing new.
        let Some(sent_ns) = self.outstanding.remove(&sequence) else { return };
        let arrived = arrival.after_ns(sent_ns);
        self.exchanges.extend(
            exchange([sent_ns, received_ns, reply.sent_ns, arrived])
                .filter(|_| self.exchanges.len() < MOST_EXCHANGES),
        );
        let held = reply.sent_ns.saturating_sub(received_ns);
        let micros = arrived.saturating_sub(sent_ns).saturating_sub(held) / 1_000;
        if self.window.is_baseline(sent_ns) {
            self.baseline.record(micros);
        } else if self.window.is_transfer(sent_ns) {
            self.transfer.record(micros);
        }
    }
}

/// The four times of an exchange; `None` for times that no clock shows.
fn exchange(times: [u64; 4]) -> Option<ExchangeTimes> {
    let [near_sent, far_received, far_sent, near_received] = times.map(|at| i64::try_from(at).ok());
    Some(ExchangeTimes {
        near_sent: near_sent?,
        far_received: far_received?,
        far_sent: far_sent?,
        near_received: near_received?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 122 bytes on the line, 976 bits: half a thousandth of 10 Mbit/s holds one every 195.2 ms.
    #[test]
    fn probes_leave_a_slow_line_to_its_data() {
        for (flowing_bps, expected_us) in [
            (0, 250_000),
            (1_000_000, 250_000),
            (10_000_000, 195_200),
            (39_040_000, 50_000),
            (1_000_000_000, 50_000),
            (u64::MAX, 50_000),
        ] {
            assert_eq!(transfer_every(flowing_bps), Duration::from_micros(expected_us));
        }
    }
}
