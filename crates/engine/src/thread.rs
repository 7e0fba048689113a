//! Data threads, seen from the control side as futures.

use std::future::Future;
use std::sync::Arc;

use culvert_os::cpu;
use culvert_units::{ExitStatus, Explain};
use tokio::sync::oneshot;

/// A data thread could not be started, or died.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the thread '{name}' could not be started or died")]
pub struct ThreadFault {
    name: &'static str,
}

/// The cores that data threads are kept on, in turn; none lets the system choose.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Pins {
    cores: Arc<[u32]>,
    first: usize,
}

impl Pins {
    /// Cores that this process may use, all of them.
    pub fn new(cores: &[u32]) -> Result<Self, PinError> {
        let usable = cpu::usable_cores().unwrap_or_default();
        match cores.iter().find(|core| !usable.contains(core)) {
            Some(&core) => Err(PinError { core, usable }),
            None => Ok(Self { cores: cores.into(), first: 0 }),
        }
    }

    /// The same cores, beginning after the first `taken` of them in turn: another leg has these.
    #[must_use]
    pub fn after(&self, taken: usize) -> Self {
        Self { cores: Arc::clone(&self.cores), first: self.first + taken }
    }

    /// The core of a leg's thread by its number; `None` when the system chooses.
    pub fn core(&self, thread: usize) -> Option<u32> {
        self.cores.iter().cycle().nth((self.first + thread) % self.cores.len().max(1)).copied()
    }

    /// All cores, in the order asked for; `None` when the system chooses.
    pub fn cores(&self) -> Option<Vec<u32>> {
        (!self.cores.is_empty()).then(|| self.cores.to_vec())
    }
}

/// A core that data threads cannot be kept on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("data threads cannot be kept on core {core}: this process may use {}", listed(usable))]
pub struct PinError {
    core: u32,
    usable: Vec<u32>,
}

fn listed(cores: &[u32]) -> String {
    cores.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
}

impl Explain for PinError {
    fn hint(&self) -> Option<String> {
        Some("name cores of this list with --pin, separated by commas".to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Usage
    }
}

/// Runs `work` on a thread of its own, named `name`; the future gives what it returns.
///
/// The thread starts at once, and goes on when the future is dropped: its own bounds and switch end it.
pub fn on_thread<T: Send + 'static>(
    name: &'static str,
    work: impl FnOnce() -> T + Send + 'static,
) -> impl Future<Output = Result<T, ThreadFault>> {
    on_pinned_thread(name, None, work)
}

/// The same on a thread that is kept on `core`; a core that cannot be used (any more) is a fault.
pub fn on_pinned_thread<T: Send + 'static>(
    name: &'static str,
    core: Option<u32>,
    work: impl FnOnce() -> T + Send + 'static,
) -> impl Future<Output = Result<T, ThreadFault>> {
    let (give, take) = oneshot::channel();
    let started = std::thread::Builder::new().name(name.to_owned()).spawn(move || {
        if core.is_some_and(|core| cpu::pin_to(core).is_err()) {
            return;
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn threads_take_their_cores_in_turn_and_the_next_leg_goes_on_there() {
        let pins = Pins { cores: [3, 5].into(), first: 0 };
        assert_eq!([0, 1, 2].map(|thread| pins.core(thread)), [Some(3), Some(5), Some(3)]);
        assert_eq!([0, 1].map(|thread| pins.after(3).core(thread)), [Some(5), Some(3)]);
        assert_eq!(Pins::default().after(1).core(4), None);
        assert_eq!((pins.cores(), Pins::default().cores()), (Some(vec![3, 5]), None));
    }

    #[test]
    fn a_core_that_is_not_there_is_refused_with_those_that_are() {
        let usable = cpu::usable_cores().expect("cores");
        assert!(Pins::new(&usable).is_ok());
        let error = Pins::new(&[*usable.last().expect("a core") + 77]).expect_err("no such core");
        assert!(error.to_string().contains(&format!("may use {}", listed(&usable))), "{error}");
    }

    #[tokio::test]
    async fn a_pinned_thread_runs_where_it_was_put() {
        let core = *cpu::usable_cores().expect("cores").last().expect("a core");
        let usable = on_pinned_thread("pinned", Some(core), || cpu::usable_cores().ok());
        assert_eq!(usable.await, Ok(Some(vec![core])));
        assert!(on_pinned_thread("nowhere", Some(u32::MAX), || ()).await.is_err());
    }
}
