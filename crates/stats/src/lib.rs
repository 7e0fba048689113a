//! Estimators for paths: goodput series, loss and order, jitter, delay percentiles, clocks, packet costs, comparison
//! statistics, and what the figures mean for calls.
//!
//! Everything here is arithmetic on numbers that were measured elsewhere: no clock is read and no packet is touched.
//! What a receiver calls once per packet ([`SequenceLedger`], [`InterarrivalJitter`], [`DelayHistogram`],
//! [`DelayVariation`], [`LeastDelays`], [`LossMap`], [`OrderWatch`], [`DelaySample`]) allocates only when it is made. A figure that the sample cannot give is `None`,
//! never zero.
//!
//! Start with [`Series`] for rates, [`SequenceLedger`] for datagrams, [`ClockRelation`] and [`clock_skew`] for one-way
//! delays, [`packet_cost()`] for what limits a path at different sizes, [`QUALITY_CLASSES`] and [`rate_call`] for calls,
//! [`Summary`] and [`median_interval`] for comparing runs.

mod bisect;
mod clock;
mod clock_step;
mod clock_track;
mod clock_view;
mod compare;
mod delay_histogram;
mod delay_sample;
mod delay_variation;
mod duplication;
mod e_model;
mod jitter;
mod ledger;
mod linear_fit;
mod log_counts;
mod loss_map;
mod loss_runs;
mod mann_whitney;
mod moments;
mod order_watch;
mod packet_cost;
mod percentile;
mod proportion;
mod quality;
mod reorder;
mod series;
mod settle;
mod skew;

pub use clock::{ClockEstimate, ExchangeTimes};
pub use clock_step::{
    DelayShift, HostStep, LARGEST_SLEW, StepWatch, largest_shift, opposite_shifts,
};
pub use clock_track::{
    ClockOffset, ClockRelation, ClockStep, Drift, FREQUENCY_TOLERANCE, OneWayDelay, TimedEstimate,
};
pub use clock_view::{ClockView, STAMP_ERROR_NS};
pub use compare::{MedianInterval, Summary, median_interval, quantile_linear};
pub use delay_histogram::DelayHistogram;
pub use delay_sample::{DelaySample, LevelDelays, MOST_KEPT};
pub use delay_variation::{DelayVariation, PAIRING_WINDOW};
pub use duplication::{Duplication, duplication};
pub use e_model::{CallRating, Codec, UNIMPAIRED_RATING, rate_call};
pub use jitter::{InterarrivalJitter, ScaledInterarrivalJitter};
pub use ledger::{
    Arrival, DUPLICATE_WINDOW, LedgerContradiction, LossCounts, RangeLoss, SequenceLedger,
};
pub use linear_fit::{Interval, LackOfFit, LinearFit, lack_of_fit, linear_fit, student_quantile};
pub use loss_map::{LossMap, LossSummary, MOST_MAPPED, NOTICEABLE_WITHIN};
pub use loss_runs::{BurstGap, GMIN, LossPeriod, LossRuns, bursts_and_gaps, loss_runs};
pub use mann_whitney::{EXACT_LIMIT, MannWhitney, mann_whitney};
pub use moments::Moments;
pub use order_watch::{MOST_N, OrderWatch};
pub use packet_cost::{
    CostKind, FARTHEST_OFF, LEAST_FRAMING, LOOSEST, PREVAILS, PacketCost, RatePoint,
    RatePrediction, packet_cost,
};
pub use percentile::{Percentiles, median, percentile};
pub use proportion::proportion_interval;
pub use quality::{
    CallFigures, ClassOutcome, GOOD_DELAY_MS, Kept, LONGEST_DELAY_MS, QUALITY_CLASSES,
    QualityClass, delay_within,
};
pub use reorder::{ArrivedPacket, FreeRuns, OrderAnalysis, ReorderedPacket, analyse_order};
pub use series::{Plateau, RateSpread, Series};
pub use settle::{EDGE_BAND, EDGE_MS, STEADY_BAND, STEADY_MS, settle_auto};
pub use skew::{ClockSkew, LeastDelays, SkewConfidence, TimedDelay, clock_skew};
