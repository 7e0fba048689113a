//! The path-overhead model: what a path can carry at most, and which bytes take the rest.
//!
//! It computes; it measures nothing and touches no socket, clock or file. An [`Encapsulation`] is a stack of
//! [`Layer`]s, found by its key with [`find`] or listed by [`all`]; a [`Link`] says what its rate counts; a
//! [`CeilingQuestion`] puts both together and [`ceiling()`] answers it, [`anatomy()`] says which bytes go where,
//! [`advice()`] what to set, [`path_ceiling`] which link of several is the limit, [`outlook()`] what bounds besides
//! headers. Lengths of IP packets include their headers.

mod advice;
mod anatomy;
mod bounds;
mod ceiling;
mod encapsulation;
mod error;
mod family;
mod fragment;
mod layer;
mod link;
mod loss;
mod outlook;
mod parse;
mod path;
mod route;
mod table;

#[cfg(test)]
mod tests;

pub use advice::{Advice, MtuChoice, Reason, advice};
pub use anatomy::{Anatomy, LayerBytes, Use, UseOf, anatomy};
pub use bounds::{
    bandwidth_delay_product, buffer_delay, connections_to_fill, initial_window,
    sequence_space_lasts, slow_start_round_trips, target_run_length, target_window, tcp_efficiency,
    transfer_time_ratio, window_bound, window_scale,
};
pub use ceiling::{
    Ceiling, CeilingQuestion, SizedCeiling, ceiling, ceiling_for_segment, ceiling_for_udp_payload,
};
pub use encapsulation::{Confidentiality, Encapsulation, Families, Protection, Wrapped, all, find};
pub use error::{ModelError, ParseEncapsulationError, UnknownEncapsulation};
pub use family::Family;
pub use fragment::fragment_lengths;
pub use layer::{Layer, Rule};
pub use link::{Counted, Framing, Link, LinkPart};
pub use loss::{
    LossPattern, LossRatio, cubic_bound, cubic_loss, cubic_regain_time, cubic_window,
    highspeed_loss, highspeed_window, loss_event_rate, reno_bound, reno_bound_with_timeouts,
    reno_loss, reno_round_trips_between_losses, reno_window,
};
pub use outlook::{Bound, BoundKind, Conditions, LossResponse, Outlook, outlook};
pub use parse::nearest_word;
pub use path::{Carries, Direction, LinkCeiling, Path, PathCeiling, PathLink, path_ceiling};
pub use route::Tunnel;
