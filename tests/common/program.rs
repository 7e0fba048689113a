//! Programs that a test starts: what they print, how they end, and that they end.

use std::io::Read;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use culvert_record::RunRecord;
use serde_json::Value;

use super::{LIMIT, within};

/// A program that was started and is ended by its own process id when dropped.
#[derive(Debug)]
pub(super) struct Ended(pub(super) Child);

impl Ended {
    /// Whether it has ended by itself.
    pub(super) fn has_ended(&mut self) -> bool {
        self.0.try_wait().expect("its status").is_some()
    }

    /// Ends it now.
    pub(super) fn end(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Drop for Ended {
    fn drop(&mut self) {
        self.end();
    }
}

/// A program that runs, with what it prints.
#[derive(Debug)]
pub(crate) struct Running {
    child: Ended,
    since: Instant,
    stdout: LogReader,
    stderr: LogReader,
    shown: String,
}

impl Running {
    /// Starts a command with nothing to read.
    pub(crate) fn spawn(mut command: Command) -> Self {
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let shown = format!("{command:?}");
        let mut child = Ended(command.spawn().expect("the program starts"));
        let stdout = LogReader::of(child.0.stdout.take().expect("stdout"));
        let stderr = LogReader::of(child.0.stderr.take().expect("stderr"));
        Self { child, since: Instant::now(), stdout, stderr, shown }
    }

    /// Sends it a signal, such as `INT`.
    pub(crate) fn signal(&self, name: &str) {
        send_signal(self.child.0.id(), name);
    }

    /// Ends it at once, as a crash would.
    pub(crate) fn crash(mut self) {
        self.child.end();
    }

    /// Whether it still runs.
    pub(crate) fn runs(&mut self) -> bool {
        !self.child.has_ended()
    }

    /// Waits for its end, for [`LIMIT`] at most.
    pub(crate) fn wait(self) -> Finished {
        self.wait_within(LIMIT)
    }

    /// Waits for its end, for so long at most.
    pub(crate) fn wait_within(mut self, limit: Duration) -> Finished {
        let ended = within(limit, || self.child.has_ended());
        let code = if ended { self.child.0.wait().expect("its status").code() } else { None };
        self.child.end();
        let took = self.since.elapsed();
        let (stdout, stderr) = (self.stdout.whole(), self.stderr.whole());
        let finished = Finished { command: self.shown, code, stdout, stderr, took };
        assert!(ended, "it still ran after {limit:?}: {finished:#?}");
        finished
    }
}

/// To one process that a test started, by its id.
pub(super) fn send_signal(pid: u32, name: &str) {
    let sent = Command::new("kill").args(["-s", name, &pid.to_string()]).status();
    assert!(sent.expect("kill runs").success(), "{name} cannot be sent");
}

/// A program that has ended.
#[derive(Debug)]
pub(crate) struct Finished {
    /// What was run.
    pub(crate) command: String,
    /// Its exit code; `None` when a signal ended it.
    pub(crate) code: Option<i32>,
    /// What it printed.
    pub(crate) stdout: String,
    /// What it said.
    pub(crate) stderr: String,
    /// How long it ran.
    pub(crate) took: Duration,
}

impl Finished {
    /// Checks the exit code.
    #[track_caller]
    pub(crate) fn expect_code(&self, code: i32) -> &Self {
        assert_eq!(self.code, Some(code), "{self:#?}");
        self
    }

    /// The one JSON document on standard output.
    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        match serde_json::from_str(&self.stdout) {
            Ok(document) => document,
            Err(error) => panic!("not one JSON document: {error}: {self:#?}"),
        }
    }

    /// The one run record on standard output.
    #[track_caller]
    pub(crate) fn record(&self) -> RunRecord {
        serde_json::from_value(self.json()).expect("a run record")
    }

    /// Checks that it failed with this code, one `error:` line that holds `parts`, and one `hint:` line after it.
    #[track_caller]
    pub(crate) fn complains(&self, code: i32, parts: &[&str]) -> &Self {
        self.expect_code(code);
        let beginning =
            |word: &str| self.stderr.lines().filter(|line| line.starts_with(word)).count();
        assert_eq!((beginning("error: "), beginning("hint: ")), (1, 1), "{self:#?}");
        let mut last = self.stderr.lines().rev();
        let (hint, error) = (last.next().unwrap_or(""), last.next().unwrap_or(""));
        assert!(error.starts_with("error: ") && hint.starts_with("hint: "), "{self:#?}");
        assert!(!error.ends_with('.') && hint.len() > "hint: ".len(), "{self:#?}");
        for part in parts {
            assert!(error.contains(part), "'{part}' is not in the error line: {self:#?}");
        }
        assert!(!self.stderr.contains("panicked"), "{self:#?}");
        self
    }
}

/// Reads what a program prints, so that a full pipe never stops it.
#[derive(Debug)]
pub(super) struct LogReader {
    text: Arc<Mutex<Vec<u8>>>,
    thread: Option<JoinHandle<()>>,
}

impl LogReader {
    /// Reads from now on.
    pub(super) fn of(mut pipe: impl Read + Send + 'static) -> Self {
        let text = Arc::new(Mutex::new(Vec::new()));
        let shared = Arc::clone(&text);
        let thread = thread::spawn(move || {
            let mut piece = [0; 4096];
            while let Ok(length @ 1..) = pipe.read(&mut piece) {
                shared.lock().expect("the text").extend(piece.iter().take(length));
            }
        });
        Self { text, thread: Some(thread) }
    }

    /// What was printed so far.
    pub(super) fn text(&self) -> String {
        String::from_utf8_lossy(&self.text.lock().expect("the text")).into_owned()
    }

    /// All of it, once the program has ended. A process it left behind may keep the pipe: that is not waited for.
    fn whole(&mut self) -> String {
        let thread = self.thread.take().expect("taken once");
        within(Duration::from_secs(2), || thread.is_finished());
        self.text()
    }
}
