//! What a capacity search found.

use culvert_units::{BitRate, Fraction};
use serde::{Deserialize, Serialize};

use super::CapacityParameters;

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

/// One sub-interval of length dt: C(T, dt, PM) of RFC 9097 5.3 with its own loss and delay.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct SubInterval {
    /// When it began, nanoseconds after the first datagram by the receiver's clock.
    pub from_ns: u64,
    /// How long it was, nanoseconds.
    pub length_ns: u64,
    /// IP-layer bits that arrived over its length.
    pub rate_bps: BitRate,
    /// First copies that arrived.
    pub received: u64,
    /// Datagrams that went missing.
    pub lost: u64,
    /// Lost of lost and received; `None` when there was neither.
    pub loss_ratio: Option<Fraction>,
    /// The least delay in it above the least of the whole test, microseconds; `None` when nothing arrived.
    pub least_delay_us: Option<u64>,
    /// The longest likewise.
    pub longest_delay_us: Option<u64>,
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
    /// What the receiver's own sub-intervals leave of a search whose end was not heard of: nothing of it is verified.
    pub fn unheard(sub_intervals: Vec<SubInterval>, parameters: &CapacityParameters) -> Self {
        Self {
            end: CapacityEnd::PeerSilent,
            maximum: highest_within(&sub_intervals, parameters.search_loss_at_most),
            sub_intervals,
            verifications: Vec::new(),
            congestion_seen: false,
            held: None,
            sent_bytes: 0,
        }
    }

    /// Whether it agrees with itself and with what was asked: what it says may come from a peer.
    pub fn is_consistent(&self, parameters: &CapacityParameters) -> bool {
        let told = self.verifications.iter().map(|one| one.sub_intervals.len()).sum::<usize>();
        let of_search = highest_within(&self.sub_intervals, parameters.search_loss_at_most);
        self.sub_intervals.len().saturating_add(told) <= parameters.most_sub_intervals()
            && self.verifications.len() <= parameters.verify_attempts
            && self.maximum == of_search
            && parameters.byte_budget.is_none_or(|budget| self.sent_bytes <= budget.get())
    }

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

impl SubInterval {
    /// Whether its loss is at most this share; one in which nothing was seen is not.
    pub fn loses_at_most(&self, share: f64) -> bool {
        self.loss_ratio.is_some_and(|ratio| ratio.get() <= share)
    }
}

/// The sub-interval with the highest rate of those that lose at most this share: `Maximum_C` of RFC 9097 6.3.
pub fn highest_within(sub_intervals: &[SubInterval], loss_at_most: f64) -> Option<SubInterval> {
    let within = sub_intervals.iter().filter(|one| one.loses_at_most(loss_at_most));
    within.max_by_key(|one| one.rate_bps).copied()
}
