//! Words of a peer: short and printable, whatever it sends.

use serde::{Deserialize, Deserializer};

/// The most characters of a peer's text that are kept.
const MOST_CHARACTERS: usize = 256;

/// A peer's text as it may be stored and shown: at most 256 characters, and no character that moves the cursor,
/// colours the terminal or turns the reading direction.
fn printable(text: &str) -> String {
    text.chars().take(MOST_CHARACTERS).map(|c| if is_plain(c) { c } else { '\u{fffd}' }).collect()
}

/// Unicode's controls and its invisible formatting characters, those of bidirectional text among them (UAX #9).
fn is_plain(c: char) -> bool {
    let formatting = matches!(c,
        '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}');
    !c.is_control() && !formatting
}

/// Reads a text field.
pub(super) fn text<'de, D: Deserializer<'de>>(deserializer: D) -> Result<String, D::Error> {
    String::deserialize(deserializer).map(|text| printable(&text))
}

/// Reads a text field that may be missing.
pub(super) fn optional<'de, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<Option<String>, D::Error> {
    Option::<String>::deserialize(deserializer).map(|text| text.map(|text| printable(&text)))
}

/// Reads a list of texts, the first 32 of them.
pub(super) fn few<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<String>, D::Error> {
    const MOST: usize = 32;
    let all = Vec::<String>::deserialize(deserializer)?;
    Ok(all.iter().take(MOST).map(|text| printable(text)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::message::{FromFar, FromNear};

    #[test]
    fn escapes_and_length_do_not_pass() {
        let hello =
            serde_json::json!({"type": "hello", "version": 1, "program": "a\u{1b}[31m\u{202e}b\n"});
        let FromNear::Hello { program, .. } = serde_json::from_value(hello).expect("a hello")
        else {
            panic!("not a hello")
        };
        assert_eq!(program, "a\u{fffd}[31m\u{fffd}b\u{fffd}");
        assert_eq!(printable(&"é".repeat(300)).chars().count(), MOST_CHARACTERS);
    }

    #[test]
    fn a_missing_text_is_none() {
        let welcome = serde_json::json!({"type": "welcome", "version": 1, "end": {"program": "x"},
            "limits": {"duration_ms": 1, "flows": 1}, "later": true});
        let FromFar::Welcome { end, limits, .. } =
            serde_json::from_value(welcome).expect("a welcome")
        else {
            panic!("not a welcome")
        };
        assert_eq!((end.system, end.interface_mtu, limits.rate_bps), (None, None, None));
    }

    proptest::proptest! {
        #[test]
        fn whatever_a_peer_says_is_short_and_plain(text: String) {
            let kept = printable(&text);
            proptest::prop_assert!(kept.chars().count() <= MOST_CHARACTERS);
            proptest::prop_assert!(kept.chars().all(is_plain));
        }
    }
}
