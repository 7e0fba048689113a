//! A command and everything it starts, of which nothing can be left behind (`pid_namespaces(7)`).

use std::{
    ffi::c_int,
    io::{self, PipeReader, Read as _},
    os::{
        fd::{AsRawFd as _, RawFd},
        unix::process::{CommandExt as _, ExitStatusExt as _},
    },
    process::{Child, Command, ExitStatus},
};

use nix::sys::{prctl, signal::Signal};

/// A running command in a process namespace of its own.
///
/// The namespace has a first process of ours, which takes in orphans. When that is gone, the kernel kills all others;
/// and it is killed when the thread that started it ends, however that comes.
#[derive(Debug)]
pub struct ProcessTree {
    first: Child,
    outcome: PipeReader,
}

impl ProcessTree {
    /// Starts `command`. The calling thread can start no thread afterwards. Needs `CAP_SYS_ADMIN`.
    pub fn start(command: &mut Command) -> io::Result<Self> {
        let (outcome, tell_outcome) = io::pipe()?;
        let tells = tell_outcome.as_raw_fd();
        super::unshare(libc::CLONE_NEWPID)?;
        #[expect(
            unsafe_code,
            reason = "what runs between fork and exec must be declared fit for it"
        )]
        // SAFETY: the closure only makes system calls; it neither allocates nor takes a lock.
        unsafe {
            command.pre_exec(move || {
                prctl::set_pdeathsig(Signal::SIGKILL)?;
                become_second(tells)
            })
        };
        let first = command.spawn()?;
        Ok(Self { first, outcome })
    }

    /// Waits until the command has ended, and says how. What it started may still run.
    pub fn wait_for_command(&mut self) -> io::Result<ExitStatus> {
        let mut status = [0; size_of::<c_int>()];
        match self.outcome.read_exact(&mut status) {
            Ok(()) => Ok(ExitStatus::from_raw(c_int::from_ne_bytes(status))),
            // The first process was killed, and the command with it.
            Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => {
                Ok(ExitStatus::from_raw(libc::SIGKILL))
            }
            Err(error) => Err(error),
        }
    }

    /// Waits until nothing runs any more.
    pub fn wait_for_all(&mut self) -> io::Result<()> {
        self.first.wait().map(drop)
    }

    /// The process that is killed in order to kill all.
    pub fn first_process(&self) -> u32 {
        self.first.id()
    }
}

/// Returns in a new process, while this one stays the first of its namespace.
fn become_second(tells: RawFd) -> io::Result<()> {
    #[expect(unsafe_code, reason = "no dependency forks between fork and exec")]
    // SAFETY: the process has one thread, being a fork itself.
    let second = unsafe { libc::fork() };
    match second {
        0 => Ok(()),
        1.. => be_first(second, tells),
        _ => Err(io::Error::last_os_error()),
    }
}

/// Takes in processes until none is left, and tells how `second` ended. Signals do not end it: the kernel keeps those
/// without a handler from the first process, and the handlers it has from us only note things in its own memory.
fn be_first(second: libc::pid_t, tells: RawFd) -> ! {
    // What it holds open would be missed elsewhere: whoever started it waits for the end of a pipe, for instance.
    close_between(3, tells - 1);
    close_between(tells + 1, c_int::MAX);
    loop {
        let mut status = 0;
        #[expect(unsafe_code, reason = "the safe wrapper cannot hand on a status as it is")]
        // SAFETY: the pointer is to a variable that outlives the call.
        let ended = unsafe { libc::waitpid(-1, &raw mut status, 0) };
        if ended == second {
            let status = status.to_ne_bytes();
            #[expect(unsafe_code, reason = "only the number of the descriptor is known here")]
            // SAFETY: the pointer and the length describe `status`. Whether anybody still reads does not matter.
            unsafe {
                libc::write(tells, status.as_ptr().cast(), status.len())
            };
        } else if ended < 0 && io::Error::last_os_error().kind() != io::ErrorKind::Interrupted {
            #[expect(unsafe_code, reason = "a fork must not run what its original does at exit")]
            // SAFETY: the call takes no pointers and does not return.
            unsafe {
                libc::_exit(0)
            };
        }
    }
}

fn close_between(first: RawFd, last: RawFd) {
    let (Ok(first), Ok(last)) = (u32::try_from(first), u32::try_from(last)) else { return };
    if first > last {
        return;
    }
    #[expect(unsafe_code, reason = "no dependency closes many descriptors at once")]
    // SAFETY: the process has one thread and uses none of these descriptors any more: it never returns to their owners.
    unsafe {
        libc::close_range(first, last, 0)
    };
}

#[cfg(test)]
mod tests {
    use std::{fs, process::Stdio, thread};

    use super::*;
    use crate::namespace::Namespace;

    fn start(script: &str) -> Option<ProcessTree> {
        let mut command = Command::new("/bin/sh");
        let tree = ProcessTree::start(command.args(["-c", script]).stdin(Stdio::null()));
        tree.inspect_err(|error| eprintln!("skipped: needs root: {error}")).ok()
    }

    fn on_a_thread(work: impl FnOnce() + Send + 'static) {
        thread::spawn(work).join().unwrap();
    }

    #[test]
    fn the_end_of_the_command_is_told_before_that_of_all() {
        on_a_thread(|| {
            let Some(mut tree) = start("sleep 1 & exit 7") else { return };
            assert_eq!(tree.wait_for_command().unwrap().code(), Some(7));
            assert!(tree.first.try_wait().unwrap().is_none());
            tree.wait_for_all().unwrap();
        });
    }

    #[test]
    fn a_signal_that_ends_the_command_is_told() {
        on_a_thread(|| {
            let Some(mut tree) = start("kill -TERM $$") else { return };
            assert_eq!(tree.wait_for_command().unwrap().signal(), Some(libc::SIGTERM));
            tree.wait_for_all().unwrap();
        });
    }

    #[test]
    fn a_command_that_cannot_be_started_is_an_error() {
        on_a_thread(|| {
            if Namespace::new().is_err() {
                return;
            }
            let error = ProcessTree::start(&mut Command::new("/no/such/file")).unwrap_err();
            assert_eq!(error.kind(), io::ErrorKind::NotFound);
        });
    }

    /// The grandchild has left the process group and the session, and ignores what can be ignored.
    #[test]
    fn grandchildren_end_with_the_thread() {
        let (tell, told) = std::sync::mpsc::channel();
        let thread = thread::spawn(move || {
            let script =
                "setsid sh -c 'trap \"\" TERM INT HUP; while :; do sleep 0.1; done' & echo; wait";
            let mut command = Command::new("/bin/sh");
            command.args(["-c", script]).stdin(Stdio::null()).stdout(Stdio::piped());
            let mut tree = ProcessTree::start(&mut command).ok()?;
            tree.first.stdout.take().unwrap().read_exact(&mut [0]).unwrap();
            let namespace = format!("/proc/{}/ns/pid", tree.first_process());
            tell.send(fs::read_link(namespace).unwrap()).unwrap();
            Some(tree)
        });
        let Ok(namespace) = told.recv() else { return eprintln!("skipped: needs root") };
        thread.join().unwrap().unwrap().wait_for_all().unwrap();
        let inside = || {
            fs::read_dir("/proc").unwrap().filter_map(Result::ok).filter(|entry| {
                fs::read_link(entry.path().join("ns/pid")).is_ok_and(|found| found == namespace)
            })
        };
        assert_eq!(inside().count(), 0);
    }
}
