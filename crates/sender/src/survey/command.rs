//! Runs one command line of the plan in a process group of its own.

use std::{
    fmt,
    fs::File,
    io,
    os::unix::{
        fs::FileExt as _,
        process::{CommandExt as _, ExitStatusExt as _},
    },
    process::{Child, Command, ExitStatus, Stdio},
    thread,
    time::{Duration, Instant},
};

use culvert_units::format_duration;
use nix::{
    fcntl::{FcntlArg, SealFlag, fcntl},
    sys::{
        memfd::{MFdFlags, memfd_create},
        signal::{Signal, killpg},
    },
    unistd::Pid,
};

/// How a command ended, and what it wrote.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommandEnd {
    how: How,
    output: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum How {
    Status(ExitStatus),
    OutOfTime(Duration),
    Interrupted,
    NotRun(String),
}

impl CommandEnd {
    /// The command was run, ended with `status` and wrote `output`.
    pub const fn with_status(status: ExitStatus, output: String) -> Self {
        Self { how: How::Status(status), output }
    }

    /// Whether it ended with status 0.
    pub fn succeeded(&self) -> bool {
        matches!(self.how, How::Status(status) if status.success())
    }

    /// The last that it wrote to standard output and standard error.
    pub fn output(&self) -> &str {
        &self.output
    }

    fn not_run(problem: &io::Error) -> Self {
        Self { how: How::NotRun(problem.to_string()), output: String::new() }
    }
}

impl fmt::Display for CommandEnd {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.how {
            How::Status(status) => match (status.code(), status.signal()) {
                (Some(code), _) => write!(f, "ended with status {code}"),
                (None, Some(signal)) => write!(f, "was ended by signal {signal}"),
                (None, None) => f.write_str("ended"),
            },
            How::OutOfTime(limit) => write!(f, "was ended after {}", format_duration(*limit)),
            How::Interrupted => f.write_str("was interrupted"),
            How::NotRun(problem) => write!(f, "could not be run: {problem}"),
        }
    }
}

/// Runs `line` by the shell until it ends, `limit` is over or `cut` says so.
///
/// The command reads nothing, does not get the invite, and Ctrl-C on the terminal does not reach it. Processes that it
/// leaves behind in good order live on: bringing up a tunnel often means that.
pub(super) fn run(line: &str, limit: Duration, cut: &dyn Fn() -> bool) -> CommandEnd {
    let (output, mut child) = match start(line) {
        Ok(started) => started,
        Err(problem) => return CommandEnd::not_run(&problem),
    };
    let how = wait(&mut child, &output, limit, cut);
    if !matches!(how, How::Status(_)) {
        end_group(&mut child);
    }
    output.close();
    CommandEnd { how, output: output.tail() }
}

fn start(line: &str) -> io::Result<(Output, Child)> {
    let output = Output::new()?;
    let child = shell(line).stdout(output.writer()?).stderr(output.writer()?).spawn()?;
    Ok((output, child))
}

fn shell(line: &str) -> Command {
    let mut shell = Command::new("/bin/sh");
    shell.arg("-c").arg(line).env_remove("CULVERT_INVITE").stdin(Stdio::null()).process_group(0);
    shell
}

fn wait(child: &mut Child, output: &Output, limit: Duration, cut: &dyn Fn() -> bool) -> How {
    let since = Instant::now();
    loop {
        match child.try_wait() {
            Ok(Some(status)) => return How::Status(status),
            Ok(None) => {}
            Err(problem) => return How::NotRun(problem.to_string()),
        }
        if cut() {
            return How::Interrupted;
        }
        if since.elapsed() >= limit {
            return How::OutOfTime(limit);
        }
        output.bound();
        thread::sleep(BETWEEN_LOOKS);
    }
}

/// Asks the command and what it started to end, and insists after a while.
fn end_group(child: &mut Child) {
    let Ok(id) = i32::try_from(child.id()) else { return };
    let group = Pid::from_raw(id);
    let _ = killpg(group, Signal::SIGTERM);
    let since = Instant::now();
    while since.elapsed() < GRACE && matches!(child.try_wait(), Ok(None)) {
        thread::sleep(BETWEEN_LOOKS);
    }
    let _ = killpg(group, Signal::SIGKILL);
    let _ = child.wait();
}

