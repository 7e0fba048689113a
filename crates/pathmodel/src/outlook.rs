//! All bounds of a TCP transfer beside each other, and the smallest of them.

use std::time::Duration;

use culvert_units::{BitRate, Bytes};
use serde::{Deserialize, Serialize, Serializer};

use crate::{
    LossPattern, LossRatio, ModelError, bandwidth_delay_product, connections_to_fill, cubic_bound,
    cubic_loss, cubic_regain_time, loss::RANDOM_DELAYED, reno_bound, reno_bound_with_timeouts,
    sequence_space_lasts, slow_start_round_trips, window_bound, window_scale,
};

/// What is known of a connection besides its path.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Conditions {
    /// The round-trip time.
    #[serde(rename = "rtt_us", serialize_with = "microseconds")]
    pub rtt: Duration,
    /// The most that the receiver's window lets be on its way.
    pub window: Option<Bytes>,
    /// The most that the socket buffers hold of it.
    pub buffer: Option<Bytes>,
    /// The share of packets that are lost.
    pub loss: Option<LossRatio>,
    /// How the transmitter reacts to loss.
    pub control: LossResponse,
}

/// How a transmitter reacts to loss.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum LossResponse {
    /// CUBIC (RFC 8312).
    Cubic,
    /// Reno (RFC 5681).
    Reno,
}

/// Every bound of one connection.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outlook {
    /// What the bounds were computed from.
    pub conditions: Conditions,
    /// What is on its way when the bottleneck is full.
    pub bandwidth_delay_product: Bytes,
    /// By how many bits the window field must be scaled for that; `null` when no scaling is enough.
    pub window_scale: Option<u8>,
    /// How many connections with the smaller of window and buffer fill the bottleneck; `null` without one.
    pub connections_to_fill: Option<u64>,
    /// How many round trips slow start takes until the bottleneck is full.
    pub slow_start_round_trips: Option<f64>,
    /// How long that is.
    #[serde(rename = "slow_start_us", serialize_with = "some_microseconds")]
    pub slow_start: Option<Duration>,
    /// How long the loss response takes from one loss at the smallest other bound back to it.
    #[serde(rename = "regain_us", serialize_with = "some_microseconds")]
    pub regain: Option<Duration>,
    /// The largest loss ratio at which loss is not the smallest bound; `null` above the range of the formula.
    pub loss_without_harm: Option<LossRatio>,
    /// How long sequence numbers last at the smallest bound.
    #[serde(rename = "sequence_space_lasts_us", serialize_with = "some_microseconds")]
    pub sequence_space_lasts: Option<Duration>,
    /// The bounds.
    pub bounds: Vec<Bound>,
    /// Which is the smallest.
    pub smallest: BoundKind,
    /// The smallest: what one connection can reach.
    #[serde(rename = "tcp_bps")]
    pub tcp: BitRate,
}

/// One bound.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Bound {
    /// What bounds.
    pub kind: BoundKind,
    /// The rate; `null` when it exceeds every rate.
    #[serde(rename = "rate_bps")]
    pub rate: Option<BitRate>,
    /// Whether it is one of those the smallest is sought among; the others are for comparison.
    pub counts: bool,
    /// The formula and where it is published.
    pub formula: &'static str,
    /// Where the formula holds.
    pub range: &'static str,
    /// Whether it holds here.
    pub holds: bool,
}

/// What bounds a transfer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum BoundKind {
    /// The link rate less every header.
    Headers,
    /// The receiver's window.
    Window,
    /// The socket buffer.
    Buffer,
    /// Loss, CUBIC's average window.
    LossCubic,
    /// Loss, Reno by the inverse square root.
    LossReno,
    /// Loss, with retransmission timeouts.
    LossTimeouts,
}

