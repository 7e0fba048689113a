//! Datagram sockets: one that admits strangers, one per flow, and batches of datagrams.
//!
//! [`WildcardSocket`] hears everyone and answers from the address it was reached at. A [`FlowSocket`] is connected to
//! one peer and may share the wildcard's port: once connected, that peer's datagrams reach it and nobody else's do.
//! Datagrams that arrived between its bind and its connect are still in its queue, so what it receives must prove
//! itself. [`ReceiveBatch`] and [`SendBatch`] move many datagrams per system call without allocating,
//! as segments of large ones ([`FlowSocket::send_segments`], [`FlowSocket::set_coalescing`]) or by themselves.

#[cfg(target_os = "linux")]
mod control;
#[cfg(target_os = "linux")]
mod errors;
#[cfg(target_os = "linux")]
mod flow;
mod kinds;
#[cfg(any(test, not(target_os = "linux")))]
#[cfg_attr(
    target_os = "linux",
    allow(dead_code, unreachable_pub, reason = "public where it is the system's own")
)]
mod portable;
#[cfg(target_os = "linux")]
mod receive_batch;
#[cfg(target_os = "linux")]
mod send_batch;
#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests;
#[cfg(target_os = "linux")]
mod wildcard;

#[cfg(target_os = "linux")]
pub use self::{
    flow::FlowSocket,
    receive_batch::ReceiveBatch,
    send_batch::SendBatch,
    wildcard::{Reached, WildcardSocket},
};
pub use kinds::{
    FlowOptions, Fragmentation, LARGEST_COALESCED, Received, SendOutcome, SendStop, TooBig,
};
#[cfg(not(target_os = "linux"))]
pub use portable::{FlowSocket, ReceiveBatch, SendBatch};
