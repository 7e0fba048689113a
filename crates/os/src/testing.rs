//! What several tests of this crate share.

use std::{
    process::Command,
    thread,
    time::{Duration, Instant},
};

use nix::sched::{CloneFlags, unshare};

/// Runs `test` on a thread in a new network namespace after the commands of `setup`, one a line.
///
/// The namespace vanishes with the thread. Returns false, having said so, where the test may not make one.
pub(crate) fn in_namespace(setup: &str, test: impl FnOnce() + Send) -> bool {
    thread::scope(|scope| {
        let thread = scope.spawn(|| {
            if let Err(error) = unshare(CloneFlags::CLONE_NEWNET) {
                eprintln!("skipped: a network namespace needs root: {error}");
                return false;
            }
            for line in setup.lines().map(str::trim) {
                let status = Command::new("sh").args(["-c", line]).status().unwrap();
                assert!(status.success(), "{line}");
            }
            test();
            true
        });
        thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic))
    })
}

/// Tries until `holds`, and fails when it has not within five seconds.
///
/// A file or socket that was closed lives on for moments when another test starts a command just then, as the child
/// holds a copy until it becomes that command.
pub(crate) fn wait_until(mut holds: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !holds() {
        assert!(begun.elapsed() < Duration::from_secs(5), "it never came");
        thread::sleep(Duration::from_millis(1));
    }
}
