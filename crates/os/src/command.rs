//! A command line of the practitioner, run by the system's shell.

#[cfg(test)]
#[cfg(target_os = "linux")]
#[allow(unreachable_pub, reason = "public where it is the system's own")]
mod portable;
#[cfg_attr(target_os = "linux", path = "command/linux.rs")]
#[cfg_attr(not(target_os = "linux"), path = "command/portable.rs")]
mod system;

use std::{
    process::Child,
    thread,
    time::{Duration, Instant},
};

pub use system::{Running, signal_of};

const BETWEEN_LOOKS: Duration = Duration::from_millis(10);
/// How long a command that is asked to end may take.
const GRACE: Duration = Duration::from_secs(2);
/// What a command may write before it can write no more.
const MOST_OUTPUT: usize = 1 << 20;
/// The last of it that is kept.
const SHOWN: usize = 4 << 10;

/// Waits until `child` has ended, for [`GRACE`] at most.
fn wait_a_while(child: &mut Child) {
    let since = Instant::now();
    while since.elapsed() < GRACE && matches!(child.try_wait(), Ok(None)) {
        thread::sleep(BETWEEN_LOOKS);
    }
}

/// Output without what would steer the practitioner's terminal.
fn printable(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(bytes);
    text.chars().filter(|c| matches!(c, '\n' | '\t') || !c.is_control()).collect()
}
