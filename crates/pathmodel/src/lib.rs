//! The path-overhead model: what a path can carry at most, and which bytes take the rest.
//!
//! It computes; it measures nothing and touches no socket, clock or file. An [`Encapsulation`] is a stack of
//! [`Layer`]s, found by its key with [`find`] or listed by [`all`]; a [`Link`] says what its rate counts; a
//! [`CeilingQuestion`] puts both together and [`ceiling()`] answers it. Lengths of IP packets include their headers.

mod bounds;
mod ceiling;
mod encapsulation;
mod error;
mod family;
mod fragment;
mod layer;
mod link;
mod parse;
mod path;
mod route;
mod table;

#[cfg(test)]
mod tests;

pub use bounds::{
    LossPattern, LossRatio, bandwidth_delay_product, buffer_delay, connections_to_fill,
    cubic_bound, cubic_window, initial_window, reno_bound, reno_bound_with_timeouts, reno_window,
    slow_start_round_trips, target_run_length, target_window, tcp_efficiency, transfer_time_ratio,
    window_bound,
};
pub use ceiling::{
    Ceiling, CeilingQuestion, SizedCeiling, ceiling, ceiling_for_segment, ceiling_for_udp_payload,
};
pub use encapsulation::{Confidentiality, Encapsulation, Families, Protection, all, find};
pub use error::{ModelError, ParseEncapsulationError, UnknownEncapsulation};
pub use family::Family;
pub use fragment::fragment_lengths;
pub use layer::{Layer, Rule};
pub use link::{Counted, Framing, Link};
pub use path::{Carries, LinkCeiling, PathCeiling, PathLink, path_ceiling};
pub use route::Tunnel;
