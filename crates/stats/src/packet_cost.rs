//! What limits a path at different packet sizes: each packet, each byte, or a rate that somebody set.
//!
//! The time a path takes per packet, one over the highest rate it carries, is fitted as `a + b · bytes`. A processor
//! that handles packets has a large `a`; a line has a `b` of one over its rate, and an `a` of its framing; a limiter
//! that counts IP bytes lets the same bits through at every size.

#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};

use crate::linear_fit::{Interval, LackOfFit, LinearFit, lack_of_fit, linear_fit};

/// The highest rate without loss at one packet size, as far as trials enclose it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatePoint {
    /// The whole IP packet in bytes.
    pub ip_bytes: u16,
    /// Packets per second that the path carries for certain.
    pub low: f64,
    /// Packets per second that it does not carry.
    pub high: f64,
}

/// What a path is limited by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CostKind {
    /// Handling each packet costs most, even of the largest: larger packets carry more.
    PerPacket,
    /// The bytes cost most, even of the smallest size at which that can be told: a line or a cipher.
    PerByte,
    /// Neither prevails at the largest size.
    Mixed,
    /// One IP-layer bit rate lies within the trials' bounds at every size, and no rate of a link's frames does: somebody set
    /// it, or the link has no cost per packet.
    BitLimiter,
    /// One number of packets per second lies within the bounds at every size: a cap on packets.
    PacketLimiter,
    /// The points lie off every line, or the intervals are too wide to tell.
    Unclear,
}

/// Bounds farther apart than this share of a rate enclose it too loosely to show that it is the same at every size. Our own
/// bound.
pub const LOOSEST: f64 = 0.03;

/// A link costs each packet so many bytes at least, its header (14 of IEEE 802.3, which is also what a shaper of the
/// frame layer counts): sizes that allow for this as well do not tell a limiter of IP packets from a link.
pub const LEAST_FRAMING: u16 = 14;

/// The cost per packet prevails when it is at least this share of the time of the largest packet, and the cost per byte
/// when it is at most one less this. Our own bound.
pub const PREVAILS: f64 = 0.75;

/// A point may lie this share off the line before the line counts as no description. Our own bound.
pub const FARTHEST_OFF: f64 = 0.10;

const CONFIDENCE: f64 = 0.95;

/// The fitted cost of a path, with the evidence for what limits it.
#[derive(Debug, Clone, PartialEq)]
pub struct PacketCost {
    /// What the path is limited by.
    pub kind: CostKind,
    /// a: nanoseconds per packet, with its 95 % interval.
    pub packet_ns: Interval,
    /// b: nanoseconds per byte of IP packet, with its 95 % interval.
    pub byte_ns: Interval,
    /// a / b: each packet costs as much as so many bytes; 38 is Ethernet's framing (RFC 6349 4.1.1). `None` when b is
    /// not above zero.
    pub packet_as_bytes: Option<f64>,
    /// The share of a in the time of the largest packet, with the interval that follows from that of the line.
    pub packet_share: Interval,
    /// (largest − smallest) / mean of the IP-layer bit rates of the sizes.
    pub bit_rate_spread: f64,
    /// The same of the packets per second.
    pub packet_rate_spread: f64,
    /// The largest distance of a point from the line, as a share of its time.
    pub farthest_off: f64,
    /// The test for lack of fit, when sizes were repeated.
    pub lack_of_fit: Option<LackOfFit>,
    /// The line through time per packet in nanoseconds over bytes.
    pub line: LinearFit,
}

/// What a path will carry at a size that was not measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RatePrediction {
    /// The size asked about: the whole IP packet in bytes.
    pub ip_bytes: u16,
    /// Packets per second with the interval in which a measurement will lie; `high` is infinite when the interval of
    /// the time reaches zero.
    pub packets_per_second: Interval,
}

