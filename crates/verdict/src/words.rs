//! Figures and lists as they stand in sentences.

use culvert_units::BitRate;

/// A computed rate in bit/s, rounded to whole bits; negative ones and what is not a number give 0.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "rounded and not negative; what is larger than any rate saturates"
)]
pub fn rate(bps: f64) -> BitRate {
    BitRate::from_bits_per_second(bps.max(0.0).round() as u64)
}

/// "a", "a and b", "a, b and c".
pub(crate) fn join(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [only] => only.clone(),
        [before @ .., last] => format!("{} and {last}", before.join(", ")),
    }
}
