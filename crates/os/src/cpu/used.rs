//! Processor time as Linux accounts for it (getrusage(2)).

use std::{io, time::Duration};

use nix::sys::{
    resource::{Usage, UsageWho, getrusage},
    time::TimeVal,
};

use super::ProcessorTime;

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
