//! How an error reaches the practitioner: what happened, what to try, and the exit status.

use std::error::Error;

/// The exit statuses of both programs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum ExitStatus {
    /// Everything that was asked was done.
    Done = 0,
    /// The measurement ran but its result is void.
    Void = 1,
    /// The command line, plan or file cannot mean what was asked.
    Usage = 2,
    /// The peer cannot be reached or fell silent.
    Unreachable = 3,
    /// The peer refused us, or is not the listener that the invite names.
    Refused = 4,
    /// This host failed: disk, permission, missing interface.
    LocalFault = 5,
}

impl ExitStatus {
    /// The number handed to the system.
    pub const fn code(self) -> u8 {
        self as u8
    }
}

/// An error that can be shown: its text says what happened with the values, the hint says what to try.
///
/// Texts are lowercase fragments without a full stop.
pub trait Explain: Error {
    /// What the practitioner can try, as one sentence fragment; `None` when there is nothing to try.
    fn hint(&self) -> Option<String>;

    /// The status the program ends with.
    fn exit_status(&self) -> ExitStatus;
}

/// The error, its chain of causes on the same line, and its hint on the next.
pub fn explain(error: &dyn Explain) -> String {
    let mut text = format!("error: {error}");
    let mut cause = error.source();
    while let Some(inner) = cause {
        let inner_text = inner.to_string();
        if !text.ends_with(&inner_text) {
            text.push_str(": ");
            text.push_str(&inner_text);
        }
        cause = inner.source();
    }
    if let Some(hint) = error.hint() {
        text.push_str("\nhint: ");
        text.push_str(&hint);
    }
    text
}

/// What a command line parser complains of, in the form of [`explain`]: its first paragraph on one line, and as the hint
/// its own tip, or where the options are described.
pub fn explain_usage(complaint: &str, program: &str) -> String {
    let mut paragraphs = complaint.trim().split("\n\n");
    let lines = paragraphs.next().unwrap_or_default().lines().map(str::trim);
    let (hints, facts): (Vec<_>, Vec<_>) = lines.partition(|line| line.starts_with(HINT));
    let tips = paragraphs
        .flat_map(str::lines)
        .map(str::trim)
        .filter_map(|line| line.strip_prefix("tip: "));
    let hints = hints.into_iter().filter_map(|line| line.strip_prefix(HINT));
    let hint = hints.chain(tips).next();
    let hint = hint.map_or_else(|| format!("'{program} --help' lists the options"), str::to_owned);
    format!("{}\n{HINT}{hint}", facts.join(" "))
}

const HINT: &str = "hint: ";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_complaint_becomes_one_line_and_a_hint() {
        let complaint = "error: invalid value 'x' for '--toward <TOWARD>'\n  [possible values: far, near]\n\n  \
                         tip: a similar value exists: 'far'\n\nFor more information, try '--help'.\n";
        assert_eq!(
            explain_usage(complaint, "culvert"),
            "error: invalid value 'x' for '--toward <TOWARD>' [possible values: far, near]\n\
             hint: a similar value exists: 'far'"
        );
        assert_eq!(
            explain_usage("error: no\n  hint: do this\n\nUsage: x", "culvert"),
            "error: no\nhint: do this"
        );
        assert_eq!(
            explain_usage("error: no", "culvert"),
            "error: no\nhint: 'culvert --help' lists the options"
        );
    }
}
