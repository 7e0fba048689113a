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
    /// Whose end is this one's too.
    above: Option<Arc<AtomicBool>>,
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

    /// An interrupt of its own for a part of what runs, which ends with the whole.
    pub(crate) fn branch(&self) -> Self {
        Self { raised: Arc::default(), above: Some(Arc::clone(&self.raised)) }
    }

    /// Ends what waits for it.
    pub(crate) fn raise(&self) {
        self.raised.store(true, Ordering::Relaxed);
    }

    /// Whether one was noted.
    pub(crate) fn is_raised(&self) -> bool {
        let above = self.above.as_ref().is_some_and(|flag| flag.load(Ordering::Relaxed));
        above || self.raised.load(Ordering::Relaxed)
    }

    /// The flag itself.
    pub(crate) fn flag(&self) -> &AtomicBool {
        &self.raised
    }

    /// Ends when an interrupt was noted.
    pub(crate) async fn raised(&self) {
        while !self.is_raised() {
            tokio::time::sleep(LOOK).await;
        }
    }
}
