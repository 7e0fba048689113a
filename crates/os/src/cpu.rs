//! Processor time of each core, of this process and thread; what the host is; what its UDP sockets dropped.

mod host;
#[cfg(target_os = "linux")]
mod pin;
#[cfg(any(test, not(target_os = "linux")))]
#[cfg_attr(
    target_os = "linux",
    allow(unreachable_pub, reason = "public where it is the system's own")
)]
mod portable;
mod sample;
#[cfg(target_os = "linux")]
mod used;

use std::time::Duration;

#[cfg(target_os = "linux")]
pub use self::{
    pin::{pin_to, usable_cores},
    used::{process_time, thread_time},
};
pub use host::{DroppedDatagrams, dropped_datagrams, host_name, kernel_release, processor_model};
#[cfg(not(target_os = "linux"))]
pub use portable::{pin_to, process_time, thread_time, usable_cores};
pub use sample::{CoreUse, CpuSample, busiest};

/// Processor time that was used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ProcessorTime {
    /// In the program itself.
    pub user: Duration,
    /// In the kernel on the program's behalf.
    pub system: Duration,
}

impl ProcessorTime {
    /// Both parts together.
    pub fn total(&self) -> Duration {
        self.user + self.system
    }
}

#[cfg(test)]
#[cfg(target_os = "linux")]
mod tests {
    use std::time::Instant;

    use super::*;

    #[test]
    fn a_busy_thread_is_charged_and_counts_for_the_process() {
        let (process, thread, begun) =
            (process_time().unwrap(), thread_time().unwrap(), Instant::now());
        while thread_time().unwrap().total() < thread.total() + Duration::from_millis(50) {
            assert!(begun.elapsed() < Duration::from_secs(20), "never charged");
        }
        assert!(begun.elapsed() >= Duration::from_millis(45));
        let used = process_time().unwrap().total().checked_sub(process.total()).unwrap();
        assert!(used >= Duration::from_millis(45), "{used:?}");
    }
}
