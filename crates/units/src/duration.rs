//! Durations as the practitioner types them: `12s`, `250ms`, `3h`, `7d`.

use std::time::Duration;

use crate::{ParseQuantityError, number};

const UNITS: &[(&str, u64)] = &[
    ("us", 1_000),
    ("ms", 1_000_000),
    ("s", 1_000_000_000),
    ("min", 60_000_000_000),
    ("h", 3_600_000_000_000),
    ("d", 86_400_000_000_000),
];

/// Reads a duration with its unit, to the nanosecond.
pub fn parse_duration(text: &str) -> Result<Duration, ParseQuantityError> {
    number::parse(text, UNITS, "us, ms, s, min, h and d").map(Duration::from_nanos)
}

/// Writes a duration with the largest unit that keeps it readable.
pub fn format_duration(duration: Duration) -> String {
    let seconds = duration.as_secs_f64();
    match duration.as_nanos() {
        0 => "0s".to_owned(),
        1..1_000_000 => format!("{:.0}us", seconds * 1e6),
        1_000_000..1_000_000_000 => format!("{}ms", trim(seconds * 1e3)),
        1_000_000_000..120_000_000_000 => format!("{}s", trim(seconds)),
        120_000_000_000..7_200_000_000_000 => format!("{}min", trim(seconds / 60.0)),
        7_200_000_000_000..172_800_000_000_000 => format!("{}h", trim(seconds / 3600.0)),
        _ => format!("{}d", trim(seconds / 86_400.0)),
    }
}

fn trim(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or_else(|| text.clone(), str::to_owned)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_and_writes() {
        for (text, nanos) in [
            ("12s", 12_000_000_000),
            ("250ms", 250_000_000),
            ("1.5s", 1_500_000_000),
            ("3h", 10_800_000_000_000),
        ] {
            let duration = parse_duration(text).expect(text);
            assert_eq!(duration, Duration::from_nanos(nanos));
            assert_eq!(format_duration(duration), text);
        }
        for text in ["12", "s", "-1s", "1 fortnight", "1e3s"] {
            assert!(parse_duration(text).is_err(), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text: String) {
            let _ = parse_duration(&text);
        }
    }
}
