//! Programs that are started, pinned, waited for within a bound, and charged for their processor time.

use std::ffi::OsString;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdout, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::time::TimeValLike as _;
use nix::time::{clock_getcpuclockid, clock_gettime};
use nix::unistd::Pid;

use crate::error::BenchError;

/// No single run takes longer, whatever was asked.
const LONGEST: Duration = Duration::from_mins(2);

/// A program that runs; it is killed when nobody waits for it any more.
#[derive(Debug)]
pub(crate) struct Running {
    child: Child,
    what: String,
    began: Instant,
    stdout: Option<BufReader<ChildStdout>>,
    errors: Option<Receiver<String>>,
}

/// What a program did that has ended well.
#[derive(Debug)]
pub(crate) struct Finished {
    /// What it wrote to standard output, besides lines that were read before.
    pub(crate) stdout: String,
    /// Processor time of all its threads, seconds.
    pub(crate) cpu_s: f64,
    /// When it was started.
    pub(crate) began: Instant,
    /// From its start to its end.
    pub(crate) wall: Duration,
}

impl Running {
    /// Starts `program` on one core.
    pub(crate) fn start(
        program: &Path,
        core: u16,
        arguments: impl IntoIterator<Item = impl Into<OsString>>,
    ) -> Result<Self, BenchError> {
        let arguments: Vec<OsString> = arguments.into_iter().map(Into::into).collect();
        let name = program.file_name().unwrap_or_default().to_string_lossy();
        let first = arguments.first().map(|word| word.to_string_lossy().into_owned());
        let what = format!("{name} {}", first.unwrap_or_default());
        let began = Instant::now();
        let mut child = Command::new("taskset")
            .args(["--cpu-list", &core.to_string()])
            .arg(program)
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|source| BenchError::Start { program: PathBuf::from("taskset"), source })?;
        // Read all along: a program whose talk nobody takes would stand still.
        let errors = child.stderr.take().map(|mut stderr| {
            let (sender, receiver) = channel();
            std::thread::spawn(move || {
                let mut said = String::new();
                let _ = stderr.read_to_string(&mut said);
                let _ = sender.send(said);
            });
            receiver
        });
        let stdout = child.stdout.take().map(BufReader::new);
        Ok(Self { child, what, began, stdout, errors })
    }

    /// The next line of its standard output.
    pub(crate) fn line(&mut self) -> Result<String, BenchError> {
        let mut line = String::new();
        if let Some(stdout) = &mut self.stdout {
            stdout.read_line(&mut line)?;
        }
        Ok(line.trim().to_owned())
    }

    /// Waits until it has ended and what it used is known.
    ///
    /// This process starts nothing else meanwhile, so what its children's account gains by reaping this one is this
    /// one's own.
    pub(crate) fn finish(mut self) -> Result<Finished, BenchError> {
        let give_up_at = self.began + LONGEST;
        let stdout = self.stdout.take();
        let (sender, answer) = channel();
        std::thread::spawn(move || {
            let mut text = String::new();
            let read = stdout.map(|mut stdout| stdout.read_to_string(&mut text));
            let _ = sender.send((read.transpose(), text));
        });
        let left = give_up_at.saturating_duration_since(Instant::now());
        let Ok((read, stdout)) = answer.recv_timeout(left) else {
            return Err(BenchError::Slow { what: self.what.clone(), waited: LONGEST });
        };
        read?;
        let before = children_s()?;
        let status = self.child.wait()?;
        let wall = self.began.elapsed();
        let cpu_s = children_s()? - before;
        if !status.success() {
            let said = self.errors.take().and_then(|errors| errors.recv().ok()).unwrap_or_default();
            return Err(BenchError::Ended {
                what: self.what.clone(),
                status: status.to_string(),
                said: said.trim().lines().next_back().unwrap_or_default().to_owned(),
            });
        }
        Ok(Finished { stdout, cpu_s, began: self.began, wall })
    }

    /// Processor time of all its threads so far, ended ones included, seconds.
    pub(crate) fn cpu_s(&self) -> Result<f64, BenchError> {
        let clock = clock_getcpuclockid(self.pid()).map_err(std::io::Error::from)?;
        let time = clock_gettime(clock).map_err(std::io::Error::from)?;
        Ok(Duration::from(time).as_secs_f64())
    }

    /// A line of its `/proc/PID/status` that counts kilobytes, in MiB.
    pub(crate) fn memory_mib(&self, name: &str) -> Result<f64, BenchError> {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id()))?;
        let line = status.lines().find_map(|line| line.strip_prefix(name)?.strip_prefix(':'));
        let kibibytes = line.and_then(|line| line.trim().strip_suffix(" kB")?.parse::<f64>().ok());
        kibibytes
            .map(|kibibytes| kibibytes / 1024.0)
            .ok_or_else(|| BenchError::Answer { what: self.what.clone(), field: name.to_owned() })
    }

    /// Fails when it has ended.
    pub(crate) fn must_run(&mut self) -> Result<(), BenchError> {
        let Some(status) = self.child.try_wait()? else { return Ok(()) };
        let said = self.errors.take().and_then(|errors| errors.recv().ok()).unwrap_or_default();
        let said = said.trim().lines().next_back().unwrap_or_default().to_owned();
        Err(BenchError::Ended { what: self.what.clone(), status: status.to_string(), said })
    }

    fn pid(&self) -> Pid {
        Pid::from_raw(i32::try_from(self.child.id()).unwrap_or_default())
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        // Both fail when it was reaped already, and then its number is not used again by them.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn children_s() -> Result<f64, BenchError> {
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN).map_err(std::io::Error::from)?;
    let microseconds =
        usage.user_time().num_microseconds() + usage.system_time().num_microseconds();
    Ok(microseconds as f64 / 1e6)
}
