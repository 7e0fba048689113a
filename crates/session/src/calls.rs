//! Calls: a session kind of its own, 50 packets a second of about 200 bytes each way, and what its figures mean.
//!
//! A clean bulk result proves nothing about calls. The stream is G.711's in packets of 20 ms: 160 bytes of voice and 12 of
//! RTP (RFC 3551, RFC 3550), which with UDP and IPv4 are 200 bytes. It runs alone and beside a bulk flow each way.

#[cfg(test)]
mod tests;

use culvert_stats::{
    CallFigures, CallRating, ClassOutcome, Codec, GOOD_DELAY_MS, Kept, LONGEST_DELAY_MS,
    QUALITY_CLASSES, delay_within, proportion_interval, rate_call,
};
use culvert_units::{BitRate, Bytes};

/// Packets per second each way.
pub const CALL_PACKETS_PER_SECOND: u64 = 50;

/// UDP payload of each packet: 160 bytes of voice and 12 of RTP header.
pub const CALL_PAYLOAD: u16 = 172;

/// The pace in bits of UDP payload per second, for a [`crate::pacing::Pacer`].
pub const CALL_PACE: BitRate =
    BitRate::from_bits_per_second(CALL_PACKETS_PER_SECOND * CALL_PAYLOAD as u64 * 8);

/// More loss than this share is bad for a call (common practice).
pub const MOST_LOSS: f64 = 0.01;

/// A longer run of lost packets than this is heard (common practice).
pub const LONGEST_LOSS_RUN: u64 = 3;

/// A larger delay variation than this, the 99th percentile of PDV, outruns many de-jitter buffers, milliseconds (common
/// practice: 30 to 40).
pub const LARGEST_VARIATION_MS: f64 = 40.0;

/// What else loads the path while the call runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Beside {
    /// Nothing.
    Alone,
    /// A bulk flow toward far.
    BulkTowardFar,
    /// A bulk flow toward near.
    BulkTowardNear,
}

/// One part of a call session.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CallPart {
    /// What loads the path meanwhile.
    pub beside: Beside,
    /// How long its packets count, milliseconds.
    pub for_ms: u64,
    /// How many packets go each way in that time.
    pub packets: u64,
}

/// The parts of a call session in order: alone, then beside a bulk flow each way, `for_ms` each.
pub fn call_parts(for_ms: u64) -> [CallPart; 3] {
    let packets = for_ms.saturating_mul(CALL_PACKETS_PER_SECOND) / 1000;
    [Beside::Alone, Beside::BulkTowardFar, Beside::BulkTowardNear].map(|beside| CallPart {
        beside,
        for_ms,
        packets,
    })
}

/// The bytes of IP packets that the calls themselves move, both ways and all parts, with this header before the payload
/// (28 over IPv4, 48 over IPv6). The bulk flows come on top.
pub fn call_bytes(parts: &[CallPart], header: u16) -> Bytes {
    let packet = u64::from(CALL_PAYLOAD.saturating_add(header));
    let packets = parts.iter().fold(0_u64, |sum, part| sum.saturating_add(part.packets));
    Bytes::new(packets.saturating_mul(2).saturating_mul(packet))
}

/// What was measured of one direction of one part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CallMeasure {
    /// Packets sent.
    pub sent: u64,
    /// Packets lost on the path; what the host dropped is not among them.
    pub lost: u64,
    /// The longest run of lost packets (RFC 3357); `None` when it was not counted.
    pub longest_loss_run: Option<u64>,
    /// The mean one-way delay in milliseconds and by how much it may be wrong; `None` when the clocks do not tell.
    pub mean_delay_ms: Option<(f64, f64)>,
    /// The mean round trip, milliseconds; half of it stands in for a delay that the clocks do not tell.
    pub mean_round_trip_ms: Option<f64>,
    /// The 99th percentile of PDV (RFC 5481), milliseconds.
    pub pdv_p99_ms: Option<f64>,
    /// Its 99.9th percentile.
    pub pdv_p999_ms: Option<f64>,
}

