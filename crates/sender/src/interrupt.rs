//! Ctrl-C and the request to terminate: noted, so that whatever runs can end in order.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use signal_hook::consts::{SIGINT, SIGTERM};

/// How late an interrupt may be noticed.
const LOOK: Duration = Duration::from_millis(50);

/// Whether the practitioner wants everything to end.
#[derive(Debug, Clone, Default)]
pub(crate) struct Interrupt {
    raised: Arc<AtomicBool>,
}

impl Interrupt {
    /// Notes the first Ctrl-C or request to terminate; the second one ends the program at once.
    pub(crate) fn watch() -> io::Result<Self> {
        let interrupt = Self::default();
        for signal in [SIGINT, SIGTERM] {
            // In this order: the first signal finds the flag down and raises it.
            signal_hook::flag::register_conditional_shutdown(
                signal,
                1,
                Arc::clone(&interrupt.raised),
            )?;
            signal_hook::flag::register(signal, Arc::clone(&interrupt.raised))?;
        }
        Ok(interrupt)
    }

    /// The flag itself.
    pub(crate) fn flag(&self) -> &AtomicBool {
        &self.raised
    }

    /// Ends when an interrupt was noted.
    pub(crate) async fn raised(&self) {
        while !self.raised.load(Ordering::Relaxed) {
            tokio::time::sleep(LOOK).await;
        }
    }
}
