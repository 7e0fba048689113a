//! Data threads, seen from the control side as futures.

use std::future::Future;

use tokio::sync::oneshot;

/// A data thread could not be started, or died.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the thread '{name}' could not be started or died")]
pub struct ThreadFault {
    name: &'static str,
}

/// Runs `work` on a thread of its own, named `name`; the future gives what it returns.
///
/// The thread starts at once, and goes on when the future is dropped: its own bounds and switch end it.
pub fn on_thread<T: Send + 'static>(
    name: &'static str,
    work: impl FnOnce() -> T + Send + 'static,
) -> impl Future<Output = Result<T, ThreadFault>> {
    let (give, take) = oneshot::channel();
    let started = std::thread::Builder::new().name(name.to_owned()).spawn(move || {
        // Nobody waits any more when the run was given up.
        let _ = give.send(work());
    });
    async move {
        if started.is_err() {
            return Err(ThreadFault { name });
        }
        take.await.map_err(|_| ThreadFault { name })
    }
}
