//! The host and the practitioner, as far as a survey deals with them.

use std::{
    io::{self, BufRead as _, IsTerminal as _},
    sync::{
        atomic::{AtomicBool, Ordering},
        mpsc::{self, Receiver, RecvTimeoutError},
    },
    thread,
    time::{Duration, Instant},
};

use super::{CommandEnd, command};

/// Whether Ctrl-C cuts a command short.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Heed {
    /// It does.
    Interrupts,
    /// The command runs to its end or its limit.
    Nothing,
}

/// What came of asking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// Enter was pressed.
    Pressed,
    /// Ctrl-C was pressed.
    Interrupted,
    /// Nobody can answer any more.
    Closed,
}

/// What a survey needs of the host and of the practitioner.
pub trait Surroundings {
    /// The time since the survey began.
    fn now(&self) -> Duration;

    /// Whether the practitioner wants everything to end.
    fn interrupted(&self) -> bool;

    /// Waits for `time`, less when interrupted.
    fn pause(&mut self, time: Duration);

    /// Runs a command line of the plan, for `limit` at most.
    fn command(&mut self, line: &str, limit: Duration, heed: Heed) -> CommandEnd;

    /// Whether somebody sits at a terminal.
    fn is_attended(&self) -> bool;

    /// Waits until Enter is pressed.
    fn await_enter(&mut self) -> Answer;
}

/// The host this program runs on.
#[derive(Debug)]
pub struct ThisHost<'s> {
    began: Instant,
    interrupted: &'s AtomicBool,
    /// A word for every line that is typed; there once somebody was asked.
    typed: Option<Receiver<()>>,
}

impl<'s> ThisHost<'s> {
    /// The survey begins now; `interrupted` is set by whoever handles Ctrl-C.
    pub fn new(interrupted: &'s AtomicBool) -> Self {
        Self { began: Instant::now(), interrupted, typed: None }
    }
}

/// How late Ctrl-C may be noticed.
const LOOK: Duration = Duration::from_millis(50);

impl Surroundings for ThisHost<'_> {
    fn now(&self) -> Duration {
        self.began.elapsed()
    }

    fn interrupted(&self) -> bool {
        self.interrupted.load(Ordering::Relaxed)
    }

    fn pause(&mut self, time: Duration) {
        let until = Instant::now() + time;
        while !self.interrupted() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            thread::sleep(left.min(LOOK));
        }
    }

    fn command(&mut self, line: &str, limit: Duration, heed: Heed) -> CommandEnd {
        let interrupted = self.interrupted;
        let cut = || heed == Heed::Interrupts && interrupted.load(Ordering::Relaxed);
        command::run(line, limit, &cut)
    }

    fn is_attended(&self) -> bool {
        io::stdin().is_terminal()
    }

    fn await_enter(&mut self) -> Answer {
        let interrupted = self.interrupted;
        let typed = self.typed.get_or_insert_with(listen_for_lines);
        loop {
            if interrupted.load(Ordering::Relaxed) {
                return Answer::Interrupted;
            }
            match typed.recv_timeout(LOOK) {
                Ok(()) => return Answer::Pressed,
                Err(RecvTimeoutError::Disconnected) => return Answer::Closed,
                Err(RecvTimeoutError::Timeout) => {}
            }
        }
    }
}

/// Reads on a thread of its own: a read would not return on Ctrl-C, whose handler only sets a flag.
fn listen_for_lines() -> Receiver<()> {
    let (tell, typed) = mpsc::channel();
    // Without the thread nobody answers, which the closed channel says.
    let _ = thread::Builder::new().name("keyboard".to_owned()).spawn(move || {
        let mut line = String::new();
        while let Ok(1..) = io::stdin().lock().read_line(&mut line)
            && tell.send(()).is_ok()
        {
            line.clear();
        }
    });
    typed
}
