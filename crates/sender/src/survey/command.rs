//! Runs one command line of the plan in a process group of its own.

use std::{
    fmt, io,
    process::ExitStatus,
    thread,
    time::{Duration, Instant},
};

use culvert_os::command::{Running, signal_of};
use culvert_units::format_duration;

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
            How::Status(status) => match (status.code(), signal_of(*status)) {
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

/// Runs `line` by the shell until it ends, `limit` is over or `cut` says so; it does not get the invite.
pub(super) fn run(line: &str, limit: Duration, cut: &dyn Fn() -> bool) -> CommandEnd {
    let mut running = match Running::start(line, WITHHELD) {
        Ok(running) => running,
        Err(problem) => return CommandEnd::not_run(&problem),
    };
    let how = wait(&mut running, limit, cut);
    if !matches!(how, How::Status(_)) {
        running.end();
    }
    CommandEnd { how, output: running.output() }
}

fn wait(running: &mut Running, limit: Duration, cut: &dyn Fn() -> bool) -> How {
    let since = Instant::now();
    loop {
        match running.try_wait() {
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
        thread::sleep(BETWEEN_LOOKS);
    }
}

const WITHHELD: &[&str] = &["CULVERT_INVITE"];
const BETWEEN_LOOKS: Duration = Duration::from_millis(10);

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
        // A variable that every process has stands for the invite.
        let mut running =
            Running::start("echo ${HOME:-nothing}; echo ${PATH:+something}", &["HOME"])
                .expect("a shell");
        while running.try_wait().expect("a status").is_none() {
            thread::sleep(BETWEEN_LOOKS);
        }
        assert_eq!(
            (running.output().as_str(), WITHHELD),
            ("nothing\nsomething\n", ["CULVERT_INVITE"].as_slice())
        );
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
