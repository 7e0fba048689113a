//! The known word that a mistyped one probably meant.

/// The word of `known` that takes the fewest single-letter changes to reach from `typed`, unless that is more than a
/// third of its length (at least one, two for a mere swap or repeat).
pub(super) fn nearest<'k>(typed: &str, known: impl Iterator<Item = &'k str>) -> Option<&'k str> {
    // Beyond this no key is near, and the table of distances would only cost time.
    if typed.len() > 64 {
        return None;
    }
    let typed = typed.to_lowercase().replace('-', "_");
    known
        .map(|word| (distance(&typed, word), word))
        .filter(|(changes, word)| *changes <= (word.chars().count() / 3).max(2))
        .filter(|(changes, word)| *changes < word.chars().count())
        .min_by_key(|(changes, _)| *changes)
        .map(|(_, word)| word)
}

/// Insertions, deletions and replacements of one letter that turn `from` into `into` (V. I. Levenshtein, 1966).
fn distance(from: &str, into: &str) -> usize {
    let mut row: Vec<usize> = (0..=into.chars().count()).collect();
    for (index, typed) in from.chars().enumerate() {
        let mut diagonal = index;
        let mut left = index + 1;
        let mut next = vec![left];
        for (wanted, above) in into.chars().zip(row.iter().skip(1)) {
            let replaced = diagonal + usize::from(typed != wanted);
            diagonal = *above;
            left = replaced.min(above + 1).min(left + 1);
            next.push(left);
        }
        row = next;
    }
    row.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_single_letter_changes() {
        // Worked by hand: kitten → sitten → sittin → sitting.
        for (from, into, changes) in
            [("kitten", "sitting", 3), ("", "for", 3), ("for", "", 3), ("pace", "pace", 0)]
        {
            assert_eq!(distance(from, into), changes, "{from} {into}");
        }
    }

    #[test]
    fn offers_only_what_is_near() {
        let known = || ["rounds", "order", "for", "bring_up"].into_iter();
        assert_eq!(nearest("roudns", known()), Some("rounds"));
        assert_eq!(nearest("bring-up", known()), Some("bring_up"));
        assert_eq!(nearest("Order", known()), Some("order"));
        assert_eq!(nearest("window", known()), None);
        assert_eq!(nearest(&"r".repeat(1_000_000), known()), None);
    }
}
