//! What was found out about a path before anything is measured on it: the document, what follows from it, and its text.
//!
//! Whatever was not found out is `None`; [`Preflight::complete`] says whether all of it was. [`remarks()`] is what a
//! practitioner should know of it, each in a sentence of its own.

mod remarks;
#[cfg(test)]
mod tests;
mod text;

use std::net::IpAddr;

use culvert_pathmodel::Family;
use culvert_session::path_mtu::{PathMtuOutcome, PathMtuVerdict};
use culvert_stats::Percentiles;
use serde::Serialize;

pub use remarks::{Remark, remarks};
pub use text::preflight_text;

/// The name and version of the document.
pub const PREFLIGHT_SCHEMA: &str = "culvert/preflight/1";

/// Everything that was found out about a path.
#[derive(Debug, Clone, Serialize)]
pub struct Preflight {
    /// [`PREFLIGHT_SCHEMA`].
    pub schema: &'static str,
    /// The target as it was typed.
    pub target: String,
    /// Whether every question has its answer; else what is here is a part.
    pub complete: bool,
    /// Addresses of the name, in the resolver's order.
    pub resolved: Vec<IpAddr>,
    /// The address that was dialled.
    pub dialled: Option<IpAddr>,
    /// Its port.
    pub port: u16,
    /// Its family.
    pub family: Option<Family>,
    /// Whether the listener proved itself by TCP.
    pub tcp_reached: Option<bool>,
    /// Whether datagrams pass both ways.
    pub udp_reached: Option<bool>,
    /// Datagrams that asked for an answer in vain, where none passes.
    pub udp_unanswered: Option<u64>,
    /// How long the TCP handshake took, microseconds.
    pub tcp_connect_us: Option<u64>,
    /// This end.
    pub near: EndFacts,
    /// The listener's end.
    pub far: EndFacts,
    /// The listener's addresses, as it tells them.
    pub far_addresses: Vec<IpAddr>,
    /// Whether the listener's own address lies on a link of this host that is no tunnel.
    pub far_is_on_own_link: Option<bool>,
    /// Whether the address that the listener sees lies on the same link as the listener's own.
    pub seen_from_is_on_far_link: Option<bool>,
    /// Whether the dialled address belongs to this host's own gateway; looked at only when nothing else was reached.
    pub dialled_is_own_gateway: Option<bool>,
    /// Probes of the round trip that were sent.
    pub rtt_probes: Option<u64>,
    /// The baseline round trip.
    pub rtt_baseline_us: Option<Percentiles>,
    /// What an offset between the two clocks would be known to, microseconds: half of the shortest round trip.
    pub clock_error_us: Option<f64>,
    /// What passes toward far.
    pub toward_far: WayFacts,
    /// What passes toward near.
    pub toward_near: WayFacts,
    /// What the model says.
    pub model: Option<ModelFacts>,
    /// What the listener grants at most.
    pub limits: Option<LimitFacts>,
    /// What the plan would move.
    pub plan: Option<PlanFacts>,
    /// The most that this preflight's sized datagrams may have taken, bytes of packets each way.
    pub sounding_bytes_each_way: Option<u64>,
    /// What became of the listener's own addresses; `None` when they were not tried.
    pub inside: Option<Vec<InsideFacts>>,
    /// Why it ended early.
    pub failure: Option<FailureFacts>,
    /// What follows.
    pub remarks: Vec<Remark>,
}

/// One end.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct EndFacts {
    /// Its own address.
    pub address: Option<IpAddr>,
    /// The address the other end sees.
    pub seen_from: Option<IpAddr>,
    /// The interface that carries the path.
    pub interface: Option<String>,
    /// The kind of a virtual interface, in the kernel's word.
    pub interface_kind: Option<String>,
    /// The interface's MTU, bytes.
    pub interface_mtu: Option<u32>,
    /// The first router; `None` when the address is on the link, or nothing is known.
    pub gateway: Option<IpAddr>,
}

