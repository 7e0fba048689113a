//! Quantities with their units, and how errors explain themselves.
//!
//! Every other crate speaks in these types, so a bit is never taken for a byte and a kilobit never for a kibibit.
//! Nothing here measures or computes a result. Start with [`BitRate`] and [`Bytes`]; [`Explain`] is the one way an
//! error reaches the practitioner.

mod bit_rate;
mod bytes;
mod dscp;
mod duration;
mod explain;
mod fraction;
mod mtu;
mod number;

pub use bit_rate::BitRate;
pub use bytes::Bytes;
pub use dscp::{Dscp, NoDscp};
pub use duration::{format_duration, parse_duration};
pub use explain::{ExitStatus, Explain, explain, explain_usage};
pub use fraction::Fraction;
pub use mtu::{Mtu, MtuTooSmall};
pub use number::ParseQuantityError;
