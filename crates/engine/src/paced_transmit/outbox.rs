//! How datagrams are handed to the system: as segments, in batches, or one by one.

use culvert_os::clock::monotonic_ns;
use culvert_os::udp::{FlowSocket, SendBatch, SendOutcome, SendStop};
use culvert_session::grant::Session;
use culvert_wire::datagram::{DatagramHeader, DatagramKey, HEADER_LEN};
use culvert_wire::message::{Handover, HandoverReport};

/// Datagrams that are prepared together at most, and the bytes they may have: what a core's own caches hold.
const MOST_DATAGRAMS: u64 = 256;
const MOST_BYTES: u64 = 256 * 1024;
/// How often each way is tried before the cheaper one stays.
const TRIES: usize = 24;

/// Buffers full of random bytes, and the way they leave.
pub(super) struct Outbox {
    batch: SendBatch,
    room: u64,
    by: Handover,
    trial: Option<Trial>,
    report: HandoverReport,
}

impl Outbox {
    /// A stream whose bursts hold more than one datagram may leave in batches or as segments; one whose every datagram
    /// has a time of its own leaves one by one.
    pub(super) fn new(session: &Session, payload_bytes: u16, socket: &FlowSocket) -> Self {
        let payload = usize::from(payload_bytes).max(HEADER_LEN);
        let together = session.pace_bps().map_or(u64::MAX, |_| session.burst());
        let by = match session.handover() {
            Handover::Single => Handover::Single,
            _ if together == 1 => Handover::Single,
            Handover::Auto | Handover::Segmented if !socket.knows_segments() => Handover::Batched,
            Handover::Auto | Handover::Segmented => Handover::Segmented,
            Handover::Batched => Handover::Batched,
        };
        let held = (MOST_BYTES / payload as u64).clamp(1, MOST_DATAGRAMS);
        let room = if by == Handover::Single && session.pace_bps().is_none() {
            1
        } else {
            together.min(held)
        };
        let batch = random_batch(usize::try_from(room).unwrap_or(1), payload);
        // A burst that there is room for leaves by one call, however many messages it fills.
        let room = if by == Handover::Segmented && together > held {
            whole_messages(room, batch.most_segments() as u64)
        } else {
            room
        };
        let trial =
            (session.handover().is_auto() && by == Handover::Segmented).then(Trial::default);
        let report = HandoverReport { began: by, ended: by, ..HandoverReport::default() };
        Self { batch, room, by, trial, report }
    }

    /// How many datagrams may be filled.
    pub(super) const fn room(&self) -> u64 {
        self.room
    }

    /// Writes the headers of `count` datagrams that are numbered from `first` on.
    pub(super) fn fill(&mut self, first: DatagramHeader, key: &DatagramKey, count: u64) {
        let count = usize::try_from(count).unwrap_or(usize::MAX);
        // Each is as long as the payload, and the payload holds a header: this was checked when granted.
        let _ = first.emit_run(key, self.batch.contents().take(count));
    }

    /// Sends the first `count` of them.
    pub(super) fn send(&mut self, socket: &FlowSocket, count: u64) -> SendOutcome {
        let count = usize::try_from(count).unwrap_or(usize::MAX);
        let by = self.trial.as_ref().filter(|_| count > 1).map_or(self.by, Trial::next);
        let began_ns = monotonic_ns();
        let outcome = match by {
            Handover::Segmented => socket.send_segments(&mut self.batch, count),
            Handover::Batched | Handover::Auto => socket.send_batch(&mut self.batch, count),
            Handover::Single => socket.send_singly(&mut self.batch, count),
        };
        let most = if by == Handover::Single { 1 } else { outcome.sent };
        self.report.most_together =
            self.report.most_together.max(u32::try_from(most).unwrap_or(u32::MAX));
        if by == Handover::Segmented && is_refusal(outcome.stopped.as_ref()) {
            // The rest goes as a batch, whose errors are those of the datagrams themselves.
            (self.by, self.trial) = (Handover::Batched, None);
            return SendOutcome { sent: outcome.sent, stopped: None };
        }
        if let Some(trial) = self.trial.as_mut().filter(|_| count > 1 && outcome.sent == count) {
            trial.cost(by, (monotonic_ns() - began_ns) as f64 / count as f64);
            self.conclude();
        }
        outcome
    }

