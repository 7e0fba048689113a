//! Threads and tasks that join the session rules to the system: channels, flows, probes.
//!
//! Control runs on an async runtime ([`channel`], [`identity`]); data never does: each flow has a thread of its own
//! ([`bulk`], [`paced_transmit`], [`paced_receive`], [`probe`],
//! [`sounding`]) that the control side stops by a [`timeline::Switch`]
//! and watches through a [`meter::Meter`]. What is decided on the way is decided in `session`.

pub mod bulk;
pub mod channel;
pub mod facts;
pub mod identity;
pub mod legs;
pub mod meter;
pub mod paced_receive;
pub mod paced_transmit;
pub mod probe;
pub mod signals;
pub mod sounding;
mod thread;
pub mod timeline;

pub use thread::{PinError, Pins, ThreadFault, on_pinned_thread, on_thread};