/// Fits the cost of points at three or more sizes; `None` for fewer, or when a rate is not above zero.
pub fn packet_cost(points: &[RatePoint]) -> Option<PacketCost> {
    let timed: Vec<(f64, f64)> =
        points.iter().map(|point| (f64::from(point.ip_bytes), 1e9 / point.middle())).collect();
    let sizes: std::collections::BTreeSet<u16> = points.iter().map(|p| p.ip_bytes).collect();
    let largest = f64::from(*sizes.last()?);
    if sizes.len() < 3 || timed.iter().any(|(_, ns)| !(ns.is_finite() && *ns > 0.0)) {
        return None;
    }
    let line = linear_fit(&timed)?;
    let (packet_ns, byte_ns) =
        (line.intercept_interval(CONFIDENCE)?, line.slope_interval(CONFIDENCE)?);
    let farthest_off =
        timed.iter().map(|(x, ns)| (line.at(*x) - ns).abs() / ns).fold(0.0, f64::max);
    let cost = PacketCost {
        kind: CostKind::Unclear,
        packet_ns,
        byte_ns,
        packet_as_bytes: (line.slope > 0.0).then(|| line.intercept / line.slope),
        packet_share: share_of_packet(packet_ns, line.at(largest)),
        bit_rate_spread: spread(points.iter().map(|p| f64::from(p.ip_bytes) * 8.0 * p.middle())),
        packet_rate_spread: spread(points.iter().map(RatePoint::middle)),
        farthest_off,
        lack_of_fit: lack_of_fit(&line, &timed),
        line,
    };
    Some(PacketCost { kind: cost.decide(points), ..cost })
}

impl RatePoint {
    /// A rate that is known to this share of it, on either side.
    pub fn within(ip_bytes: u16, packets_per_second: f64, share: f64) -> Self {
        let [low, high] = [1.0 - share, 1.0 + share].map(|part| packets_per_second * part);
        Self { ip_bytes, low, high }
    }

    /// The middle of the bounds, packets per second.
    pub const fn middle(&self) -> f64 {
        f64::midpoint(self.low, self.high)
    }

    fn is_tight(&self) -> bool {
        self.high - self.low <= LOOSEST * self.high
    }
}

/// Whether one rate lies within the bounds at every size, when a packet counts as `weight` of its bytes.
fn is_one_rate(points: &[RatePoint], weight: impl Fn(u16) -> f64) -> bool {
    let highest = points.iter().map(|p| p.low * weight(p.ip_bytes)).fold(0.0, f64::max);
    let lowest = points.iter().map(|p| p.high * weight(p.ip_bytes)).fold(f64::INFINITY, f64::min);
    highest <= lowest && points.iter().all(RatePoint::is_tight)
}

impl PacketCost {
    /// What the path carries at `ip_bytes`, as a further measurement would find it; `None` where the line falls to zero.
    pub fn predict(&self, ip_bytes: u16, confidence: f64) -> Option<RatePrediction> {
        let time = self.line.predict(f64::from(ip_bytes), confidence).filter(|t| t.value > 0.0)?;
        let high = if time.low > 0.0 { 1e9 / time.low } else { f64::INFINITY };
        let rate = Interval { value: 1e9 / time.value, low: 1e9 / time.high, high };
        Some(RatePrediction { ip_bytes, packets_per_second: rate })
    }

    /// The limiters first: one rate at every size is what a processor or a line does not have.
    fn decide(&self, points: &[RatePoint]) -> CostKind {
        let Interval { low, high, .. } = self.packet_share;
        let framed = |bytes: u16| f64::from(bytes.saturating_add(LEAST_FRAMING));
        if is_one_rate(points, f64::from) {
            if is_one_rate(points, framed) { CostKind::Unclear } else { CostKind::BitLimiter }
        } else if is_one_rate(points, |_| 1.0) {
            CostKind::PacketLimiter
        } else if self.farthest_off > FARTHEST_OFF {
            CostKind::Unclear
        } else if low >= PREVAILS {
            CostKind::PerPacket
        } else if high <= 1.0 - PREVAILS {
            CostKind::PerByte
        } else if low > 1.0 - PREVAILS && high < PREVAILS {
            CostKind::Mixed
        } else {
            CostKind::Unclear
        }
    }
}

impl RatePrediction {
    /// The IP-layer bit rate of the prediction, bits per second.
    pub fn ip_bits_per_second(&self) -> Interval {
        let bits = f64::from(self.ip_bytes) * 8.0;
        let Interval { value, low, high } = self.packets_per_second;
        Interval { value: value * bits, low: low * bits, high: high * bits }
    }
}

/// The time of the largest packet is measured, so the share is as uncertain as `a` is.
fn share_of_packet(packet_ns: Interval, largest_ns: f64) -> Interval {
    let share = |ns: f64| ns / largest_ns;
    Interval {
        value: share(packet_ns.value),
        low: share(packet_ns.low),
        high: share(packet_ns.high),
    }
}

fn spread(rates: impl Iterator<Item = f64> + Clone) -> f64 {
    let moments: crate::Moments = rates.clone().collect();
    let largest = rates.clone().fold(f64::NEG_INFINITY, f64::max);
    let smallest = rates.fold(f64::INFINITY, f64::min);
    moments.mean().map_or(f64::INFINITY, |mean| (largest - smallest) / mean)
}
