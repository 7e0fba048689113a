//! What travels between the two programs: invite, control messages, flow preamble, datagram header.

pub mod capacity;
pub mod datagram;
pub mod frame;
mod invite;
pub mod message;
mod preamble;
mod secret;

pub use invite::{INVITE_LEN, Invite, InviteError};
pub use preamble::{FlowPreamble, Opening, PREAMBLE_LEN, PreambleError};
pub use secret::Secret;
