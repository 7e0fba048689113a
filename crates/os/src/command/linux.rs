//! Commands of Linux: in a process group of their own, writing into memory.

use std::{
    fs::File,
    io,
    os::unix::{
        fs::FileExt as _,
        process::{CommandExt as _, ExitStatusExt as _},
    },
    process::{Child, Command, ExitStatus, Stdio},
};

use nix::{
    fcntl::{FcntlArg, SealFlag, fcntl},
    sys::{
        memfd::{MFdFlags, memfd_create},
        signal::{Signal, killpg},
    },
    unistd::Pid,
};

use super::{MOST_OUTPUT, SHOWN, printable, wait_a_while};

/// A command that was started.
///
/// It reads nothing, and Ctrl-C on the terminal does not reach it. Processes that it leaves behind in good order live
/// on: bringing up a tunnel often means that.
#[derive(Debug)]
pub struct Running {
    child: Child,
    output: Output,
}

impl Running {
    /// Starts `line` without the environment variables in `withheld`.
    pub fn start(line: &str, withheld: &[&str]) -> io::Result<Self> {
        let output = Output::new()?;
        let mut shell = Command::new("/bin/sh");
        shell.arg("-c").arg(line).stdin(Stdio::null()).process_group(0);
        for name in withheld {
            shell.env_remove(name);
        }
        let child = shell.stdout(output.writer()?).stderr(output.writer()?).spawn()?;
        Ok(Self { child, output })
    }

    /// How it ended, if it has.
    pub fn try_wait(&mut self) -> io::Result<Option<ExitStatus>> {
        self.output.bound();
        self.child.try_wait()
    }

    /// Asks the command and what it started to end, and insists after a while.
    pub fn end(&mut self) {
        let Ok(id) = i32::try_from(self.child.id()) else { return };
        let group = Pid::from_raw(id);
        let _ = killpg(group, Signal::SIGTERM);
        wait_a_while(&mut self.child);
        let _ = killpg(group, Signal::SIGKILL);
        let _ = self.child.wait();
    }

    /// The last that it wrote to standard output and standard error, printable; what it still writes is lost.
    pub fn output(self) -> String {
        self.output.close();
        self.output.tail()
    }
}

/// The signal that ended a command, if one did.
pub fn signal_of(status: ExitStatus) -> Option<i32> {
    status.signal()
}

/// Where a command writes: a file in memory, not a pipe, so that a daemon which it leaves behind neither keeps us
/// waiting for the end of its output nor is killed for writing once nobody reads.
#[derive(Debug)]
struct Output(File);

impl Output {
    fn new() -> io::Result<Self> {
        let flags = MFdFlags::MFD_CLOEXEC | MFdFlags::MFD_ALLOW_SEALING;
        Ok(Self(memfd_create(c"command output", flags)?.into()))
    }

    fn writer(&self) -> io::Result<Stdio> {
        self.0.try_clone().map(Stdio::from)
    }

    /// Lets the file grow no further once it holds more than anybody reads.
    fn bound(&self) {
        if self.len() > MOST_OUTPUT as u64 {
            self.close();
        }
    }

    /// Writes beyond the end fail from now on, without a signal to who tries.
    fn close(&self) {
        let _ = fcntl(&self.0, FcntlArg::F_ADD_SEALS(SealFlag::F_SEAL_GROW));
    }

    fn tail(&self) -> String {
        let mut bytes = vec![0; SHOWN];
        let read = self.0.read_at(&mut bytes, self.len().saturating_sub(SHOWN as u64)).unwrap_or(0);
        bytes.truncate(read);
        printable(&bytes)
    }

    fn len(&self) -> u64 {
        self.0.metadata().map_or(0, |facts| facts.len())
    }
}
