//! What loss leaves of a rate, by the formulas that standards give.
//!
//! Each gives a rate or an average window for a loss ratio, or the loss ratio at which a window can just be kept; `None`
//! where the formula does not hold. Segments are TCP payload bytes, windows are counted in segments.

use std::time::Duration;

use culvert_units::{BitRate, Bytes};
use serde::Serialize;

/// A share of packets that were lost, above 0 and at most 1; without loss the formulas below set no bound.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct LossRatio(f64);

/// The constant of the inverse square root formula, for how losses fall and how receivers acknowledge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LossPattern {
    /// Losses at random, an acknowledgement for every second segment: 0.93 (RFC 3819 section 8.5.1).
    RandomDelayed,
    /// Losses at even distances, an acknowledgement for every segment: the square root of 3/2 (Mathis and others,
    /// CCR 27(3), 1997; the assignment from memory).
    PeriodicImmediate,
    /// Losses at even distances, an acknowledgement for every second segment: the square root of 3/4 (as above).
    PeriodicDelayed,
    /// Losses at random, an acknowledgement for every segment: 1.31 (as above, the value from memory).
    RandomImmediate,
}

impl LossRatio {
    /// `None` unless above 0 and at most 1.
    pub fn new(ratio: f64) -> Option<Self> {
        (ratio > 0.0 && ratio <= 1.0).then_some(Self(ratio))
    }

    /// The ratio itself.
    pub const fn get(self) -> f64 {
        self.0
    }
}

/// Reno's rate under rare loss: `C * segment / (rtt * sqrt(p))` (RFC 3819 section 8.5.1).
///
/// It leaves out timeouts, so it is too high above a loss of about 2 %; [`reno_bound_with_timeouts`] has them.
pub fn reno_bound(
    segment: Bytes,
    rtt: Duration,
    loss: LossRatio,
    pattern: LossPattern,
) -> Option<BitRate> {
    let constant = match pattern {
        LossPattern::RandomDelayed => RANDOM_DELAYED,
        LossPattern::PeriodicImmediate => 1.5_f64.sqrt(),
        LossPattern::PeriodicDelayed => 0.75_f64.sqrt(),
        LossPattern::RandomImmediate => 1.31,
    };
    rate_of(constant / loss.0.sqrt(), segment, rtt)
}

/// Reno's rate under any loss, with a retransmission timeout of `timeout` and an acknowledgement for every
/// `acknowledged` segments: `segment / (rtt * sqrt(2bp/3) + timeout * min(1, 3 * sqrt(3bp/8)) * p * (1 + 32 p^2))`
/// (RFC 5348 section 3.1, which has `timeout` at 4 round-trip times, b at 1 and leaves out the minimum; RFC 3714
/// appendix).
pub fn reno_bound_with_timeouts(
    segment: Bytes,
    rtt: Duration,
    timeout: Duration,
    loss: LossRatio,
    acknowledged: u8,
) -> Option<BitRate> {
    let (p, b) = (loss.0, f64::from(acknowledged));
    let waiting = (3.0 * (3.0 * b * p / 8.0).sqrt()).min(1.0) * p * (1.0 + 32.0 * p * p);
    let seconds = rtt.as_secs_f64() * (2.0 * b * p / 3.0).sqrt() + timeout.as_secs_f64() * waiting;
    bit_rate(segment.get() as f64 * 8.0 / seconds)
}

/// Reno's average window in segments: `1.2 / sqrt(p)` (RFC 3649 section 5).
pub fn reno_window(loss: LossRatio) -> f64 {
    1.2 / loss.0.sqrt()
}

/// The loss ratio at which Reno's average window is `window` segments, at most 1: the inverse of [`reno_window`].
pub fn reno_loss(window: f64) -> Option<LossRatio> {
    LossRatio::new((1.2 / window).powi(2).min(1.0))
}

/// How many round-trip times Reno needs from one loss to the next: it gains a segment in each while its window grows by
/// two thirds of its average (RFC 3649 section 1 and 5).
pub fn reno_round_trips_between_losses(loss: LossRatio) -> f64 {
    reno_window(loss) * 2.0 / 3.0
}

