//! Bounds besides headers: windows, loss, start-up, and the figures of RFC 6349.
//!
//! Each takes what was observed and gives a rate, a size or a ratio; `None` where the observation sets no bound or the
//! formula does not hold. Segments are TCP payload bytes.

use std::time::Duration;

use culvert_units::{BitRate, Bytes, Fraction};

/// A share of packets that were lost, above 0 and at most 1; without loss the formulas below set no bound.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
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

/// What is on its way when a path of `rate` is full: rate times round-trip time, rounded down, at most the largest amount
/// (RFC 6349 section 3.3.1).
pub fn bandwidth_delay_product(rate: BitRate, rtt: Duration) -> Bytes {
    let bits = u128::from(rate.bits_per_second()).saturating_mul(rtt.as_nanos());
    Bytes::new(u64::try_from(bits / 8_000_000_000).unwrap_or(u64::MAX))
}

/// The most a window or socket buffer lets through: one window per round-trip time (RFC 6349 section 3.3.1).
pub fn window_bound(window: Bytes, rtt: Duration) -> Option<BitRate> {
    window.over(rtt)
}

/// How many connections with `window` each fill `product`, rounded up (RFC 6349 section 5.1).
pub fn connections_to_fill(product: Bytes, window: Bytes) -> Option<u64> {
    (window.get() > 0).then(|| product.get().div_ceil(window.get()))
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
        LossPattern::RandomDelayed => 0.93,
        LossPattern::PeriodicImmediate => 1.5_f64.sqrt(),
        LossPattern::PeriodicDelayed => 0.75_f64.sqrt(),
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

/// CUBIC's average window in segments, never below Reno's:
/// `(C * (3 + beta) / (4 * (1 - beta)))^(1/4) * (rtt / p)^(3/4)` with C 0.4 and beta 0.7 (RFC 8312 section 5.1).
pub fn cubic_window(loss: LossRatio, rtt: Duration) -> f64 {
    const C: f64 = 0.4;
    const BETA: f64 = 0.7;
    let own = (C * (3.0 + BETA) / (4.0 * (1.0 - BETA))).powf(0.25)
        * (rtt.as_secs_f64() / loss.0).powf(0.75);
    own.max(reno_window(loss))
}

/// CUBIC's rate: its average window once per round-trip time.
pub fn cubic_bound(segment: Bytes, rtt: Duration, loss: LossRatio) -> Option<BitRate> {
    rate_of(cubic_window(loss, rtt), segment, rtt)
}

/// The window in segments that fills `rate`, rounded up (RFC 8337 section 5.2).
pub fn target_window(rate: BitRate, rtt: Duration, segment: Bytes) -> Option<u64> {
    let bits = u128::from(rate.bits_per_second()).checked_mul(rtt.as_nanos())?;
    let segment_bits = u128::from(segment.get()) * 8 * 1_000_000_000;
    (segment_bits > 0)
        .then(|| bits.div_ceil(segment_bits))
        .and_then(|window| window.try_into().ok())
}

/// How many packets must arrive between two losses for a window of `window` segments: `3 * window^2` (RFC 8337
/// section 5.2).
pub fn target_run_length(window: u64) -> Option<u64> {
    window.checked_mul(window)?.checked_mul(3)
}

/// The first window of a connection: `min(10 * segment, max(2 * segment, 14600))` (RFC 6928 section 2).
pub fn initial_window(segment: Bytes) -> Bytes {
    let segment = segment.get();
    Bytes::new(segment.saturating_mul(10).min(segment.saturating_mul(2).max(14_600)))
}

/// How many round trips slow start takes from the initial window to `product`, doubling each time; 0 when it begins
/// there.
pub fn slow_start_round_trips(product: Bytes, segment: Bytes) -> Option<f64> {
    let first = initial_window(segment).get();
    (first > 0).then(|| (product.get() as f64 / first as f64).max(1.0).log2())
}

/// RFC 6349 section 4.2: the share of transmitted bytes that were not retransmissions.
pub fn tcp_efficiency(transmitted: Bytes, retransmitted: Bytes) -> Option<Fraction> {
    let first_time = transmitted.get().checked_sub(retransmitted.get())?;
    Fraction::of(first_time as f64, transmitted.get() as f64)
}

/// RFC 6349 section 4.3: how far the average round-trip time during a transfer lies above the baseline, as a share of
/// the baseline; negative when it lies below.
pub fn buffer_delay(baseline: Duration, during_transfer: Duration) -> Option<Fraction> {
    let baseline = baseline.as_secs_f64();
    Fraction::of(during_transfer.as_secs_f64() - baseline, baseline)
}

/// RFC 6349 section 4.1: the time a transfer took over the time it takes at the ideal rate.
pub fn transfer_time_ratio(actual: Duration, ideal: Duration) -> Option<Fraction> {
    Fraction::of(actual.as_secs_f64(), ideal.as_secs_f64())
}

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