/// What passes one way.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize)]
pub struct WayFacts {
    /// The search's result; its verdict says how whole it is.
    pub path_mtu: Option<PathMtuOutcome>,
    /// The largest TCP segment the transmitter of this way uses, options included, bytes: what the receiver's SYN
    /// allowed, as it arrived.
    pub tcp_mss: Option<u16>,
}

/// What the model says of the encapsulation that was named.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ModelFacts {
    /// Its key.
    pub encapsulation: String,
    /// The MTU below the tunnel, bytes.
    pub underlay_mtu: u16,
    /// The largest inner packet that needs no fragmentation below, bytes.
    pub largest_inner: Option<u16>,
    /// The MTU that a tunnel interface has when nobody sets one, where there is such a custom, else the largest.
    pub tunnel_mtu: Option<u16>,
    /// The TCP segment that follows from it.
    pub tcp_mss: Option<u16>,
}

/// What the listener grants at most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct LimitFacts {
    /// Settle and plateau together, milliseconds.
    pub duration_ms: u64,
    /// Payload bits per second of a paced session each way.
    pub rate_bps: Option<u64>,
    /// Payload bytes of one session, both ways.
    pub bytes: Option<u64>,
    /// TCP flows each way.
    pub flows: u16,
}

/// What a plan would move.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct PlanFacts {
    /// Its name.
    pub name: String,
    /// Payload bytes at most; `None` when it does not state the lines of its bulk sessions.
    pub bytes: Option<u64>,
}

/// What became of one of the listener's addresses.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct InsideFacts {
    /// The address.
    pub address: IpAddr,
    /// What was found.
    pub found: Inside,
    /// The interface that packets to it leave by.
    pub interface: Option<String>,
    /// The kind of that interface, in the kernel's word.
    pub interface_kind: Option<String>,
    /// Whether packets to what was dialled leave by the same interface.
    pub leaves_as_dialled: Option<bool>,
}

/// What became of one of the listener's addresses.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Inside {
    /// The same listener, proven by its key.
    SameListener,
    /// The address that was dialled already.
    Dialled,
    /// It lies in this end's own network, so that no packet to it enters a tunnel.
    InOwnNetwork,
    /// Somebody else is there.
    SomebodyElse,
    /// Nobody answered, or there is no route.
    NotReached,
}

/// Why it ended early.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FailureFacts {
    /// What happened.
    pub error: String,
    /// What to try.
    pub hint: Option<String>,
    /// The exit status.
    pub exit_status: u8,
}

impl Preflight {
    /// Nothing is known yet.
    pub fn of(target: String, port: u16) -> Self {
        Self {
            schema: PREFLIGHT_SCHEMA,
            target,
            complete: false,
            resolved: Vec::new(),
            dialled: None,
            port,
            family: None,
            tcp_reached: None,
            udp_reached: None,
            udp_unanswered: None,
            tcp_connect_us: None,
            near: EndFacts::default(),
            far: EndFacts::default(),
            far_addresses: Vec::new(),
            far_is_on_own_link: None,
            seen_from_is_on_far_link: None,
            dialled_is_own_gateway: None,
            rtt_probes: None,
            rtt_baseline_us: None,
            clock_error_us: None,
            toward_far: WayFacts::default(),
            toward_near: WayFacts::default(),
            model: None,
            limits: None,
            plan: None,
            sounding_bytes_each_way: None,
            inside: None,
            failure: None,
            remarks: Vec::new(),
        }
    }
    /// Whether both searches came to their end.
    pub fn is_whole(&self) -> bool {
        [self.toward_far, self.toward_near].iter().all(|way| {
            way.path_mtu.is_some_and(|outcome| {
                matches!(outcome.verdict, PathMtuVerdict::Exact | PathMtuVerdict::AtCeiling)
            })
        })
    }
}