/// What the figures of one direction mean for a call.
#[derive(Debug, Clone, PartialEq)]
pub struct CallAssessment {
    /// Delay within 150 ms (G.114; from memory).
    pub delay_good: Kept,
    /// Delay within 400 ms (G.114, by a summary of its 2003 draft).
    pub delay_bearable: Kept,
    /// Loss within [`MOST_LOSS`], by the exact 95 % interval of the ratio: few packets tell little.
    pub loss: Kept,
    /// The longest loss run within [`LONGEST_LOSS_RUN`].
    pub loss_run: Kept,
    /// The 99th percentile of PDV within [`LARGEST_VARIATION_MS`].
    pub variation: Kept,
    /// The classes of ITU-T Y.1541.
    pub classes: [ClassOutcome; 8],
    /// The E-model's figures, all from memory; the delay is that of the network and of a de-jitter buffer as deep as the
    /// 99th percentile of PDV. `None` without a delay of any kind.
    pub rating: Option<CallRating>,
    /// Whether half a round trip stood in for the one-way delay.
    pub delay_from_round_trip: bool,
}

impl CallMeasure {
    /// Holds the figures against the objectives.
    pub fn assess(&self) -> CallAssessment {
        let (delay, delay_from_round_trip) = self.delay();
        let figures = CallFigures {
            sent: self.sent,
            lost: self.lost,
            mean_delay_ms: delay,
            pdv_p999_ms: self.pdv_p999_ms,
        };
        let loss_ratio = (self.sent > 0).then(|| self.lost as f64 / self.sent as f64);
        let buffered = delay.map(|(delay, _)| delay.max(0.0) + self.pdv_p99_ms.unwrap_or(0.0));
        let rated = buffered.zip(loss_ratio);
        let run = self.longest_loss_run.filter(|_| self.sent > 0);
        CallAssessment {
            delay_good: delay_within(GOOD_DELAY_MS, delay),
            delay_bearable: delay_within(LONGEST_DELAY_MS, delay),
            loss: self.loss_within(MOST_LOSS),
            loss_run: within(run.map(|run| run as f64), LONGEST_LOSS_RUN as f64),
            variation: within(self.pdv_p99_ms, LARGEST_VARIATION_MS),
            classes: QUALITY_CLASSES.map(|class| class.outcome(&figures)),
            rating: rated.and_then(|(delay, loss)| rate_call(delay, loss, Codec::G711)),
            delay_from_round_trip,
        }
    }

    fn loss_within(&self, most: f64) -> Kept {
        match proportion_interval(self.lost, self.sent, 0.95) {
            Some(ratio) if ratio.high <= most => Kept::Yes,
            Some(ratio) if ratio.low > most => Kept::No,
            _ => Kept::Unknown,
        }
    }

    /// The one-way delay, or half the round trip with as much for its error: one way may have taken all of it.
    pub fn delay(&self) -> (Option<(f64, f64)>, bool) {
        let half = self.mean_round_trip_ms.map(|round_trip| (round_trip / 2.0, round_trip / 2.0));
        (self.mean_delay_ms.or(half), self.mean_delay_ms.is_none() && half.is_some())
    }
}

impl CallAssessment {
    /// Whether the direction is fit for a call: good delay, loss, loss runs and variation.
    pub fn fit(&self) -> Kept {
        let all = [self.delay_good, self.loss, self.loss_run, self.variation];
        if all.contains(&Kept::No) {
            Kept::No
        } else if all.contains(&Kept::Unknown) {
            Kept::Unknown
        } else {
            Kept::Yes
        }
    }
}

fn within(value: Option<f64>, most: f64) -> Kept {
    match value {
        Some(value) if value <= most => Kept::Yes,
        Some(value) if value > most => Kept::No,
        _ => Kept::Unknown,
    }
}
