//! Every system call of the project: sockets, batches, timestamps, TCP details, routes, processors, clocks.
//!
//! Nothing here decides anything: the protocol, the pacing law and the verdicts live elsewhere and are handed what this
//! crate reads. It is the only crate that may use `unsafe`, and it knows Linux alone so far; each module hides its
//! kernel behind plain types, so that another system can be added beside it.
//!
//! Start with [`udp::FlowSocket`] and [`tcp::connect`] for the data path, [`clock`] for time, [`route`] and [`cpu`] for
//! the facts of the host, [`files`] for the state directory.

#[cfg(not(target_os = "linux"))]
compile_error!("culvert-os knows the system calls of Linux only");

pub mod clock;
pub mod cpu;
pub mod files;
pub mod namespace;
mod netlink;
pub mod packet;
pub mod priority;
pub mod route;
mod socket;
pub mod tcp;
#[cfg(test)]
mod testing;
pub mod udp;
pub mod veth;

pub use socket::{Buffers, granted_buffers};
