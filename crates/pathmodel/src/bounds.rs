//! Bounds besides headers: windows, start-up, and the figures of RFC 6349.
//!
//! Each takes what was observed and gives a rate, a size or a ratio; `None` where the observation sets no bound or the
//! formula does not hold. Segments are TCP payload bytes.

use std::time::Duration;

use culvert_units::{BitRate, Bytes, Fraction};

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

/// By how many bits a window field of 16 bits must be scaled to announce `window`, at most 14; `None` above 1 073 725 440
/// bytes, which no connection can announce (RFC 7323 section 2.2 and 2.3).
pub fn window_scale(window: Bytes) -> Option<u8> {
    (0..=14).find(|shift| window.get() <= 65_535 << shift)
}

/// How long the 32-bit sequence numbers last at `rate` of payload before they come round (RFC 7323 section 5.2).
pub fn sequence_space_lasts(rate: BitRate) -> Option<Duration> {
    rate.time_for(Bytes::new(1 << 32))
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
