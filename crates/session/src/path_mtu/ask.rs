//! What a search is asked for, checked.

use culvert_pathmodel::Family;
use culvert_units::{ExitStatus, Explain, Mtu};

/// How many probes of one size are lost before the size counts as failing (RFC 8899 5.1.2, `MAX_PROBES`).
pub const MAX_PROBES: u32 = 3;

/// The shortest time after which a probe may count as lost (RFC 8899 5.1.1, `PROBE_TIMER`): one second. It SHOULD be
/// more than 15 s, which is for a connection that has forever; a round trip of a second would pass for a loss here.
pub const LEAST_TIMEOUT_NS: u64 = 1_000_000_000;

/// The size that nearly every path takes (RFC 8899 5.1.2, `BASE_PLPMTU` for IPv4).
const BASE: u16 = 1200;

/// How many likely sizes are taken: each costs at most two sizes.
const MOST_LIKELY: usize = 4;

/// The bounds of one search.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PathMtuAsk {
    pub(super) floor: u16,
    pub(super) base: u16,
    pub(super) ceiling: u16,
    pub(super) likely: Vec<u16>,
    pub(super) probe_timeout_ns: u64,
    pub(super) most_probes: u32,
    pub(super) give_up_after_ns: u64,
}

/// A search that cannot be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PathMtuAskError {
    /// The interface takes less than the family allows any link to have.
    #[error("the interface's MTU of {mtu} bytes is below the {floor} bytes that {family} requires")]
    InterfaceTooSmall {
        /// The interface's MTU.
        mtu: Mtu,
        /// What the family requires.
        floor: u16,
        /// The family.
        family: Family,
    },
}

impl PathMtuAsk {
    /// From the family's least MTU to the interface's, beginning at 1200 bytes or the least or largest instead.
    pub fn new(family: Family, interface: Mtu) -> Result<Self, PathMtuAskError> {
        let (floor, ceiling) = (family.least_mtu(), interface.get());
        if ceiling < floor {
            return Err(PathMtuAskError::InterfaceTooSmall { mtu: interface, floor, family });
        }
        Ok(Self {
            floor,
            base: BASE.clamp(floor, ceiling),
            ceiling,
            likely: Vec::new(),
            probe_timeout_ns: LEAST_TIMEOUT_NS,
            most_probes: 200,
            give_up_after_ns: 120_000_000_000,
        })
    }

    /// Sizes to try first, the likeliest first: what the model predicts for the tunnel. The first four count.
    #[must_use]
    pub fn likely_first(mut self, sizes: &[Mtu]) -> Self {
        self.likely = sizes.iter().take(MOST_LIKELY).map(|mtu| mtu.get()).collect();
        self
    }

    /// Waits longer for an acknowledgment; never shorter than [`LEAST_TIMEOUT_NS`].
    #[must_use]
    pub fn wait_for(mut self, timeout_ns: u64) -> Self {
        self.probe_timeout_ns = timeout_ns.max(LEAST_TIMEOUT_NS);
        self
    }

    /// Ends after so many probes or so long, whichever is first, with what is known by then.
    #[must_use]
    pub const fn at_most(mut self, probes: u32, give_up_after_ns: u64) -> Self {
        self.most_probes = probes;
        self.give_up_after_ns = give_up_after_ns;
        self
    }

    /// The most bytes of IP packets the search can send: what a byte budget must allow.
    pub fn most_bytes(&self) -> u64 {
        u64::from(self.most_probes) * u64::from(self.ceiling)
    }
}

impl Explain for PathMtuAskError {
    fn hint(&self) -> Option<String> {
        let Self::InterfaceTooSmall { floor, family, .. } = self;
        Some(format!(
            "give the interface an MTU of at least {floor} or use the other family; {family} cannot work over it"
        ))
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::LocalFault
    }
}
