//! An emulated path between two hosts: everything that happens to a packet is decided here, counted and written down.
//!
//! It is no model of a particular network: it does exactly what its configuration says, the same for the same seed, so
//! that what a measurement finds can be held against what was true. The decisions take time and lengths as arguments
//! and touch no socket, clock or file. Start with [`Lab::parse`] for the configuration and [`OneWay`] for one
//! direction of a path; [`Conditions`] lists what can befall a packet, in which order. The rim, behind [`run`], makes
//! two hosts out of namespaces and carries every packet between them as decided.

mod conditions;
mod config;
mod ip;
mod path;
mod rim;
mod truth;
mod way;

pub use conditions::{
    Change, Choice, Conditions, Gateway, GilbertElliott, Jitter, Line, Loss, Policer, QueueLimit,
    Reorder, TooLong,
};
pub use config::{ConfigError, Lab, LabPath};
pub use path::{Path, PathConfig, Tunnel, WayConfig};
pub use rim::{run, run_with};
pub use truth::{Cause, Counters, Drops, Fate, Flow, FlowTruth, PacketTruth, Tally, WayTruth};
pub use way::{Departure, OneWay, Packet, Verdict};
