//! What was measured and what was predicted, one line a tunnel.

use std::fs;
use std::path::Path;

use super::facts::Facts;
use super::goodput::Reached;
use super::lengths::Lengths;

const HEADINGS: &str = concat!(
    "                       lengths     longest in one     TCP toward far     TCP toward near    ceiling\n",
    "tunnel              both ways    inner → outer       Mbit/s      off     Mbit/s      off    Mbit/s",
);

/// Prints the line and leaves it in the folder, and the headings above it.
pub(super) fn show(folder: &Path, facts: &Facts, lengths: &Lengths, goodput: &[Reached; 2]) {
    let [far, near] = goodput;
    let (inner, outer) = lengths.longest;
    let line = format!(
        "{:<22} {:>7}    {inner:>5} → {outer:<5}    {:>9.3} {:>+6.2} %  {:>9.3} {:>+6.2} % {:>9.3}",
        facts.key,
        lengths.checked,
        far.goodput_bps / 1e6,
        far.off() * 100.0,
        near.goodput_bps / 1e6,
        near.off() * 100.0,
        far.ceiling_bps / 1e6,
    );
    eprintln!("{HEADINGS}\n{line}");
    if let Some(into) = folder.parent() {
        fs::write(into.join("headings.txt"), format!("{HEADINGS}\n")).expect("the headings");
    }
    fs::write(folder.join("row.txt"), format!("{line}\n")).expect("the line");
}
