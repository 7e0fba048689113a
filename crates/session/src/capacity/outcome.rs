//! What a capacity search found.

use culvert_units::{BitRate, Fraction};
use serde::{Deserialize, Serialize};

use super::sub_interval::SubInterval;

/// Why a search ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum CapacityEnd {
    /// It ran to its end.
    Complete,
    /// The byte budget was spent; what was found until then stands.
    Budget,
    /// The receiver's reports stopped; what was found until then stands.
    PeerSilent,
    /// It was stopped from outside.
    Stopped,
}

/// What kept the offered rate from rising further, other than the path.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Held {
    /// The rate cap that was asked for, or the last row of the table.
    RateCap,
    /// The transmitter sent less than it was told to.
    Transmitter,
}

/// One verification at a fixed rate (RFC 9097 8.2).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Verification {
    /// The rate that was offered, IP-layer bits per second.
    pub offered_bps: BitRate,
    /// The rate it was made a share of; `None` for a further attempt at less.
    pub of_bps: Option<BitRate>,
    /// Its sub-intervals.
    pub sub_intervals: Vec<SubInterval>,
    /// Lost of all that was seen of it; `None` when nothing was.
    pub loss_ratio: Option<Fraction>,
    /// The least delay of its last sub-interval over that of its first, microseconds; `None` when one is missing.
    pub delay_rise_us: Option<i64>,
    /// Whether neither loss nor a rising least delay spoke against the rate, and all sub-intervals were there.
    pub passed: bool,
}

/// The result of a search.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct CapacityOutcome {
    /// Why it ended.
    pub end: CapacityEnd,
    /// `Maximum_C(T, I, PM)` of RFC 9097 6.3: the sub-interval of the search with the highest rate within the loss bound;
    /// `None` when none was.
    pub maximum: Option<SubInterval>,
    /// Every sub-interval of the search.
    pub sub_intervals: Vec<SubInterval>,
    /// The verifications in the order they were made; only the last can have passed.
    pub verifications: Vec<Verification>,
    /// Whether loss or delay ever told of a full path. Without, the maximum is probably too low (RFC 9097 6.5).
    pub congestion_seen: bool,
    /// What else held the rate.
    pub held: Option<Held>,
    /// Bytes of IP packets that were sent.
    pub sent_bytes: u64,
}

impl CapacityOutcome {
    /// The verification that passed.
    pub fn verified(&self) -> Option<&Verification> {
        self.verifications.last().filter(|verification| verification.passed)
    }

    /// The capacity that stood the verification; `None` when none was stood.
    ///
    /// It is the search's maximum when the verified rate was the share of it that is asked for, else the highest rate of
    /// the verification, which lies below the truth by no more than that share leaves.
    pub fn sustained(&self) -> Option<BitRate> {
        let verified = self.verified()?;
        let highest = verified.sub_intervals.iter().map(|one| one.rate_bps).max()?;
        let maximum = self.maximum.map(|maximum| maximum.rate_bps);
        Some(maximum.filter(|_| verified.of_bps == maximum).unwrap_or(highest))
    }
}

impl Verification {
    pub(super) fn of(
        (offered_bps, of_bps): (BitRate, Option<BitRate>),
        sub_intervals: &[SubInterval],
        wanted: usize,
        (loss_at_most, rise_at_most): (f64, u64),
    ) -> Self {
        let lost: f64 = sub_intervals.iter().map(|one| one.lost as f64).sum();
        let received: f64 = sub_intervals.iter().map(|one| one.received as f64).sum();
        let loss_ratio = Fraction::of(lost, lost + received);
        let least = |one: Option<&SubInterval>| i64::try_from(one?.least_delay_us?).ok();
        let first_and_last = least(sub_intervals.first()).zip(least(sub_intervals.last()));
        let delay_rise_us = first_and_last.map(|(first, last)| last.saturating_sub(first));
        let steady =
            delay_rise_us.is_some_and(|rise| u64::try_from(rise).unwrap_or(0) <= rise_at_most);
        let whole = loss_ratio.is_some_and(|ratio| ratio.get() <= loss_at_most);
        Self {
            offered_bps,
            of_bps,
            sub_intervals: sub_intervals.to_vec(),
            loss_ratio,
            delay_rise_us,
            passed: steady && whole && sub_intervals.len() >= wanted,
        }
    }
}
