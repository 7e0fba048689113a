//! What both ends decide: whether a session is granted, when datagrams leave, whose address is proven, and in which
//! order a survey runs.
//!
//! Nothing here touches a socket, a clock or a file: times and random numbers are arguments. The threads and tasks that
//! act on these decisions live in `engine`.

pub mod calls;
pub mod capacity;
pub mod grant;
pub mod pacing;
pub mod path_mtu;
pub mod plan;
pub mod proof;
pub mod slots;
pub mod sweep;
