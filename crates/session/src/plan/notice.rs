//! What a plan's author should know before it runs, although it can run.

use std::{fmt, net::IpAddr, time::Duration};

use culvert_pathmodel::Family;
use culvert_units::{Bytes, Mtu, format_duration};

use super::{Place, Plan, PlannedLoad, PlannedPath};

/// Something that a checked plan is still doubtful for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlanNotice {
    /// Datagrams will not cross the path whole.
    PayloadAboveMtu {
        /// The path.
        path: String,
        /// The payload of each datagram, bytes.
        payload: u16,
        /// The IP packet around it, bytes.
        packet: u32,
        /// The path's MTU.
        mtu: Mtu,
    },
    /// The byte budget ends the survey before its time.
    VolumeAboveBudget {
        /// What the whole survey moves at most.
        expected: Bytes,
        /// The budget.
        at_most: Bytes,
    },
    /// The time budget ends the survey before its time.
    TimeAboveBudget {
        /// What all sessions take at least.
        least: Duration,
        /// The budget.
        budget: Duration,
    },
    /// There is nothing to compare.
    NoInsidePath,
}

impl fmt::Display for PlanNotice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PayloadAboveMtu { path, payload, packet, mtu } => write!(
                f,
                "datagrams with {payload} bytes of payload make packets of {packet} bytes, the path '{path}' has an \
                 MTU of {mtu}: they are cut or refused there"
            ),
            Self::VolumeAboveBudget { expected, at_most } => write!(
                f,
                "the survey moves up to {expected}, its budget is {at_most}: it may stop before its end"
            ),
            Self::TimeAboveBudget { least, budget } => write!(
                f,
                "the sessions take {} or more, the time budget is {}: the survey needs several calls",
                format_duration(*least),
                format_duration(*budget)
            ),
            Self::NoInsidePath => {
                f.write_str("the plan has no inside path: there will be nothing to compare")
            }
        }
    }
}

impl Plan {
    /// What is doubtful about the plan.
    pub fn notices(&self) -> Vec<PlanNotice> {
        let mut notices = Vec::new();
        if !self.paths().iter().any(|path| path.place() == Place::Inside) {
            notices.push(PlanNotice::NoInsidePath);
        }
        let payloads = self.sessions().iter().filter_map(|session| match session.load() {
            PlannedLoad::Paced { payload, .. } => Some(*payload),
            PlannedLoad::Bulk { .. } => None,
        });
        for payload in payloads {
            notices.extend(self.paths().iter().filter_map(|path| above_mtu(path, payload)));
        }
        notices.dedup();
        if let (Some(expected), Some(at_most)) = (self.expected_volume(), self.at_most()) {
            let above = expected > at_most;
            notices.extend(above.then_some(PlanNotice::VolumeAboveBudget { expected, at_most }));
        }
        if let Some(budget) = self.time_budget() {
            let least = self.least_duration();
            notices
                .extend((least > budget).then_some(PlanNotice::TimeAboveBudget { least, budget }));
        }
        notices
    }
}

/// Without a known family the smaller header counts, so that nothing is claimed that may not be so.
fn above_mtu(path: &PlannedPath, payload: u16) -> Option<PlanNotice> {
    let typed = path.target().address().map(|address| match address {
        IpAddr::V4(_) => Family::Ipv4,
        IpAddr::V6(_) => Family::Ipv6,
    });
    let family = path.family().or(typed).unwrap_or(Family::Ipv4);
    let packet = u32::from(payload) + UDP_HEADER + family.header_length();
    let mtu = path.mtu().filter(|mtu| u32::from(mtu.get()) < packet)?;
    Some(PlanNotice::PayloadAboveMtu { path: path.name().to_owned(), payload, packet, mtu })
}

/// RFC 768.
const UDP_HEADER: u32 = 8;
