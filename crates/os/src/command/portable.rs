//! Commands of any system, as the standard library starts them.

use std::{
    collections::VecDeque,
    io::{self, Read as _},
    process::{Child, Command, ExitStatus, Stdio},
    sync::{Arc, Mutex, PoisonError},
    thread,
};

use super::{MOST_OUTPUT, SHOWN, printable, wait_a_while};

/// A command that was started.
///
/// It reads nothing. What it started itself is not ended with it, and a daemon that it leaves behind can write only as
/// long as this program runs.
#[derive(Debug)]
pub struct Running {
    child: Child,
    output: Arc<Mutex<VecDeque<u8>>>,
}

impl Running {
    /// Starts `line` without the environment variables in `withheld`.
    pub fn start(line: &str, withheld: &[&str]) -> io::Result<Self> {
        let (mut reader, writer) = io::pipe()?;
        let (shell, option) = if cfg!(windows) { ("cmd", "/C") } else { ("/bin/sh", "-c") };
        let mut shell = Command::new(shell);
        shell.args([option, line]).stdin(Stdio::null());
        for name in withheld {
            shell.env_remove(name);
        }
        let child = shell.stdout(writer.try_clone()?).stderr(writer).spawn()?;
        let output = Arc::new(Mutex::new(VecDeque::new()));
        let kept = Arc::clone(&output);
        thread::Builder::new().name("command-output".to_owned()).spawn(move || {
            let (mut piece, mut whole) = ([0; 4096], 0);
            while whole <= MOST_OUTPUT
                && let Ok(length @ 1..) = reader.read(&mut piece)
            {
                whole += length;
                keep_tail(&kept, piece.get(..length).unwrap_or_default());
            }
        })?;
        Ok(Self { child, output })
    }

    /// How it ended, if it has.
    pub fn try_wait(&mut self) -> io::Result<Option<ExitStatus>> {
        self.child.try_wait()
    }

    /// Ends the command; there is no way to ask it that every system has.
    pub fn end(&mut self) {
        let _ = self.child.kill();
        wait_a_while(&mut self.child);
    }

    /// The last that it wrote to standard output and standard error, printable.
    pub fn output(self) -> String {
        // Its last words are on their way through the pipe, and a daemon may keep that open for ever.
        thread::sleep(LAST_WORDS);
        printable(self.output.lock().unwrap_or_else(PoisonError::into_inner).make_contiguous())
    }
}

/// The signal that ended a command: not told here.
pub fn signal_of(_status: ExitStatus) -> Option<i32> {
    None
}

const LAST_WORDS: std::time::Duration = std::time::Duration::from_millis(50);

fn keep_tail(kept: &Mutex<VecDeque<u8>>, piece: &[u8]) {
    let mut kept = kept.lock().unwrap_or_else(PoisonError::into_inner);
    kept.extend(piece);
    let excess = kept.len().saturating_sub(SHOWN);
    kept.drain(..excess);
}

#[cfg(test)]
mod tests {
    use std::time::{Duration, Instant};

    use super::*;

    fn status(running: &mut Running) -> ExitStatus {
        let began = Instant::now();
        loop {
            if let Some(status) = running.try_wait().unwrap() {
                return status;
            }
            assert!(began.elapsed() < Duration::from_secs(20), "it never ended");
            thread::sleep(Duration::from_millis(5));
        }
    }

    #[test]
    fn a_command_tells_its_status_and_the_last_it_wrote() {
        let line = "printf '%s' \"$WITHHELD\"; echo one; echo two >&2; exit 3";
        let mut running = Running::start(line, &["WITHHELD"]).unwrap();
        let status = status(&mut running);
        assert_eq!((status.code(), signal_of(status)), (Some(3), None));
        assert_eq!(running.output(), "one\ntwo\n");
    }

    #[test]
    fn output_without_end_stops_and_only_its_tail_is_kept() {
        let mut running = Running::start("yes long", &[]).unwrap();
        assert!(!status(&mut running).success());
        assert!(running.output().len() <= SHOWN);
    }

    #[test]
    fn a_command_is_ended() {
        let mut running = Running::start("exec sleep 300", &[]).unwrap();
        running.end();
        assert!(!status(&mut running).success());
    }
}
