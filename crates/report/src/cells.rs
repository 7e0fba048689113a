//! Text that was typed or received, made harmless for the format it goes into.

/// Without control characters: a name from a plan or a peer must not steer the terminal.
pub(crate) fn printable(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { '\u{fffd}' } else { letter }).collect()
}

/// As a spreadsheet's cell: what would begin a formula gets an apostrophe in front.
pub(crate) fn spreadsheet(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}

/// As Markdown text in a table's cell or a list: characters that mean something there are escaped.
pub(crate) fn markdown(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for letter in printable(text).chars() {
        if matches!(letter, '\\' | '|' | '*' | '_' | '`' | '<' | '>' | '[' | ']' | '#') {
            escaped.push('\\');
        }
        escaped.push(letter);
    }
    escaped
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_cannot_become_formulas_or_commands() {
        assert_eq!(spreadsheet("=1+1"), "'=1+1");
        assert_eq!(spreadsheet("@cabin"), "'@cabin");
        assert_eq!(spreadsheet("-x"), "'-x");
        assert_eq!(spreadsheet("+x"), "'+x");
        assert_eq!(spreadsheet("cabin = home"), "cabin = home");
        assert_eq!(printable("a\u{1b}[2Jb\n"), "a\u{fffd}[2Jb\u{fffd}");
        assert_eq!(markdown("a|b_c"), r"a\|b\_c");
    }
}
