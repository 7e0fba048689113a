//! The times between changes: which conditions hold when.
//!
//! All of them are known from the beginning, so that it can be said at once when a packet will be through that waits
//! while the rate changes.

use culvert_pathmodel::Link;
use culvert_units::Mtu;

use super::{
    costs::Costs,
    server::{Span, Work},
};
use crate::{Change, Conditions, Tunnel, WayConfig};

/// All phases and the one that holds now.
#[derive(Debug)]
pub(super) struct Phases {
    current: Phase,
    /// Those that have not come yet, the first one last.
    later: Vec<Phase>,
}

/// A time without a change.
#[derive(Debug)]
pub(super) struct Phase {
    pub(super) begins_ns: u64,
    pub(super) conditions: Conditions,
    pub(super) costs: Costs,
}

impl Phases {
    pub(super) fn new(config: WayConfig) -> Self {
        let phase = |change: Change| Phase::new(change, config.tunnel.as_ref(), config.mtu);
        let later = config.changes.into_iter().rev().map(phase).collect();
        let nothing = Change { at_ns: 0, conditions: Conditions::default() };
        Self { current: phase(nothing), later }
    }

    pub(super) const fn current(&self) -> &Phase {
        &self.current
    }

    /// Goes on to the next phase if it has begun.
    pub(super) fn next_begun(&mut self, now_ns: u64) -> Option<&Phase> {
        self.current = self.later.pop_if(|phase| phase.begins_ns <= now_ns)?;
        Some(&self.current)
    }

    /// What sending a packet of the hosts takes at a time that has not passed yet.
    pub(super) fn line_span(&self, at_ns: u64, length: u32) -> Span {
        self.span(at_ns, |phase| {
            let link = phase.link()?;
            Some(Work::of_link(link.rate, phase.costs.of(length).wire))
        })
    }

    /// The same for the gateway.
    pub(super) fn gateway_span(&self, at_ns: u64, length: u32) -> Span {
        self.span(at_ns, |phase| Some(Work::of_gateway(&phase.conditions.gateway?, length)))
    }

    fn span(&self, at_ns: u64, work: impl Fn(&Phase) -> Option<Work>) -> Span {
        let mut phase = &self.current;
        for next in self.later.iter().rev() {
            if at_ns < next.begins_ns {
                return Span { work: work(phase).unwrap_or(Work::NONE), ends_ns: next.begins_ns };
            }
            phase = next;
        }
        Span { work: work(phase).unwrap_or(Work::NONE), ends_ns: u64::MAX }
    }
}

impl Phase {
    fn new(change: Change, tunnel: Option<&Tunnel>, mtu: Mtu) -> Self {
        let Change { at_ns, conditions } = change;
        let costs = Costs::new(tunnel, conditions.line.map(|line| line.link), mtu);
        Self { begins_ns: at_ns, conditions, costs }
    }

    fn link(&self) -> Option<Link> {
        self.conditions.line.map(|line| line.link)
    }
}