/// Where a command writes: a file in memory, not a pipe, so that a daemon which it leaves behind neither keeps us
/// waiting for the end of its output nor is killed for writing once nobody reads.
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
        if self.len() > MOST_OUTPUT {
            self.close();
        }
    }

    /// Writes beyond the end fail from now on, without a signal to who tries.
    fn close(&self) {
        let _ = fcntl(&self.0, FcntlArg::F_ADD_SEALS(SealFlag::F_SEAL_GROW));
    }

    fn tail(&self) -> String {
        let from = self.len().saturating_sub(SHOWN);
        let mut bytes = vec![0; usize::try_from(SHOWN).unwrap_or(0)];
        let read = self.0.read_at(&mut bytes, from).unwrap_or(0);
        bytes.truncate(read);
        let text = String::from_utf8_lossy(&bytes);
        // Escape sequences must not reach the practitioner's terminal.
        text.chars().filter(|c| matches!(c, '\n' | '\t') || !c.is_control()).collect()
    }

    fn len(&self) -> u64 {
        self.0.metadata().map_or(0, |facts| facts.len())
    }
}

const BETWEEN_LOOKS: Duration = Duration::from_millis(10);
const GRACE: Duration = Duration::from_secs(2);
const MOST_OUTPUT: u64 = 1 << 20;
const SHOWN: u64 = 4 << 10;

#[cfg(test)]
mod tests {
    use super::*;

    const LONG: Duration = Duration::from_secs(20);

    fn plainly(line: &str) -> CommandEnd {
        run(line, LONG, &|| false)
    }

    #[test]
    fn tells_how_a_command_ended_and_what_it_wrote() {
        assert!(plainly("true").succeeded());
        let failed = plainly("echo one; echo two >&2; printf '\\033[31mred'; exit 3");
        assert!(!failed.succeeded());
        assert_eq!(failed.to_string(), "ended with status 3");
        assert_eq!(failed.output(), "one\ntwo\n[31mred");
        assert_eq!(plainly("kill -KILL $$").to_string(), "was ended by signal 9");
    }

    #[test]
    fn the_invite_stays_here() {
        let command = shell("env");
        let envs: Vec<_> = command.get_envs().collect();
        assert_eq!(envs, [("CULVERT_INVITE".as_ref(), None)]);
    }

    #[test]
    fn the_command_reads_nothing() {
        assert_eq!(plainly("cat; echo end").output(), "end\n");
    }

    #[test]
    fn what_takes_too_long_is_ended_with_all_it_started() {
        let since = Instant::now();
        let end = run("sleep 300 & echo $!; wait", Duration::from_millis(300), &|| false);
        assert_eq!(end.to_string(), "was ended after 300ms");
        assert!(since.elapsed() < Duration::from_secs(10));
        let sleeper: i32 = end.output().trim().parse().expect("its id");
        // The orphan is reaped by another process: a moment later at most.
        let gone = (0..200).any(|_| {
            thread::sleep(Duration::from_millis(10));
            let state = std::fs::read_to_string(format!("/proc/{sleeper}/stat"));
            state.map_or(true, |text| text.contains(") Z "))
        });
        assert!(gone);
    }

    #[test]
    fn an_interrupt_cuts_it_short() {
        let since = Instant::now();
        let end = run("sleep 300", LONG, &|| since.elapsed() > Duration::from_millis(100));
        assert_eq!(end.to_string(), "was interrupted");
        assert!(since.elapsed() < Duration::from_secs(10));
    }

    #[test]
    fn what_a_command_leaves_behind_keeps_nobody_waiting() {
        let since = Instant::now();
        let end = plainly("sleep 3 & echo started");
        assert_eq!((end.succeeded(), end.output()), (true, "started\n"));
        assert!(since.elapsed() < Duration::from_secs(2));
    }

    #[test]
    fn output_without_end_is_bounded() {
        let end = run("yes long", Duration::from_secs(15), &|| false);
        assert!(!end.succeeded());
        assert!(end.output().len() <= 4 << 10);
    }
}
