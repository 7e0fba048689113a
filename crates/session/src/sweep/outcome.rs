//! What a sweep found.

use culvert_stats::{Interval, PacketCost, RatePoint, RatePrediction, packet_cost};
use serde::{Deserialize, Serialize};

/// What kept the rate at one size from being higher.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum SizeHeld {
    /// The path: the next higher rate failed. Only such figures describe it.
    Path,
    /// The cap that was asked for: the path carries at least this.
    RateCap,
    /// The transmitter could send no more: the path carries at least this.
    Transmitter,
    /// A rate failed that is not above one that passed: the path has changed, or loses by chance.
    Inconsistent,
    /// The trials of this size were used up before the rate was enclosed.
    Trials,
    /// The byte budget.
    Budget,
    /// The sweep is not over.
    Pending,
}

/// The figure of one size.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct SizeFigure {
    /// The whole IP packet in bytes.
    pub ip_bytes: u16,
    /// The highest rate that passed, packets per second; `None` when none did.
    pub packets_per_second: Option<f64>,
    /// The lowest rate that failed, packets per second; `None` when none did.
    pub failed_at: Option<f64>,
    /// Trials made.
    pub trials: u32,
    /// What held it.
    pub held: SizeHeld,
}

/// The prediction at a size that was no part of the fit, and what was measured there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PredictionCheck {
    /// What the line says, with the 95 % interval of a further measurement.
    pub predicted: RatePrediction,
    /// What was measured.
    pub measured: SizeFigure,
    /// Whether what passed and what failed enclose a rate of the interval; `None` when the path did not hold it.
    pub holds: Option<bool>,
}

/// The result of a sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepOutcome {
    /// Every size, ascending.
    pub sizes: Vec<SizeFigure>,
    /// The cost of a packet and of a byte; `None` when the path held fewer than three sizes.
    pub cost: Option<PacketCost>,
    /// The check of one prediction, when one was asked for and could be made.
    pub check: Option<PredictionCheck>,
    /// Trials made.
    pub trials: usize,
    /// Bytes of IP packets that were sent.
    pub sent_bytes: u64,
}

impl SweepOutcome {
    pub(super) fn of(
        mut sizes: Vec<SizeFigure>,
        check: Option<SizeFigure>,
        trials: usize,
        sent_bytes: u64,
        loss_at_most: f64,
    ) -> Self {
        sizes.sort_unstable_by_key(|figure| figure.ip_bytes);
        let points: Vec<RatePoint> =
            sizes.iter().filter_map(|figure| figure.point(loss_at_most)).collect();
        let cost = packet_cost(&points);
        let check = check.zip(cost.as_ref()).and_then(|(measured, cost)| {
            let predicted = cost.predict(measured.ip_bytes, 0.95)?;
            let Interval { low, high, .. } = predicted.packets_per_second;
            let enclosed = measured.packets_per_second.zip(measured.failed_at);
            let enclosed = enclosed.filter(|_| measured.held == SizeHeld::Path);
            let holds = enclosed.map(|(passed, failed)| passed <= high && failed >= low);
            Some(PredictionCheck { predicted, measured, holds })
        });
        Self { sizes, cost, check, trials, sent_bytes }
    }
}

impl SizeFigure {
    /// The point it gives to the fit; `None` when it was not the path that held it.
    ///
    /// The truth lies between what passed, less the loss that a trial may have, and what failed.
    pub fn point(&self, loss_at_most: f64) -> Option<RatePoint> {
        let (passed, failed) = self.packets_per_second.zip(self.failed_at)?;
        (self.held == SizeHeld::Path).then_some(RatePoint {
            ip_bytes: self.ip_bytes,
            low: passed * (1.0 - loss_at_most),
            high: failed,
        })
    }
}
