//! What a capacity session is asked to do and what it found, in the words of RFC 9097. How it is found is decided in
//! `session`.

mod outcome;
mod parameters;

pub use outcome::{CapacityEnd, CapacityOutcome, Held, SubInterval, Verification, highest_within};
pub use parameters::{CapacityParameters, Ramp};
