//! What a sweep found: the rate at each packet size, the cost of a packet and of a byte, and what limits the path.

mod text;

use culvert_pathmodel::Family;
use culvert_record::{Finding, Way};
use culvert_session::sweep::{SizeFigure, SweepOutcome};
use culvert_stats::{CostKind, Interval, PacketCost};
use serde::Serialize;

/// The name and version of the document.
pub const SWEEP_SCHEMA: &str = "culvert/sweep/1";

/// A sweep with its result: one document. Rates are of whole IP packets unless it is said otherwise; intervals are those
/// of 95 %, and a bound that is not finite is `null`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SweepReport {
    schema: &'static str,
    /// When it began (RFC 3339).
    started_at: String,
    /// What was asked.
    asked: SweepAsked,
    /// Whether every size was tried to its end, or the budget allowed no more. A result that is not complete holds what
    /// was known when it was broken off.
    complete: bool,
    /// Why it was broken off; `null` when it was not.
    broken_off: Option<String>,
    /// Each size, ascending.
    sizes: Vec<SizeRow>,
    /// What a packet and a byte cost; `null` when the path held fewer than three sizes.
    cost: Option<Cost>,
    /// What a size that was no part of the fit should carry, and what it did.
    prediction: Option<Prediction>,
    /// Bytes of IP packets that were sent.
    sent_bytes: u64,
    /// Every trial in the order they were made.
    trials: Vec<SweepTrial>,
    /// What weakens the result.
    caveats: Vec<SweepCaveat>,
}

/// What a sweep was asked for, as resolved.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SweepAsked {
    /// Who was dialled.
    pub target: String,
    /// The family of the packets.
    pub family: Family,
    /// Which end received.
    pub toward: Way,
    /// No packet was larger, bytes.
    pub mtu_bytes: u16,
    /// Length of a trial, milliseconds.
    pub trial_ms: u64,
    /// A size is settled when what passed and what failed differ by at most this share.
    pub resolution: f64,
    /// More loss than this share fails a trial.
    pub loss_at_most: f64,
    /// No trial offered more, bit/s; `null` without a cap.
    pub rate_cap_bps: Option<u64>,
    /// No more than this was to be sent, bytes of IP packets.
    pub at_most_bytes: Option<u64>,
    /// Bytes of IP and UDP headers in each packet.
    pub header_bytes: u16,
}

/// One trial.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SweepTrial {
    /// The run's identification.
    pub id: String,
    /// The whole IP packet, bytes.
    pub ip_bytes: u16,
    /// Packets per second asked.
    pub packets_per_second: f64,
    /// Packets sent.
    pub sent: u64,
    /// Packets that reached the receiving host.
    pub reached: u64,
    /// Those of them that its own socket dropped; `null` when it cannot tell.
    pub host_dropped: Option<u64>,
    /// Packets per second that arrived, by the receiver's clock; `null` when too few did.
    pub arrived_per_second: Option<f64>,
    /// By how much the delay grew meanwhile, microseconds; `null` when it was not measured.
    pub delay_rise_us: Option<i64>,
    /// Whether a host had its part in what was lost or waited.
    pub disturbed: bool,
}

/// Something that weakens the result, and in how many trials it was seen.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SweepCaveat {
    /// In how many.
    pub trials: u64,
    /// As the last of them said it.
    #[serde(flatten)]
    pub finding: Finding,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct SizeRow {
    #[serde(flatten)]
    figure: SizeFigure,
    /// The rate that passed, bit/s of IP packets.
    ip_bps: Option<f64>,
    /// The same of UDP payload.
    payload_bps: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Cost {
    /// What limits the path.
    limited_by: CostKind,
    /// a: nanoseconds a packet.
    packet_ns: Interval,
    /// b: nanoseconds a byte of IP packet.
    byte_ns: Interval,
    /// a / b.
    packet_as_bytes: Option<f64>,
    /// The share of a in the time of the largest packet.
    packet_share: Interval,
    bit_rate_spread: f64,
    packet_rate_spread: f64,
    /// The largest distance of a size from the line, as a share of its time.
    farthest_off: f64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
struct Prediction {
    ip_bytes: u16,
    /// What the line says, with the interval in which a measurement lies.
    packets_per_second: Interval,
    /// The goodput of that: UDP payload, bit/s.
    goodput_bps: Interval,
    measured: SizeRow,
    /// Whether the measurement lies in the interval; `null` when the path did not hold it.
    holds: Option<bool>,
}

impl SweepReport {
    /// The report of a sweep; `broken_off` says why it ended before its time.
    pub fn new(
        started_at: String,
        asked: SweepAsked,
        outcome: &SweepOutcome,
        trials: Vec<SweepTrial>,
        caveats: Vec<SweepCaveat>,
        broken_off: Option<String>,
    ) -> Self {
        let row = |figure: &SizeFigure| SizeRow::of(*figure, asked.header_bytes);
        let prediction = outcome.check.as_ref().map(|check| {
            let rate = check.predicted.packets_per_second;
            let bits = f64::from(check.predicted.ip_bytes.saturating_sub(asked.header_bytes)) * 8.0;
            let goodput_bps =
                Interval { value: rate.value * bits, low: rate.low * bits, high: rate.high * bits };
            Prediction {
                ip_bytes: check.predicted.ip_bytes,
                packets_per_second: rate,
                goodput_bps,
                measured: row(&check.measured),
                holds: check.holds,
            }
        });
        Self {
            schema: SWEEP_SCHEMA,
            started_at,
            complete: broken_off.is_none(),
            broken_off,
            sizes: outcome.sizes.iter().map(row).collect(),
            cost: outcome.cost.as_ref().map(Cost::of),
            prediction,
            sent_bytes: outcome.sent_bytes,
            trials,
            caveats,
            asked,
        }
    }
}

impl SizeRow {
    fn of(figure: SizeFigure, header_bytes: u16) -> Self {
        let bits = |bytes: u16| figure.packets_per_second.map(|rate| rate * f64::from(bytes) * 8.0);
        Self {
            ip_bps: bits(figure.ip_bytes),
            payload_bps: bits(figure.ip_bytes.saturating_sub(header_bytes)),
            figure,
        }
    }
}

impl Cost {
    const fn of(cost: &PacketCost) -> Self {
        Self {
            limited_by: cost.kind,
            packet_ns: cost.packet_ns,
            byte_ns: cost.byte_ns,
            packet_as_bytes: cost.packet_as_bytes,
            packet_share: cost.packet_share,
            bit_rate_spread: cost.bit_rate_spread,
            packet_rate_spread: cost.packet_rate_spread,
            farthest_off: cost.farthest_off,
        }
    }
}
