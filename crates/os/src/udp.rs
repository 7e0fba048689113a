//! Datagram sockets: one that admits strangers, one per flow, and batches of datagrams.
//!
//! [`WildcardSocket`] hears everyone and answers from the address it was reached at. A [`FlowSocket`] is connected to
//! one peer and may share the wildcard's port: once connected, that peer's datagrams reach it and nobody else's do.
//! Datagrams that arrived between its bind and its connect are still in its queue, so what it receives must prove
//! itself. [`ReceiveBatch`] and [`SendBatch`] move many datagrams per system call without allocating,
//! as segments of large ones ([`FlowSocket::send_segments`], [`FlowSocket::set_coalescing`]) or by themselves.

mod control;
mod errors;
mod flow;
mod receive_batch;
mod send_batch;
#[cfg(test)]
mod tests;
mod wildcard;

pub use flow::{FlowOptions, FlowSocket, Fragmentation};
pub use receive_batch::{LARGEST_COALESCED, ReceiveBatch, Received};
pub use send_batch::{SendBatch, SendOutcome, SendStop};
pub use wildcard::{Reached, WildcardSocket};
