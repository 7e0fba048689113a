//! The document of one capacity search: what was asked, what was found, what weakens it.

use culvert_pathmodel::Family;
use culvert_stats::Percentiles;
use culvert_units::{BitRate, Bytes};
use culvert_wire::capacity::{CapacityEnd, CapacityParameters, Held, SubInterval, Verification};
use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::finding::{read, store};
use crate::{Ends, Finding, PathTaken, Way, describe_caveat, describe_void};

/// The shape of a capacity record, and its version.
pub const CAPACITY_SCHEMA: &str = "culvert-capacity/1";

/// One search for an IP-layer capacity by the method of RFC 9097. Rates count IP packets, headers included (5.3).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CapacityRecord {
    /// [`CAPACITY_SCHEMA`].
    pub schema: String,
    /// Identifies the search.
    pub id: String,
    /// When it was asked for.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started_at: Timestamp,
    /// The listener, as typed.
    pub target: String,
    /// The path, as far as it was named.
    pub path: PathTaken,
    /// The family of its packets.
    pub family: Option<Family>,
    /// The way that was searched.
    pub toward: Way,
    /// Which of our two sets of parameters it began with.
    pub method: CapacityMethod,
    /// Every parameter as resolved: Table 1 of RFC 9097, and our own.
    pub parameters: CapacityParameters,
    /// What makes the result worthless or a part only; `null` for a whole one.
    pub void: Option<Finding>,
    /// What weakens it.
    pub caveats: Vec<Finding>,
    /// The two ends.
    pub ends: Ends,
    /// Why the search ended; `null` when its end was not heard of.
    pub end: Option<CapacityEnd>,
    /// `Maximum_C(T, I, PM)` of RFC 9097 6.3: the sub-interval with the highest rate within the loss bound.
    pub maximum: Option<SubInterval>,
    /// Every sub-interval of the search, `C(T, dt, PM)` of RFC 9097 5.3. In a result that is a part only they may be those
    /// of verifications as well.
    pub sub_intervals: Vec<SubInterval>,
    /// The verifications at a fixed rate (RFC 9097 8.2).
    pub verifications: Vec<Verification>,
    /// The capacity that stood a verification, which the RFC does not define: a burst that a limiter lets through may make
    /// the maximum more.
    pub sustained_bps: Option<BitRate>,
    /// Whether loss or delay ever told of a full path.
    pub congestion_seen: Option<bool>,
    /// What held the rate other than the path.
    pub held: Option<Held>,
    /// Datagrams that were sent.
    pub sent: Option<u64>,
    /// First copies that arrived.
    pub received: Option<u64>,
    /// Datagrams that arrived at the receiving host and were dropped by its socket.
    pub host_dropped: Option<u64>,
    /// IP packets that were sent, bytes.
    pub ip_bytes_sent: Option<Bytes>,
    /// Round trips before data flowed.
    pub rtt_baseline_us: Option<Percentiles>,
    /// Round trips while it flowed: the round-trip delay of RFC 9097 7, over the whole search.
    pub rtt_transfer_us: Option<Percentiles>,
}

/// A set of parameters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum CapacityMethod {
    /// Those of RFC 9097.
    Rfc9097,
    /// Our own faster ones.
    Faster,
}

/// What weakens a capacity.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "code", content = "values", rename_all = "snake_case")]
pub enum CapacityCaveat {
    /// No verification was stood.
    NotVerified {
        /// How many were tried.
        tried: usize,
    },
    /// The path never told that it was full.
    NeverFull {},
    /// The rate was held by what was asked for or allowed.
    HeldByCeiling {
        /// The highest rate allowed; `None` for the last row of the table.
        ceiling_bps: Option<u64>,
    },
    /// The rate was held by the transmitting host.
    HeldByTransmitter {},
    /// The byte budget was spent before the search had taken its course.
    BudgetSpent {
        /// The budget.
        at_most_bytes: u64,
    },
    /// More arrived in the best sub-interval than the path keeps up.
    Burst {
        /// The maximum.
        maximum_bps: u64,
        /// What was sustained.
        sustained_bps: u64,
    },
    /// The rows of RFC 9097's table are coarse at this rate.
    CoarseRows {
        /// The rate.
        rate_bps: u64,
    },
    /// Losses came without a queue: they may be random, and then the search stays below the truth.
    LossWithoutQueue {
        /// The longest delay above the least, microseconds.
        longest_delay_us: u64,
    },
}