/// HighSpeed TCP's average window in segments: `0.12 / p^0.835` above 38 segments, below them Reno's (RFC 3649 section
/// 5). The RFC lays its line through 83 000 segments at a loss of 1e-7 and follows it beyond.
pub fn highspeed_window(loss: LossRatio) -> f64 {
    (0.12 / loss.0.powf(0.835)).max(reno_window(loss))
}

/// The loss ratio at which HighSpeed TCP's average window is `window` segments: the inverse of [`highspeed_window`].
pub fn highspeed_loss(window: f64) -> Option<LossRatio> {
    let own = (0.12 / window).powf(1.0 / 0.835).min(1.0);
    LossRatio::new(own.max(reno_loss(window)?.0))
}

/// CUBIC's average window in segments, never below Reno's:
/// `(C * (3 + beta) / (4 * (1 - beta)))^(1/4) * (rtt / p)^(3/4)` with C 0.4 and beta 0.7 (RFC 8312 section 5.1).
pub fn cubic_window(loss: LossRatio, rtt: Duration) -> f64 {
    cubic_window_at(CUBIC_C, loss, rtt)
}

/// As [`cubic_window`] with another constant C, in segments per second cubed.
pub(crate) fn cubic_window_at(c: f64, loss: LossRatio, rtt: Duration) -> f64 {
    let own = cubic_factor(c) * (rtt.as_secs_f64() / loss.0).powf(0.75);
    own.max(reno_window(loss))
}

/// The loss ratio at which CUBIC's average window is `window` segments: the inverse of [`cubic_window`].
pub fn cubic_loss(window: f64, rtt: Duration) -> Option<LossRatio> {
    let own = (rtt.as_secs_f64() * (cubic_factor(CUBIC_C) / window).powf(4.0 / 3.0)).min(1.0);
    LossRatio::new(own.max(reno_loss(window)?.0))
}

/// How long CUBIC needs from a loss back to the window of `window` segments it had: `cbrt(window * (1 - beta) / C)`
/// seconds (RFC 8312 section 4.1).
pub fn cubic_regain_time(window: f64) -> Option<Duration> {
    Duration::try_from_secs_f64((window * (1.0 - CUBIC_BETA) / CUBIC_C).cbrt()).ok()
}

/// CUBIC's rate: its average window once per round-trip time.
pub fn cubic_bound(segment: Bytes, rtt: Duration, loss: LossRatio) -> Option<BitRate> {
    rate_of(cubic_window(loss, rtt), segment, rtt)
}

/// The share of loss events, from the packets between them, the latest and still open interval first: the weighted mean of
/// the last 8 closed intervals, or with the open one when that gives less loss (RFC 5348 section 5.4).
///
/// `None` without a closed interval.
pub fn loss_event_rate(intervals: &[u64]) -> Option<LossRatio> {
    const WEIGHTS: [f64; 8] = [1.0, 1.0, 1.0, 1.0, 0.8, 0.6, 0.4, 0.2];
    let weigh = |intervals: &[u64]| -> f64 {
        intervals.iter().zip(WEIGHTS).map(|(packets, weight)| *packets as f64 * weight).sum()
    };
    let (_, closed) = intervals.split_first().filter(|(_, closed)| !closed.is_empty())?;
    let weights: f64 = WEIGHTS.iter().take(closed.len()).sum();
    let with_open = intervals.split_at_checked(closed.len().min(WEIGHTS.len()))?.0;
    LossRatio::new((weights / weigh(closed).max(weigh(with_open))).min(1.0))
}

fn cubic_factor(c: f64) -> f64 {
    (c * (3.0 + CUBIC_BETA) / (4.0 * (1.0 - CUBIC_BETA))).powf(0.25)
}

pub(crate) const RANDOM_DELAYED: f64 = 0.93;
const CUBIC_C: f64 = 0.4;
const CUBIC_BETA: f64 = 0.7;

fn rate_of(segments: f64, segment: Bytes, rtt: Duration) -> Option<BitRate> {
    bit_rate(segments * segment.get() as f64 * 8.0 / rtt.as_secs_f64())
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the value is checked to lie within the type"
)]
fn bit_rate(bits: f64) -> Option<BitRate> {
    (bits >= 0.0 && bits < u64::MAX as f64).then(|| BitRate::from_bits_per_second(bits as u64))
}
