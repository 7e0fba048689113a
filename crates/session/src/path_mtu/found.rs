//! What a search knows about sizes, and what it says in the end.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

/// How a search ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum PathMtuVerdict {
    /// The largest size passes and one byte more fails, each confirmed.
    Exact,
    /// The interface's own MTU passes: nothing on the path is smaller.
    AtCeiling,
    /// Time or probes ran out; the largest that passed and the smallest that failed enclose the truth.
    Unfinished,
    /// Sizes that passed stopped passing, again and again.
    Unstable,
    /// No probe of any size was acknowledged.
    Silent,
}

/// What becomes of packets larger than the largest that passes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Above {
    /// They disappear and nothing says so: a black hole for who relies on messages.
    Vanish,
    /// A router answers that they are too big.
    Answered {
        /// The size it says it takes, as last heard.
        mtu: u16,
    },
    /// This host does not send them at all.
    RefusedHere,
    /// None was tried, or nothing was found out.
    Unknown,
}

/// The result of one direction.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct PathMtuOutcome {
    /// How the search ended.
    pub verdict: PathMtuVerdict,
    /// The largest IP packet that was acknowledged, in bytes; `None` when none was.
    pub largest_passing: Option<u16>,
    /// The smallest that failed, in bytes; `None` when none did.
    pub smallest_failing: Option<u16>,
    /// What becomes of larger packets.
    pub above: Above,
    /// Probes sent.
    pub probes: u64,
    /// Acknowledgments that arrived.
    pub acknowledged: u64,
    /// Probes that were not acknowledged in time.
    pub lost: u64,
    /// Sizes that had counted as failing and passed after all: chance losses.
    pub contradictions: u32,
    /// "Too big" messages that could not be true: below what the family allows, or not below the probe.
    pub hints_rejected: u32,
    /// How often a size that had passed stopped passing and the search began again.
    pub restarts: u32,
    /// How long it took, nanoseconds.
    pub elapsed_ns: u64,
}

#[derive(Debug, Clone, Default)]
pub(super) struct Found {
    passing: Option<u16>,
    failing: BTreeSet<u16>,
    confirmed_failing: Option<u16>,
    confirmed_passing: Option<u16>,
    passing_doubted: bool,
    /// The probe that was answered last, and the size the router takes.
    answer: Option<(u16, u16)>,
    refused: BTreeSet<u16>,
    contradictions: u32,
    pub(super) acknowledged: u64,
    pub(super) lost: u64,
    pub(super) hints_rejected: u32,
    pub(super) restarts: u32,
}

impl Found {
    pub(super) fn passed(&mut self, size: u16) {
        self.acknowledged += 1;
        self.passing = Some(self.passing.map_or(size, |passing| passing.max(size)));
        let above = self.failing.split_off(&size.saturating_add(1));
        self.contradictions += u32::try_from(self.failing.len()).unwrap_or(u32::MAX);
        self.failing = above;
    }

    pub(super) fn failed(&mut self, size: u16) {
        // A size below one that passed failed by chance.
        if self.passing.is_none_or(|passing| size > passing) {
            self.failing.insert(size);
        }
    }

    pub(super) fn confirm_failing(&mut self, size: u16) {
        self.confirmed_failing = Some(size);
    }

    pub(super) fn confirm_passing(&mut self, size: u16) {
        self.confirmed_passing = Some(size);
        self.passing_doubted = false;
    }

    pub(super) fn doubt_passing(&mut self) {
        self.confirmed_passing = None;
        self.passing_doubted = true;
    }

    pub(super) fn answered(&mut self, probe: u16, mtu: u16) {
        self.answer = Some((probe, mtu));
    }

    pub(super) fn refused_here(&mut self, size: u16) {
        self.refused.insert(size);
    }

    /// The path has changed: nothing that was found holds.
    pub(super) fn forget_sizes(&mut self) {
        self.restarts += 1;
        self.passing = None;
        self.failing.clear();
        self.confirmed_failing = None;
        self.confirmed_passing = None;
        self.passing_doubted = false;
    }

    pub(super) const fn largest_passing(&self) -> Option<u16> {
        self.passing
    }

    pub(super) fn smallest_failing(&self) -> Option<u16> {
        self.failing.first().copied()
    }

    pub(super) fn has_failed(&self, size: u16) -> bool {
        self.failing.contains(&size)
    }

    pub(super) const fn is_passing_doubted(&self) -> bool {
        self.passing_doubted
    }

    pub(super) fn is_failing_confirmed(&self, size: u16) -> bool {
        self.confirmed_failing == Some(size) || self.refused.contains(&size)
    }

    pub(super) fn is_passing_confirmed(&self) -> bool {
        self.passing.is_some() && self.confirmed_passing == self.passing
    }

    pub(super) fn outcome(
        &self,
        verdict: PathMtuVerdict,
        probes: u64,
        elapsed_ns: u64,
    ) -> PathMtuOutcome {
        PathMtuOutcome {
            verdict,
            largest_passing: self.passing,
            smallest_failing: self.smallest_failing(),
            above: self.above(),
            probes,
            acknowledged: self.acknowledged,
            lost: self.lost,
            contradictions: self.contradictions,
            hints_rejected: self.hints_rejected,
            restarts: self.restarts,
            elapsed_ns,
        }
    }

    fn above(&self) -> Above {
        let (Some(passing), Some(failing)) = (self.passing, self.smallest_failing()) else {
            return Above::Unknown;
        };
        match self.answer {
            Some((probe, mtu)) if probe > passing => Above::Answered { mtu },
            _ if self.refused.contains(&failing) => Above::RefusedHere,
            _ => Above::Vanish,
        }
    }
}
