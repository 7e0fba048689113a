//! A log that strangers cannot fill: one line a reason and minute.

use std::collections::HashMap;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

const ONCE_IN: Duration = Duration::from_mins(1);

/// Remembers when each reason was last told.
#[derive(Debug, Default)]
pub(crate) struct Quiet {
    told: Mutex<HashMap<&'static str, Instant>>,
}

impl Quiet {
    /// Warns, unless this reason was told within the last minute.
    pub(crate) fn warn(&self, reason: &'static str, text: &str) {
        if self.may_tell(reason, Instant::now()) {
            tracing::warn!("{text} (told once a minute)");
        }
    }

    /// Informs, unless this reason was told within the last minute.
    pub(crate) fn info(&self, reason: &'static str, text: &str) {
        if self.may_tell(reason, Instant::now()) {
            tracing::info!("{text} (told once a minute)");
        }
    }

    fn may_tell(&self, reason: &'static str, now: Instant) -> bool {
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        let due = told.get(reason).is_none_or(|last| now.duration_since(*last) >= ONCE_IN);
        if due {
            told.insert(reason, now);
        }
        due
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_reason_once_a_minute() {
        let (quiet, start) = (Quiet::default(), Instant::now());
        assert!(quiet.may_tell("a", start));
        assert!(!quiet.may_tell("a", start + Duration::from_secs(59)));
        assert!(quiet.may_tell("b", start));
        assert!(quiet.may_tell("a", start + Duration::from_mins(1)));
    }
}
