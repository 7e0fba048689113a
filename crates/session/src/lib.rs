//! What both ends decide: whether a session is granted, when datagrams leave, whose address is proven, in which order a
//! survey runs, and which probe, rate or trial a search tries next.
//!
//! Nothing here touches a socket, a clock or a file: times and random numbers are arguments. The threads and tasks that
//! act on these decisions live in `engine`. The searches ([`path_mtu`], [`capacity`], [`sweep`]) take what was heard and the
//! time, and say what to send next and when to ask again; each is bounded in time, number and bytes.

pub mod calls;
pub mod capacity;
pub mod grant;
pub mod pacing;
pub mod path_mtu;
pub mod plan;
pub mod proof;
pub mod slots;
pub mod sweep;
