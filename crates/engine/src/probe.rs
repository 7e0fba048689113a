//! The probe flow: small datagrams that are answered at once, to measure round trips beside the data.

use std::collections::HashMap;
use std::sync::{
    Arc,
    atomic::{AtomicU64, Ordering},
    mpsc::Receiver,
};
use std::time::Duration;

use culvert_os::clock::{ClockPair, monotonic_ns};
use culvert_os::udp::{FlowSocket, ReceiveBatch, Received};
use culvert_stats::{ClockView, DelayHistogram, ExchangeTimes, Percentiles};
use culvert_wire::datagram::{MAX_SIGNAL, Signal, SignalBody};

use crate::signals::{FlowIdentity, Proofing, SocketNews, first_socket};
use crate::timeline::{LOOK_UP_EVERY, Switch, nanos};

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

/// The round trips of a run, microseconds.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct RoundTrips {
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
    socket: &FlowSocket,
    window: &ProbeWindow,
    switch: &Switch,
) -> RoundTrips {
    let mut prober = Prober {
        flow,
        socket,
        window,
        switch,
        batch: ReceiveBatch::new(8, MAX_SIGNAL),
        sent: 0,
        outstanding: HashMap::new(),
        baseline: DelayHistogram::new(),
        transfer: DelayHistogram::new(),
        exchanges: Vec::new(),
    };
    prober.run();
    RoundTrips {
        sent: prober.sent,
        baseline: prober.baseline.percentiles(),
        transfer: prober.transfer.percentiles(),
        transfer_mean_us: prober.transfer.mean(),
        clocks: ClockView::of(&prober.exchanges),
    }
}

/// How long to wait between probes beside data of this rate.
fn transfer_every(flowing_bps: u64) -> Duration {
    let nanoseconds = (PROBE_BITS * PROBES_ONE_IN * 1_000_000_000).checked_div(flowing_bps);
    nanoseconds
        .map_or(TRANSFER_EVERY_AT_MOST, Duration::from_nanos)
        .clamp(TRANSFER_EVERY, TRANSFER_EVERY_AT_MOST)
}

struct Prober<'a> {
    flow: &'a FlowIdentity,
    socket: &'a FlowSocket,
    window: &'a ProbeWindow,
    switch: &'a Switch,
    batch: ReceiveBatch,
    sent: u64,
    /// When each unanswered probe was sent. At most 1200 of them in the longest session of two minutes.
    outstanding: HashMap<u64, u64>,
    baseline: DelayHistogram,
    transfer: DelayHistogram,
    exchanges: Vec<ExchangeTimes>,
}

impl Prober<'_> {
    fn run(&mut self) {
        let mut next = monotonic_ns();
        while !self.switch.is_stopped() && !self.window.is_past(monotonic_ns()) {
            self.outstanding.insert(self.sent, monotonic_ns());
            self.flow.send(self.socket, self.sent, SignalBody::Probe);
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
    }

    fn listen_until(&mut self, deadline_ns: u64) {
        while monotonic_ns() < deadline_ns
            && !self.switch.is_stopped()
            && !self.all_answered_at_the_end()
        {
            match self.socket.wait_readable(deadline_ns.min(monotonic_ns() + nanos(LOOK_UP_EVERY)))
            {
                Ok(true) => self.take_in(),
                Ok(false) => {}
                // An ICMP error comes at once: without a rest the thread would spin on a path that refuses.
                Err(_) => std::thread::sleep(Duration::from_millis(1)),
            }
        }
    }

    fn all_answered_at_the_end(&self) -> bool {
        self.window.is_past(monotonic_ns()) && self.outstanding.is_empty()
    }

    fn take_in(&mut self) {
        if !self.socket.receive_batch(&mut self.batch).is_ok_and(|count| count > 0) {
            return;
        }
        let (clock, now) = (ClockPair::sample(), monotonic_ns());
        for datagram in self.batch.datagrams() {
            let Some((_, Some(signal))) = self.flow.read(datagram.payload) else { continue };
            self.switch.saw_peer(now);
            let SignalBody::ProbeReply { sequence, received_ns, .. } = signal.body else {
                Proofing::Answer.on_signal(self.flow, self.socket, &signal);
                continue;
            };
            // A further copy of a reply tells nothing new.
            let Some(sent_ns) = self.outstanding.remove(&sequence) else { continue };
            let arrived = arrival_ns(&datagram, &clock, sent_ns, now);
            self.exchanges.extend(
                exchange([sent_ns, received_ns, signal.sent_ns, arrived])
                    .filter(|_| self.exchanges.len() < MOST_EXCHANGES),
            );
            let held = signal.sent_ns.saturating_sub(received_ns);
            let micros = arrived.saturating_sub(sent_ns).saturating_sub(held) / 1_000;
            if self.window.is_baseline(sent_ns) {
                self.baseline.record(micros);
            } else if self.window.is_transfer(sent_ns) {
                self.transfer.record(micros);
            }
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

/// Answers probes until the run is stopped: the other end's side.
pub fn reflect(flow: &FlowIdentity, sockets: &Receiver<SocketNews>, switch: &Arc<Switch>) {
    let mut batch = ReceiveBatch::new(8, MAX_SIGNAL);
    let Some(mut socket) = first_socket(sockets) else { return };
    let _ = socket.set_receive_timeout(Some(LOOK_UP_EVERY));
    while !switch.is_stopped() {
        if !socket.receive_batch(&mut batch).is_ok_and(|count| count > 0) {
            if let Ok(SocketNews::Use(moved)) = sockets.try_recv() {
                let _ = moved.set_receive_timeout(Some(LOOK_UP_EVERY));
                socket = moved;
            }
            continue;
        }
        let (clock, now) = (ClockPair::sample(), monotonic_ns());
        for datagram in batch.datagrams() {
            let Some((_, Some(signal))) = flow.read(datagram.payload) else { continue };
            switch.saw_peer(now);
            if signal.body == SignalBody::Probe {
                answer_probe(flow, &socket, &signal, &datagram, &clock, now);
            }
        }
    }
}

/// When a datagram arrived, nanoseconds of the monotonic clock, not before `earliest_ns`. The kernel's stamp leaves out
/// how long this thread took to wake; a stamp out of order means a set clock.
pub(crate) fn arrival_ns(
    datagram: &Received<'_>,
    clock: &ClockPair,
    earliest_ns: u64,
    now_ns: u64,
) -> u64 {
    let stamp = datagram.received_at_realtime_ns.and_then(|at| clock.to_monotonic_ns(at));
    stamp.filter(|at| (earliest_ns..=now_ns).contains(at)).unwrap_or(now_ns)
}

/// Answers a probe that came as `datagram`.
pub(crate) fn answer_probe(
    flow: &FlowIdentity,
    socket: &FlowSocket,
    probe: &Signal,
    datagram: &Received<'_>,
    clock: &ClockPair,
    now_ns: u64,
) {
    let received_ns = arrival_ns(datagram, clock, 0, now_ns);
    let (sequence, sent_ns) = (probe.sequence, probe.sent_ns);
    flow.send(socket, sequence, SignalBody::ProbeReply { sequence, sent_ns, received_ns });
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
