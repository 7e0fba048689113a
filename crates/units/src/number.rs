//! Splitting a typed quantity into its number and its unit, exactly.

/// Why a typed quantity was refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ParseQuantityError {
    /// The text has no number at its start.
    #[error("'{text}' does not begin with a number")]
    NoNumber {
        /// What was typed.
        text: String,
    },
    /// The number has no unit, or one that is not known.
    #[error("'{text}' has {}, known units are {known}", named(unit))]
    Unit {
        /// What was typed.
        text: String,
        /// The unit that was read.
        unit: String,
        /// The units that are accepted.
        known: &'static str,
    },
    /// The value does not fit, or has more decimals than its unit can carry.
    #[error("'{text}' is outside of what can be represented")]
    Range {
        /// What was typed.
        text: String,
    },
}

fn named(unit: &str) -> String {
    if unit.is_empty() { "no unit".to_owned() } else { format!("the unit '{unit}'") }
}

/// Reads `text` as a decimal number followed by one of `units`, each with its size in the base unit.
///
/// The result is exact: it is computed in integers and refused when it is not a whole number of base units.
pub(crate) fn parse(
    text: &str,
    units: &[(&str, u64)],
    known: &'static str,
) -> Result<u64, ParseQuantityError> {
    let trimmed = text.trim();
    let end = trimmed.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(trimmed.len());
    let (number, unit) = trimmed.split_at(end);
    let (whole, decimals) = number.split_once('.').unwrap_or((number, ""));
    if whole.is_empty() || decimals.contains('.') || (number.contains('.') && decimals.is_empty()) {
        return Err(ParseQuantityError::NoNumber { text: text.to_owned() });
    }
    let unit = unit.trim();
    let size =
        units.iter().find(|(name, _)| *name == unit).map(|(_, size)| *size).ok_or_else(|| {
            ParseQuantityError::Unit { text: text.to_owned(), unit: unit.to_owned(), known }
        })?;
    exact(whole, decimals, size).ok_or_else(|| ParseQuantityError::Range { text: text.to_owned() })
}

fn exact(whole: &str, decimals: &str, size: u64) -> Option<u64> {
    let scale = 10_u128.checked_pow(u32::try_from(decimals.len()).ok()?)?;
    let digits: u128 = format!("{whole}{decimals}").parse().ok()?;
    let scaled = digits.checked_mul(u128::from(size))?;
    (scaled % scale == 0).then_some(())?;
    u64::try_from(scaled / scale).ok()
}