/// The bounds of a connection over a path whose headers leave `headers` of the rate `bottleneck`, in segments of
/// `segment` bytes of payload.
pub fn outlook(
    headers: BitRate,
    bottleneck: BitRate,
    segment: Bytes,
    conditions: &Conditions,
) -> Result<Outlook, ModelError> {
    let rtt = conditions.rtt;
    if rtt.is_zero() {
        return Err(ModelError::NoRoundTrip);
    }
    let mut bounds = vec![Bound {
        kind: BoundKind::Headers,
        rate: Some(headers),
        counts: true,
        formula: "link rate less every header",
        range: "any path",
        holds: true,
    }];
    for (kind, amount) in
        [(BoundKind::Window, conditions.window), (BoundKind::Buffer, conditions.buffer)]
    {
        if let Some(amount) = amount {
            bounds.push(in_flight(kind, amount, rtt));
        }
    }
    let (without_loss, _) = smallest(&bounds, headers);
    if let Some(loss) = conditions.loss {
        bounds.extend(lossy(segment, rtt, loss, conditions.control));
    }
    let (tcp, kind) = smallest(&bounds, headers);
    let product = bandwidth_delay_product(bottleneck, rtt);
    let least = conditions.window.into_iter().chain(conditions.buffer).min();
    let round_trips = slow_start_round_trips(product, segment);
    let window = in_segments(without_loss, rtt, segment);
    Ok(Outlook {
        conditions: *conditions,
        bandwidth_delay_product: product,
        window_scale: window_scale(product),
        connections_to_fill: least.and_then(|window| connections_to_fill(product, window)),
        slow_start_round_trips: round_trips,
        slow_start: round_trips.and_then(|count| times(rtt, count)),
        regain: window.and_then(|window| conditions.control.regain(window, rtt)),
        loss_without_harm: window.and_then(|window| conditions.control.harmless(window, rtt)),
        sequence_space_lasts: sequence_space_lasts(tcp),
        bounds,
        smallest: kind,
        tcp,
    })
}

fn smallest(bounds: &[Bound], headers: BitRate) -> (BitRate, BoundKind) {
    let counting = bounds.iter().filter(|bound| bound.counts);
    let rates = counting.filter_map(|bound| Some((bound.rate?, bound.kind)));
    rates.min_by_key(|(rate, _)| *rate).unwrap_or((headers, BoundKind::Headers))
}

fn in_flight(kind: BoundKind, amount: Bytes, rtt: Duration) -> Bound {
    Bound {
        kind,
        rate: window_bound(amount, rtt),
        counts: true,
        formula: "amount / round-trip time (RFC 6349 section 3.3.1)",
        range: "any path",
        holds: true,
    }
}

/// The loss formulas. Of those that hold the one for the loss response counts; above their range the one with timeouts.
fn lossy(segment: Bytes, rtt: Duration, loss: LossRatio, control: LossResponse) -> [Bound; 3] {
    let rare = loss.get() <= RARE;
    [
        Bound {
            kind: BoundKind::LossCubic,
            rate: cubic_bound(segment, rtt, loss),
            counts: rare && control == LossResponse::Cubic,
            formula: "CUBIC's average window, never below Reno's, per round-trip time (RFC 8312 section 5.1)",
            range: "regular rare loss, up to about 2 % (the limit from memory)",
            holds: rare,
        },
        Bound {
            kind: BoundKind::LossReno,
            rate: reno_bound(segment, rtt, loss, LossPattern::RandomDelayed),
            counts: rare && control == LossResponse::Reno,
            formula: "0.93 * segment / (round-trip time * sqrt(loss)) (RFC 3819 section 8.5.1)",
            range: "random rare loss without timeouts, up to about 2 % (the limit from memory)",
            holds: rare,
        },
        Bound {
            kind: BoundKind::LossTimeouts,
            rate: reno_bound_with_timeouts(segment, rtt, rtt.saturating_mul(4), loss, 1),
            counts: !rare,
            formula: "Reno with timeouts of 4 round-trip times, an acknowledgement per segment (RFC 5348 section 3.1)",
            range: "any loss",
            holds: true,
        },
    ]
}

impl LossResponse {
    fn regain(self, window: f64, rtt: Duration) -> Option<Duration> {
        match self {
            Self::Cubic => cubic_regain_time(window),
            // Half of the window, a segment in each round trip (RFC 5681 section 3.1).
            Self::Reno => times(rtt, window / 2.0),
        }
    }

    fn harmless(self, window: f64, rtt: Duration) -> Option<LossRatio> {
        match self {
            Self::Cubic => cubic_loss(window, rtt),
            Self::Reno => LossRatio::new((RANDOM_DELAYED / window).powi(2).min(1.0)),
        }
        .filter(|loss| loss.get() <= RARE)
    }
}

fn in_segments(rate: BitRate, rtt: Duration, segment: Bytes) -> Option<f64> {
    let bits = segment.get() as f64 * 8.0;
    (bits > 0.0).then(|| rate.bits_per_second() as f64 * rtt.as_secs_f64() / bits)
}

fn times(rtt: Duration, count: f64) -> Option<Duration> {
    Duration::try_from_secs_f64(rtt.as_secs_f64() * count).ok()
}

fn microseconds<S: Serializer>(time: &Duration, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_f64(time.as_secs_f64() * 1e6)
}

#[expect(clippy::ref_option, reason = "serde hands fields over by reference")]
fn some_microseconds<S: Serializer>(
    time: &Option<Duration>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    time.map(|time| time.as_secs_f64() * 1e6).serialize(serializer)
}

/// Up to here timeouts are left out.
const RARE: f64 = 0.02;
