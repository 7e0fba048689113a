//! Survey plans: TOML as typed becomes a checked [`Plan`], and the plan says what runs in which order.
//!
//! It runs nothing and reads no file. Start with [`Plan::parse`], then [`Plan::running_order`]. Every key:
//!
//! | key | value | when missing |
//! | --- | --- | --- |
//! | `name` | what the survey is called, a text | an error |
//! | `rounds` | how often every path is visited, 1 to 1000 | 3 |
//! | `order` | `interleaved`: odd rounds forward, even rounds backward, the outside path first | `interleaved` |
//! | `at_most` | the payload bytes the whole survey may move, such as `2GB` | no budget |
//! | `time_budget` | how long one call of the survey may go on, such as `30min` | no budget |
//! | `[sites.near]`, `[sites.far]` | the two ends, as the practitioner sees them | unnamed, lines unknown |
//! | … `name` | what the site is called in results | `near`, `far` |
//! | … `down`, `up` | its line's rates, such as `100Mbit/s` | unknown |
//! | … `metered` | whether its volume costs money | unknown |
//! | … `counted` | what `down` and `up` count: `ethernet` (everything Ethernet spends on a packet) or `ip` (packets alone) | `ethernet` |
//! | `[gateway]` | the VPN server: `model`, `firmware`, `processor`, texts | unknown |
//! | `[[paths]]` | one way to reach the listener; exactly one is outside | an error |
//! | … `name` | what it is called in results | an error |
//! | … `place` | `outside` (without a tunnel) or `inside` (through one) | an error |
//! | … `target` | `host[:port]` to dial, an IPv6 address in brackets | an error |
//! | … `family` | `ipv4` or `ipv6` | what the target resolves to |
//! | … `encapsulation` | a key of the path-overhead model; `none` outside | `none` outside, an error inside |
//! | … `mtu` | the MTU of the path, in bytes | unknown |
//! | … `bring_up`, `take_down` | command lines run before and after a visit | nothing is run |
//! | … `is_up` | a command line that succeeds once the path stands | see the sender's survey |
//! | `[[sessions]]` | what is run on each path | an error |
//! | … `kind` | `bulk` (TCP, as much as the path takes) or `paced` (UDP at a rate) | an error |
//! | … `toward` | which end receives: `far`, `near` or `both` | an error |
//! | … `for` | length of the plateau, 1 s or more | an error |
//! | … `settle` | time cut away before the plateau, or `auto`: found from the data for bulk, 1 s for paced | `auto` |
//! | … `flows` | bulk: TCP flows each way, 1 to 64 | 1 |
//! | … `congestion_control` | bulk: what both ends use | `cubic` |
//! | … `mss` | bulk: the largest segment in bytes, 88 to 32767 | what the MTU leaves |
//! | … `dscp` | bulk: the mark of both ends' packets, 0 to 63 or a name such as `af11`, in quotes | the hosts' own |
//! | … `buffer` | the socket buffer to ask for at both ends, at most 64 MiB | TCP adapts; datagrams 4 MiB |
//! | … `pace` | paced: UDP payload bits per second, or `unlimited` | an error |
//! | … `payload` | paced: UDP payload of each datagram, 32 to 65507 bytes | 1200 |
//! | … `burst` | paced: the longest burst, as time at the pace, 10 ms at most | `100us` |
//! | … `handover` | paced: `auto`, `segmented`, `batched` or `single` | `auto` |

mod check;
mod error;
mod hash;
mod nearest;
mod notice;
mod order;
mod parts;
mod target;
mod typed;
mod volume;

#[cfg(test)]
mod tests;

use std::time::Duration;

pub use culvert_pathmodel::Family;
use culvert_units::Bytes;

pub use error::{PlanError, TextProblem};
pub use notice::PlanNotice;
pub use order::Step;
pub use parts::{
    Counted, Gateway, PACED_SETTLE, Place, PlannedCommand, PlannedLoad, PlannedPath,
    PlannedSession, Purpose, SETTLE_AUTO_AT_MOST, Settle, Site, Toward,
};
pub use target::{DEFAULT_PORT, Target, TargetError};
pub use typed::SectionName;

/// A survey that can be carried out.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    name: String,
    hash: String,
    rounds: u32,
    at_most: Option<Bytes>,
    time_budget: Option<Duration>,
    near: Site,
    far: Site,
    gateway: Gateway,
    paths: Vec<PlannedPath>,
    sessions: Vec<PlannedSession>,
}

impl Plan {
    /// Reads and checks a plan.
    pub fn parse(text: &str) -> Result<Self, PlanError> {
        check::plan(text)
    }

    /// What the survey is called.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// SHA-256 of what the plan measures, in 64 hexadecimal digits. Comments, layout, budgets and commands do not
    /// change it.
    pub fn hash(&self) -> &str {
        &self.hash
    }

    /// How often every path is visited.
    pub const fn rounds(&self) -> u32 {
        self.rounds
    }

    /// The payload bytes that the whole survey may move.
    pub const fn at_most(&self) -> Option<Bytes> {
        self.at_most
    }

    /// How long one call of the survey may go on.
    pub const fn time_budget(&self) -> Option<Duration> {
        self.time_budget
    }

    /// Where the practitioner is.
    pub const fn near(&self) -> &Site {
        &self.near
    }

    /// Where the listener is.
    pub const fn far(&self) -> &Site {
        &self.far
    }

    /// The VPN server, as typed.
    pub const fn gateway(&self) -> &Gateway {
        &self.gateway
    }

    /// The paths: the outside path first, the others in the order of the plan.
    pub fn paths(&self) -> &[PlannedPath] {
        &self.paths
    }

    /// The sessions run on each path, in the order of the plan.
    pub fn sessions(&self) -> &[PlannedSession] {
        &self.sessions
    }

    /// Every command that the plan names, path by path.
    pub fn commands(&self) -> Vec<PlannedCommand<'_>> {
        self.paths.iter().flat_map(PlannedPath::commands).collect()
    }
}