    /// How it went.
    pub(super) fn report(&self) -> HandoverReport {
        HandoverReport { ended: self.by, ..self.report }
    }

    fn conclude(&mut self) {
        let Some((segmented, batched)) = self.trial.as_mut().and_then(Trial::result) else {
            return;
        };
        (self.report.segmented_ns, self.report.batched_ns) = (Some(segmented), Some(batched));
        self.by = if batched < segmented { Handover::Batched } else { Handover::Segmented };
        self.trial = None;
    }
}

/// As many of `room` datagrams as fill messages of so many segments: what a message costs is the same for half of one.
/// Where there is no room for a whole one, all of it.
const fn whole_messages(room: u64, segments: u64) -> u64 {
    match room.checked_rem(segments) {
        Some(rest) if rest < room => room - rest,
        _ => room,
    }
}

/// The kernel, the interface or the MTU does not allow segments.
const fn is_refusal(stop: Option<&SendStop>) -> bool {
    matches!(stop, Some(SendStop::NotTaken(_) | SendStop::TooLong))
}

/// What a datagram costs by segments and by batches, tried in turn on the first bursts.
#[derive(Debug, Default)]
struct Trial {
    segmented: Vec<f64>,
    batched: Vec<f64>,
}

impl Trial {
    fn next(&self) -> Handover {
        if self.segmented.len() <= self.batched.len() {
            Handover::Segmented
        } else {
            Handover::Batched
        }
    }

    fn cost(&mut self, by: Handover, nanoseconds: f64) {
        if by == Handover::Segmented {
            self.segmented.push(nanoseconds);
        } else {
            self.batched.push(nanoseconds);
        }
    }

    /// The medians, once each was tried often enough: what interrupts a call is no cost of it.
    fn result(&mut self) -> Option<(f64, f64)> {
        if self.segmented.len() < TRIES || self.batched.len() < TRIES {
            return None;
        }
        Some((median(&mut self.segmented)?, median(&mut self.batched)?))
    }
}

fn median(costs: &mut [f64]) -> Option<f64> {
    costs.sort_by(f64::total_cmp);
    costs.get(costs.len() / 2).copied()
}

/// Buffers full of random bytes; the headers are written over their beginnings.
fn random_batch(datagrams: usize, payload: usize) -> SendBatch {
    use rand::Rng as _;

    let mut batch = SendBatch::new(datagrams, payload);
    for index in 0..datagrams {
        batch.fill(index, |datagram| {
            rand::rng().fill_bytes(datagram);
            datagram.len()
        });
    }
    batch
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 65,507 bytes hold 46 datagrams of 1400: of 93, two messages take 92.
    #[test]
    fn messages_leave_whole() {
        assert_eq!(SendBatch::new(1, 1_400).most_segments(), 46);
        assert_eq!(whole_messages(93, 46), 92);
        assert_eq!(
            [(45, 46), (46, 46), (256, 128), (8, 1)].map(|(room, n)| whole_messages(room, n)),
            [45, 46, 256, 8]
        );
        assert_eq!(whole_messages(7, 0), 7);
    }

    #[test]
    fn the_cheaper_way_stays_whatever_interrupts_it_once() {
        let mut trial = Trial::default();
        let mut result = None;
        for turn in 0.. {
            let by = trial.next();
            let cost = if by == Handover::Segmented { 50.0 } else { 300.0 };
            trial.cost(by, if turn == 4 { 9_000_000.0 } else { cost });
            result = trial.result();
            if result.is_some() {
                assert_eq!(turn + 1, 2 * TRIES, "both were tried in turn");
                break;
            }
        }
        assert_eq!(result, Some((50.0, 300.0)));
    }
}
