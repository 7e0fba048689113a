//! Processor time of each core, of this process and thread; what the host is; what its UDP sockets dropped.

mod host;
mod pin;
mod sample;

pub use host::{DroppedDatagrams, dropped_datagrams, kernel_release, processor_model};
pub use pin::{pin_to, usable_cores};
pub use sample::{CoreUse, CpuSample, busiest};

use std::{io, time::Duration};

use nix::sys::{
    resource::{Usage, UsageWho, getrusage},
    time::TimeVal,
};

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

/// What this process used since it began, all threads together.
pub fn process_time() -> io::Result<ProcessorTime> {
    Ok(getrusage(UsageWho::RUSAGE_SELF)?.into())
}

/// What the calling thread used since it began.
pub fn thread_time() -> io::Result<ProcessorTime> {
    Ok(getrusage(UsageWho::RUSAGE_THREAD)?.into())
}

impl From<Usage> for ProcessorTime {
    fn from(usage: Usage) -> Self {
        Self { user: duration(usage.user_time()), system: duration(usage.system_time()) }
    }
}

fn duration(time: TimeVal) -> Duration {
    let seconds = u64::try_from(time.tv_sec()).unwrap_or_default();
    Duration::from_secs(seconds)
        + Duration::from_micros(u64::try_from(time.tv_usec()).unwrap_or_default())
}

#[cfg(test)]
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
