//! Commands that run on a host.

use std::{
    fs, io,
    os::unix::process::{CommandExt as _, ExitStatusExt as _},
    process::{Command, ExitStatus, Stdio},
    sync::mpsc::{self, Receiver, TryRecvError},
    thread::{Builder, Scope},
};

use culvert_os::namespace::{Namespace, ProcessTree};

use super::error::LabError;

/// A command that was started.
#[derive(Debug)]
pub(super) struct Running {
    ended: Receiver<io::Result<ExitStatus>>,
}

/// How much a command has to do with whoever sits at the terminal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Attended {
    /// It reads the terminal and gets its Ctrl-C.
    Yes,
    /// It does neither.
    No,
}

impl Running {
    /// Starts a shell command on a host; it is killed when this process ends, with all that it started.
    pub(super) fn start<'scope>(
        scope: &'scope Scope<'scope, '_>,
        host: &'scope Namespace,
        text: &str,
        attended: Attended,
    ) -> Result<Self, LabError> {
        let mut command = Command::new("/bin/sh");
        command.args(["-c", text]);
        if attended == Attended::No {
            command.stdin(Stdio::null()).process_group(0);
        }
        let (tell_started, started) = mpsc::channel();
        let (tell_ended, ended) = mpsc::channel();
        // The kernel ties all that runs to the thread that starts it, so this one stays until it has ended.
        let thread = move || {
            let tree = host.enter().and_then(|()| ProcessTree::start(&mut command));
            let mut tree = match tree {
                Ok(tree) => tree,
                Err(error) => {
                    let _ = tell_started.send(Err(error));
                    return;
                }
            };
            let _ = tell_started.send(Ok(()));
            let _ = tell_ended.send(tree.wait_for_command());
            let _ = tree.wait_for_all();
        };
        let failed = |source| LabError::Command { command: text.to_owned(), source };
        Builder::new().spawn_scoped(scope, thread).map_err(failed)?;
        started.recv().map_err(io::Error::other).and_then(|outcome| outcome).map_err(failed)?;
        Ok(Self { ended })
    }

    /// How it ended; `None` while it runs.
    pub(super) fn ended(&self) -> Option<io::Result<ExitStatus>> {
        match self.ended.try_recv() {
            Ok(outcome) => Some(outcome),
            Err(TryRecvError::Empty) => None,
            Err(error @ TryRecvError::Disconnected) => Some(Err(io::Error::other(error))),
        }
    }
}

/// The status to end with in the name of a command, as a shell would.
pub(super) fn code(status: ExitStatus) -> u8 {
    let code = status.code().or_else(|| status.signal().map(|signal| 128 + signal));
    code.and_then(|code| u8::try_from(code).ok()).unwrap_or(u8::MAX)
}

/// Whether something listens on this TCP port of the calling thread's namespace.
pub(super) fn is_listened_to(port: u16) -> bool {
    ["tcp", "tcp6"].iter().any(|table| {
        fs::read_to_string(format!("/proc/thread-self/net/{table}"))
            .is_ok_and(|table| table.lines().any(|line| is_listener(line, port)))
    })
}

/// Fields of `proc_net_tcp(5)`: number, local address:port in hexadecimal, remote, state; 0A is listening.
fn is_listener(line: &str, port: u16) -> bool {
    let mut fields = line.split_whitespace().skip(1);
    let (local, state) = (fields.next(), fields.nth(1));
    let found = local.and_then(|local| u16::from_str_radix(local.rsplit_once(':')?.1, 16).ok());
    found == Some(port) && state == Some("0A")
}

#[cfg(test)]
mod tests {
    use std::net::TcpListener;

    use super::*;

    #[test]
    fn listeners_are_seen() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        assert!(is_listened_to(port));
        drop(listener);
        assert!(!is_listened_to(port));
    }

    #[test]
    fn a_command_ends_as_in_a_shell() {
        for (script, expected) in [("exit 0", 0), ("exit 3", 3), ("kill -TERM $$", 143)] {
            let status = Command::new("sh").args(["-c", script]).status().unwrap();
            assert_eq!(code(status), expected, "{script}");
        }
    }
}
