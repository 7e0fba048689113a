//! Rows of text and figures whose last column may be long.

use crate::cells::printable;

/// Rows whose first cell is text, the next `figures` are figures, and the others text, the last of it wrapped so that
/// lines keep to `width` columns of text.
pub(super) fn grid(width: u16, figures: usize, rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let widest = |at: usize| {
        rows.iter().filter_map(|row| row.get(at)).map(|cell| cell.chars().count()).max()
    };
    let widths: Vec<_> = (0..columns).map(|at| widest(at).unwrap_or(0)).collect();
    let lines = rows.iter().map(|row| {
        let mut line = String::from(INDENT);
        for (at, (cell, wide)) in row.iter().zip(&widths).enumerate() {
            let cell = printable(cell);
            let cell = if (1..=figures).contains(&at) {
                format!("{cell:>wide$}  ")
            } else if at + 1 < columns {
                format!("{cell:<wide$}  ")
            } else {
                hanging(&cell, line.chars().count(), width)
            };
            line.push_str(&cell);
        }
        format!("{}\n", line.trim_end())
    });
    lines.collect()
}

/// `text` from column `indent` on, its further lines below the first.
fn hanging(text: &str, indent: usize, width: u16) -> String {
    let width = usize::from(width).saturating_sub(indent).max(NARROWEST);
    let mut lines: Vec<String> = Vec::new();
    for word in text.split(' ') {
        match lines.last_mut() {
            Some(line) if line.chars().count() + 1 + word.chars().count() <= width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines.join(&format!("\n{}", " ".repeat(indent)))
}

const INDENT: &str = "  ";

/// Text is not squeezed below this.
const NARROWEST: usize = 16;

#[cfg(test)]
mod tests {
    use super::*;

    fn row(cells: [&str; 3]) -> Vec<String> {
        cells.map(str::to_owned).to_vec()
    }

    #[test]
    fn figures_stand_right_and_text_hangs() {
        let rows = [row(["name", "bytes", "source"]), row(["UDP", "8", "one two three four five"])];
        let wanted =
            "  name  bytes  source\n  UDP       8  one two three\n               four five\n";
        assert_eq!(grid(30, 1, &rows), wanted);
        assert_eq!(grid(30, 1, &[]), "");
    }
}
