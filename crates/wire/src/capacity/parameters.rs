//! Every parameter of a capacity search in one place, for the record.

use std::time::Duration;

use culvert_units::{BitRate, Bytes};
use serde::{Deserialize, Serialize};

/// How the offered rate rises until the path first shows that it is full.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Ramp {
    /// RFC 9097 8.1: ten rows of the table at a time, up to 1 Gbit/s.
    TenRows,
    /// Our own, faster where the path allows: twice the rate as soon as the rate before has arrived; at the first sign of a
    /// queue or a loss the rate that was delivered. From there on RFC 9097 8.1 with congestion confirmed.
    Doubling,
}

/// The parameters of RFC 9097 Table 1 by their defaults, and our own below.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default)]
pub struct CapacityParameters {
    /// I: how long the search lasts at most, milliseconds.
    pub search_ms: u64,
    /// dt: the length of a sub-interval, milliseconds.
    pub sub_interval_ms: u64,
    /// FT: the time between two status reports of the receiver, milliseconds.
    pub feedback_ms: u64,
    /// The search ends when no report arrives for so long, milliseconds.
    pub feedback_timeout_ms: u64,
    /// w: how many further report times are waited for at first; one for each FT of the round trip.
    pub lost_status_extra: u64,
    /// A delay range below this lets the rate rise, microseconds.
    pub low_delay_us: u64,
    /// A delay range above this lets the rate fall, microseconds.
    pub high_delay_us: u64,
    /// More sequence errors than this in one report let the rate fall.
    pub sequence_errors: u64,
    /// So many bad reports in a row confirm congestion.
    pub bad_reports: u32,
    /// Rows up at a time before congestion is confirmed.
    pub fast_rows: u32,
    /// Rows down, once, when congestion is confirmed.
    pub back_rows: u32,
    /// From this rate on, one row at a time. (The RFC's pseudo-code compares a row's number with it.)
    pub fast_below_bps: BitRate,
    /// The whole IP packet of a datagram, bytes: the RFC tested up to 1222 bytes of payload, 1250 over IPv4.
    pub ip_bytes: u16,
    /// How the rate rises at first.
    pub ramp: Ramp,
    /// The search ends early when so many sub-intervals in a row agree within 1 % after congestion; `None` never does.
    pub steady_sub_intervals: Option<usize>,
    /// Loss above this share disqualifies a sub-interval of the search (the RFC leaves the criterion to the user).
    pub search_loss_at_most: f64,
    /// Loss above this share fails the verification (ITU-T Y.1541's 10⁻³ by RFC 5976 2.1).
    pub verified_loss_at_most: f64,
    /// A least delay that rises by more than this over the verification fails it, microseconds.
    pub rising_delay_us: u64,
    /// The share of the maximum at which it is verified (RFC 9097 8.2: 99.x percent).
    pub verify_share: f64,
    /// How long the verification lasts, milliseconds; 0 leaves it out.
    pub verify_ms: u64,
    /// How often it may be tried, each time at less.
    pub verify_attempts: usize,
    /// Before a verification nothing is sent while the queue drains, for at most so long; shorter than the receiver's
    /// patience, milliseconds.
    pub rest_ms: u64,
    /// The offered rate never exceeds this, IP-layer bits per second.
    pub rate_cap_bps: Option<BitRate>,
    /// Never more than this is sent in all, bytes of IP packets.
    pub byte_budget: Option<Bytes>,
}

impl Default for CapacityParameters {
    fn default() -> Self {
        Self {
            search_ms: 10_000,
            sub_interval_ms: 1_000,
            feedback_ms: 50,
            feedback_timeout_ms: 1_000,
            lost_status_extra: 0,
            low_delay_us: 30_000,
            high_delay_us: 90_000,
            sequence_errors: 10,
            bad_reports: 3,
            fast_rows: 10,
            back_rows: 30,
            fast_below_bps: BitRate::from_megabits(1000),
            ip_bytes: 1250,
            ramp: Ramp::TenRows,
            steady_sub_intervals: None,
            search_loss_at_most: 0.05,
            verified_loss_at_most: 1e-3,
            rising_delay_us: 5_000,
            verify_share: 0.995,
            verify_ms: 10_000,
            verify_attempts: 4,
            rest_ms: 500,
            rate_cap_bps: None,
            byte_budget: None,
        }
    }
}

impl CapacityParameters {
    /// Our own faster search: doubling, an end as soon as three sub-intervals agree, a verification of 3 s.
    pub fn faster() -> Self {
        Self {
            ramp: Ramp::Doubling,
            steady_sub_intervals: Some(3),
            verify_ms: 3_000,
            ..Self::default()
        }
    }

    /// The most that can be sent, to be said beforehand; `None` without a cap and a budget.
    pub fn most_bytes(&self) -> Option<Bytes> {
        let sending = Duration::from_millis(self.longest_sending_ms());
        let by_rate = self.rate_cap_bps.map(|cap| cap.carried_in(sending));
        by_rate.into_iter().chain(self.byte_budget).min()
    }

    /// How long it can take in all, milliseconds: with every verification, each after a whole rest.
    pub fn longest_ms(&self) -> u64 {
        let rests = self.rest_ms.saturating_mul(self.verify_attempts as u64);
        self.longest_sending_ms().saturating_add(rests)
    }

    /// How many sub-intervals it can have in all.
    pub fn most_sub_intervals(&self) -> usize {
        let verifying = self.sub_intervals_in(self.verify_ms).saturating_mul(self.verify_attempts);
        self.sub_intervals_in(self.search_ms).saturating_add(verifying)
    }

    fn longest_sending_ms(&self) -> u64 {
        let verifying = self.verify_ms.saturating_mul(self.verify_attempts as u64);
        let grace = self
            .feedback_timeout_ms
            .saturating_mul((self.verify_attempts as u64).saturating_add(1));
        self.search_ms.saturating_add(verifying).saturating_add(grace)
    }

    /// How many sub-intervals a phase of `length_ms` has; at least one.
    pub fn sub_intervals_in(&self, length_ms: u64) -> usize {
        let whole = length_ms.checked_div(self.sub_interval_ms).unwrap_or(1).max(1);
        usize::try_from(whole).unwrap_or(usize::MAX)
    }
}
