//! From a typed name to an encapsulation, with the nearest one offered when there is none.

use std::str::FromStr;

use crate::{Encapsulation, ParseEncapsulationError, UnknownEncapsulation, all};

pub(crate) fn find(key: &str) -> Result<&'static Encapsulation, UnknownEncapsulation> {
    all()
        .iter()
        .find(|row| row.key() == key)
        .ok_or_else(|| UnknownEncapsulation { typed: shortened(key), nearest: nearest(key) })
}

impl FromStr for Encapsulation {
    type Err = ParseEncapsulationError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if let Some(bytes) = text.strip_prefix("geneve:") {
            let geneve = number(bytes).and_then(Self::geneve);
            return geneve
                .ok_or_else(|| ParseEncapsulationError::Geneve { typed: shortened(text) });
        }
        let Some(numbers) = text.strip_prefix("custom:") else {
            return Ok(find(text)?.clone());
        };
        let (bytes, alignment) = numbers.split_once(':').unwrap_or((numbers, "1"));
        number(bytes)
            .zip(number(alignment))
            .and_then(|(bytes, alignment)| Self::custom(bytes, alignment))
            .ok_or_else(|| ParseEncapsulationError::Custom { typed: shortened(text) })
    }
}

/// Digits alone: the standard parser would also take a plus sign.
fn number(text: &str) -> Option<u16> {
    text.bytes().all(|byte| byte.is_ascii_digit()).then(|| text.parse().ok()).flatten()
}

/// The key whose letters are nearest, a key that begins like the word or a name that contains it first.
fn nearest(typed: &str) -> &'static str {
    let typed = shortened(typed).to_lowercase();
    let related = |row: &&Encapsulation| {
        !typed.is_empty()
            && (row.key().starts_with(&typed)
                || typed.starts_with(row.key())
                || row.name().to_lowercase().contains(&typed))
    };
    all()
        .iter()
        .find(related)
        .map(Encapsulation::key)
        .or_else(|| nearest_word(&typed, all().iter().map(Encapsulation::key)))
        .unwrap_or("none")
}

/// The one of `words` that takes the fewest changes of letters to become `typed`; `None` of no words.
pub fn nearest_word<'w>(typed: &str, words: impl IntoIterator<Item = &'w str>) -> Option<&'w str> {
    let typed = shortened(typed).to_lowercase();
    words.into_iter().min_by_key(|word| distance(&typed, word))
}

/// How many letters must be put in, taken out or exchanged to turn one word into the other.
fn distance(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut above: Vec<usize> = (0..=to.len()).collect();
    for (row, letter) in from.chars().enumerate() {
        let mut left = row + 1;
        let mut current = vec![left];
        for (wanted, pair) in to.iter().zip(above.windows(2)) {
            let [diagonal, up] = pair else { continue };
            left = (diagonal + usize::from(letter != *wanted)).min(up + 1).min(left + 1);
            current.push(left);
        }
        above = current;
    }
    above.last().copied().unwrap_or(0)
}

fn shortened(text: &str) -> String {
    text.chars().take(60).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_key_is_offered() {
        for (typed, nearest) in [
            ("wiregaurd", "wireguard"),
            ("WireGuard", "wireguard"),
            ("wireguard-go", "wireguard"),
            ("esp-cbc-sha265", "esp-cbc-sha256"),
            ("openvpn", "openvpn-udp-aead"),
            ("IPsec", "esp-gcm"),
            ("pptp", "pptp-mppe"),
        ] {
            let error = find(typed).unwrap_err();
            assert_eq!((error.typed.as_str(), error.nearest), (typed, nearest));
        }
    }

    /// Vladimir Levenshtein's distance; the textbook pair, from memory.
    #[test]
    fn distance_counts_letters() {
        assert_eq!(distance("kitten", "sitting"), 3);
        assert_eq!(distance("", "abc"), 3);
        assert_eq!(distance("abc", ""), 3);
    }

    #[test]
    fn custom_sizes_are_bounded() {
        assert_eq!("custom:60".parse::<Encapsulation>().unwrap().key(), "custom:60:1");
        assert!("custom:60:16".parse::<Encapsulation>().is_ok());
        for text in [
            "custom:",
            "custom:0",
            "custom:60:0",
            "custom:60:257",
            "custom:1001",
            "custom:+5",
            "custom:5:4:3",
        ] {
            assert!(
                matches!(
                    text.parse::<Encapsulation>(),
                    Err(ParseEncapsulationError::Custom { .. })
                ),
                "{text}"
            );
        }
    }

    /// RFC 8926 section 3.4: the length of the options has 6 bits and counts 4 bytes each.
    #[test]
    fn geneve_options_are_whole_words() {
        assert_eq!("geneve:252".parse::<Encapsulation>().unwrap().key(), "geneve:252");
        for text in ["geneve:", "geneve:0", "geneve:6", "geneve:256", "geneve:-4"] {
            let error = text.parse::<Encapsulation>().unwrap_err();
            assert!(matches!(error, ParseEncapsulationError::Geneve { .. }), "{text}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text: String) {
            let _ = format!("geneve:{text}").parse::<Encapsulation>();
            let _ = text.parse::<Encapsulation>();
            let _ = format!("custom:{text}").parse::<Encapsulation>();
        }
    }
}