/// What makes a capacity a part only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "code", content = "values", rename_all = "snake_case")]
pub enum CapacityVoid {
    /// The receiver's reports stopped.
    ReportsStopped {
        /// Whole sub-intervals until then.
        sub_intervals: usize,
    },
    /// No sub-interval could be counted.
    NothingCounted {},
    /// The peer's account contradicts itself, or what was asked.
    Contradiction {},
}

/// What weakens a capacity, in words.
pub fn describe_capacity_caveat(finding: &Finding) -> String {
    read::<CapacityCaveat>(finding)
        .map_or_else(|| describe_caveat(finding), |caveat| sentence(&caveat))
}

/// What makes a capacity worthless or a part only, in words.
pub fn describe_capacity_void(finding: &Finding) -> String {
    match read(finding) {
        Some(CapacityVoid::ReportsStopped { sub_intervals }) => format!(
            "the receiver's reports stopped after {sub_intervals} whole sub-intervals: the path or the peer went away, \
             and what was counted until then is no maximum"
        ),
        Some(CapacityVoid::NothingCounted {}) => {
            "not one whole sub-interval could be counted within the bounds".to_owned()
        }
        Some(CapacityVoid::Contradiction {}) => {
            "the listener's account contradicts itself or what was asked".to_owned()
        }
        None => describe_void(finding),
    }
}

impl CapacityCaveat {
    /// As it is stored.
    pub fn to_finding(&self) -> Finding {
        store(self)
    }
}

impl CapacityVoid {
    /// As it is stored.
    pub fn to_finding(&self) -> Finding {
        store(self)
    }
}

fn sentence(caveat: &CapacityCaveat) -> String {
    let rate = |bps: u64| BitRate::from_bits_per_second(bps).to_string();
    match caveat {
        CapacityCaveat::NotVerified { tried: 0 } => {
            "the maximum was not verified: it may be a burst that the path does not keep up"
                .to_owned()
        }
        CapacityCaveat::NotVerified { tried } => format!(
            "none of {tried} verifications was stood: the path lost too much, or its delay rose, at every steady rate \
             that was tried"
        ),
        CapacityCaveat::NeverFull {} => {
            "neither loss nor delay told of a full path: the maximum is probably too low \
                                         (RFC 9097 section 6.5)"
                .to_owned()
        }
        CapacityCaveat::HeldByCeiling { ceiling_bps } => format!(
            "the ceiling of {} held the rate: the path may carry more",
            ceiling_bps.map_or_else(|| "the rate table".to_owned(), rate)
        ),
        CapacityCaveat::HeldByTransmitter {} => {
            "the transmitting host sent less than it was told to: the path may carry more"
                .to_owned()
        }
        CapacityCaveat::BudgetSpent { at_most_bytes } => format!(
            "the budget of {} was spent before the search had taken its course",
            Bytes::new(*at_most_bytes)
        ),
        CapacityCaveat::Burst { maximum_bps, sustained_bps } => format!(
            "in its best sub-interval {} arrived, and {} could be kept up: a limiter that lets a burst through, or a \
             queue that emptied",
            rate(*maximum_bps),
            rate(*sustained_bps)
        ),
        CapacityCaveat::CoarseRows { rate_bps } => format!(
            "the RFC's rates are 1 Mbit/s apart, much at {}; --method faster takes hundredths of the rate",
            rate(*rate_bps)
        ),
        CapacityCaveat::LossWithoutQueue { longest_delay_us } => format!(
            "datagrams were lost while the delay rose by {:.1} ms at most: a limiter does so, and so does random loss, \
             which this method takes for a full path and stays below the truth (RFC 9097 section 8.1)",
            *longest_delay_us as f64 / 1e3
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Caveat;

    #[test]
    fn findings_read_back_and_foreign_ones_are_described() {
        let caveat = CapacityCaveat::NotVerified { tried: 4 };
        assert_eq!(read(&caveat.to_finding()), Some(caveat.clone()));
        assert!(describe_capacity_caveat(&caveat.to_finding()).contains("none of 4"));
        let foreign = Caveat::PortChanged { times: 1 }.to_finding();
        assert_eq!(describe_capacity_caveat(&foreign), describe_caveat(&foreign));
        let void = CapacityVoid::NothingCounted {};
        assert_eq!(read(&void.to_finding()), Some(void));
    }
}
