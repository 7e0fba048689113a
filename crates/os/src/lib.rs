//! Every system call of the project: sockets, batches, timestamps, TCP details, routes, processors, clocks.
//!
//! Nothing here decides anything: the protocol, the pacing law and the verdicts live elsewhere and are handed what this
//! crate reads. It is the only crate that may use `unsafe`, and where it knows what system it is on: a module whose
//! kernel matters has one file for Linux and a portable one, which does what the standard library can and says of the
//! rest that it is unsupported. The sender alone is built for other systems, so what only the listener or the emulated
//! path needs is there on Linux only.
//!
//! Start with [`udp::FlowSocket`] and [`tcp::connect`] for the data path, [`clock`] for time, [`route`] and [`cpu`] for
//! the facts of the host, [`files`] for the state directory.

pub mod clock;
pub mod command;
pub mod cpu;
#[cfg(target_os = "linux")]
pub mod files;
#[cfg(target_os = "linux")]
pub mod namespace;
#[cfg(target_os = "linux")]
mod netlink;
#[cfg(target_os = "linux")]
pub mod packet;
#[cfg(target_os = "linux")]
pub mod priority;
pub mod route;
mod socket;
pub mod tcp;
#[cfg(test)]
#[cfg(target_os = "linux")]
mod testing;
pub mod udp;
#[cfg(target_os = "linux")]
pub mod veth;

pub use socket::{AsSystem, Buffers, granted_buffers, is_capped};
