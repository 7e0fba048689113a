//! How culvert and culvertd are driven: the one place that knows their options and the fields of their records.

use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

use crate::error::BenchError;
use crate::options::{Cores, Options};
use crate::process::{Finished, Running};

/// The bytes that culvert hands to the kernel by one write: `WRITE_SIZE` of the engine's bulk session.
pub(crate) const WRITE_BYTES: usize = 256 * 1024;
/// The buffer that culvert asks for each datagram socket.
pub(crate) const DATAGRAM_BUFFER: usize = 4 * 1024 * 1024;
/// A rate that no host offers, payload bits per second, for programs without a rate of their own for "unpaced".
const BEYOND_ANY_HOST: &str = "40Gbit/s";

/// How long the listener takes to listen at most.
const LISTENS_WITHIN: Duration = Duration::from_secs(5);

/// Where the programs are, and on which cores they run.
#[derive(Debug, Clone)]
pub(crate) struct Programs {
    directory: PathBuf,
    pub(crate) cores: Cores,
    help: [String; 2],
}

impl Programs {
    pub(crate) fn of(options: &Options) -> Result<Self, BenchError> {
        let own = std::env::current_exe()?;
        let beside = own.parent().map(Path::to_path_buf).unwrap_or_default();
        let directory = options.programs.clone().unwrap_or(beside);
        let culvert = directory.join("culvert");
        let help = ["bulk", "paced"].map(|kind| {
            let help = Command::new(&culvert).args([kind, "--help"]).output();
            help.map(|help| String::from_utf8_lossy(&help.stdout).into_owned()).unwrap_or_default()
        });
        Ok(Self { directory, cores: options.cores, help })
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.directory.join(name)
    }

    /// Whether the help of `culvert bulk` or `culvert paced` speaks of `word`.
    ///
    /// Older programs can so be held against newer ones: what they lack is left out, and the table says so.
    fn know(&self, kind: &str, word: &str) -> bool {
        let [bulk, paced] = &self.help;
        let help = if kind == "bulk" { bulk } else { paced };
        help.contains(word)
    }

    /// Whether the probe before a session can be left out, and how.
    fn without_baseline(&self, kind: &str) -> &'static [&'static str] {
        if self.know(kind, "--baseline") { &["--baseline=0s"] } else { &[] }
    }
}

/// A listener of our own, on a free port of loopback, with one invite.
#[derive(Debug)]
pub(crate) struct Listener {
    pub(crate) daemon: Running,
    pub(crate) port: u16,
    programs: Programs,
    state: TempDir,
}

/// A record, and what the sender's process cost.
#[derive(Debug)]
pub(crate) struct Run {
    record: Value,
    /// What the sender used, from its start to its end.
    pub(crate) near: Finished,
    /// Processor time of the listener meanwhile, seconds.
    pub(crate) far_cpu_s: f64,
}

impl Listener {
    pub(crate) fn start(programs: &Programs) -> Result<Self, BenchError> {
        let state = TempDir::with_prefix("culvert-bench-")?;
        let port = free_port()?;
        let directory = state.path().join("state");
        let arguments = [
            "--listen".into(),
            format!("127.0.0.1:{port}").into(),
            "--state".into(),
            directory.clone().into_os_string(),
        ];
        let mut daemon = Running::start(&programs.path("culvertd"), programs.cores.far, arguments)?;
        let give_up_at = Instant::now() + LISTENS_WITHIN;
        while TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_err() {
            daemon.must_run()?;
            if Instant::now() >= give_up_at {
                return Err(BenchError::Slow {
                    what: "culvertd".to_owned(),
                    waited: LISTENS_WITHIN,
                });
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        let invite = Command::new(programs.path("culvertd"))
            .args(["invite", "bench", "--state"])
            .arg(&directory)
            .stderr(Stdio::inherit())
            .output()?;
        std::fs::write(state.path().join("invite"), invite.stdout)?;
        Ok(Self { daemon, port, programs: programs.clone(), state })
    }

    /// One bulk session toward far.
    pub(crate) fn bulk(
        &mut self,
        congestion_control: &str,
        flows: u16,
        (settle, plateau): (Duration, Duration),
    ) -> Result<Run, BenchError> {
        let (port, flows) = (self.port, flows.to_string());
        let typed = ["--congestion-control", congestion_control, "--flows", &flows];
        self.session(port, "bulk", (settle, plateau), &typed)
    }

    /// One unpaced session of datagrams toward far.
    pub(crate) fn flood(
        &mut self,
        payload: u16,
        batching: Offload,
        times: (Duration, Duration),
    ) -> Result<Run, BenchError> {
        let (port, payload) = (self.port, payload.to_string());
        let unlimited = self.programs.know("paced", "|unlimited>");
        let pace = if unlimited { "unlimited" } else { BEYOND_ANY_HOST };
        let mut typed = vec!["--payload", &payload, "--pace", pace];
        if batching == Offload::Off && self.programs.know("paced", "--handover") {
            typed.push("--handover=batched");
        }
        self.session(port, "paced", times, &typed)
    }

    /// One paced session toward far.
    pub(crate) fn paced(
        &mut self,
        payload: u16,
        bits_per_second: u64,
        times: (Duration, Duration),
    ) -> Result<Run, BenchError> {
        let (port, payload) = (self.port, payload.to_string());
        let pace = format!("{}kbit/s", bits_per_second / 1_000);
        self.session(port, "paced", times, &["--payload", &payload, "--pace", &pace])
    }

    /// One bulk session through `port`.
    pub(crate) fn bulk_through(
        &mut self,
        port: u16,
        times: (Duration, Duration),
    ) -> Result<Run, BenchError> {
        self.session(port, "bulk", times, &[])
    }

    /// Whether sessions begin with the probe, because culvert cannot leave it out.
    pub(crate) fn begins_with_probe(&self) -> bool {
        self.programs.without_baseline("bulk").is_empty()
    }

    fn session(
        &mut self,
        port: u16,
        kind: &str,
        (settle, plateau): (Duration, Duration),
        typed: &[&str],
    ) -> Result<Run, BenchError> {
        let invite = self.state.path().join("invite");
        let mut arguments = vec![
            kind.to_owned(),
            format!("127.0.0.1:{port}"),
            format!("--invite={}", invite.display()),
            "--toward=far".to_owned(),
            format!("--for={}ms", plateau.as_millis()),
            format!("--settle={}ms", settle.as_millis()),
            "--json".to_owned(),
        ];
        let without_baseline = self.programs.without_baseline(kind);
        arguments.extend(typed.iter().chain(without_baseline).map(|&word| word.to_owned()));
        let far_before = self.daemon.cpu_s()?;
        let program = self.programs.path("culvert");
        let near = Running::start(&program, self.programs.cores.near, arguments)?.finish()?;
        self.daemon.must_run()?;
        let far_cpu_s = self.daemon.cpu_s()? - far_before;
        let record = serde_json::from_str(&near.stdout).unwrap_or_default();
        Ok(Run { record, near, far_cpu_s })
    }
}

/// Whether the kernel may cut and join datagrams.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Offload {
    /// As culvert chooses.
    Free,
    /// Every datagram on its own.
    Off,
}

impl Run {
    /// Payload bits per second that arrived within the plateau.
    pub(crate) fn goodput_bps(&self) -> Result<f64, BenchError> {
        self.number("/toward_far/goodput_bps")
    }

    /// Payload bits per second that left within the plateau.
    pub(crate) fn offered_bps(&self) -> Result<f64, BenchError> {
        self.number("/toward_far/offered_bps")
    }

    /// Payload bytes of the whole run that arrived.
    pub(crate) fn bytes_received(&self) -> Result<f64, BenchError> {
        self.number("/toward_far/bytes_received")
    }

    /// Datagrams that the receiver's socket lost; `None` when that is not known.
    pub(crate) fn host_dropped(&self) -> Option<f64> {
        self.number("/toward_far/host_dropped").ok()
    }

    /// How late datagrams left: the 99th percentile in microseconds; `None` when the record keeps no such thing.
    pub(crate) fn departure_lateness_p99_us(&self) -> Option<f64> {
        self.number("/toward_far/departure/lateness_us/p99").ok()
    }

    /// The share of 100 ms steps in which what left was true to the pace, in percent, by the transmitter's own account;
    /// `None` when the record keeps no such thing.
    pub(crate) fn even_departures(&self) -> Option<f64> {
        let steps = self.number("/toward_far/departure/steps").ok()?;
        let uneven = self.number("/toward_far/departure/uneven_steps").ok()?;
        (steps > 0.0).then(|| (1.0 - uneven / steps) * 100.0)
    }

    /// Payload bytes in each full step of 100 ms within the plateau, as they arrived: on loopback, as they left.
    pub(crate) fn steps_of_100_ms(&self) -> Result<Vec<f64>, BenchError> {
        let from = self.number("/toward_far/plateau/from_ms")?;
        let to = self.number("/toward_far/plateau/to_ms")?;
        let step = self.number("/toward_far/series/step_ms")?;
        let bytes = self.record.pointer("/toward_far/series/bytes").and_then(Value::as_array);
        let bytes = bytes.filter(|_| (step - 100.0).abs() < 1e-9);
        let bytes = bytes.ok_or_else(|| self.missing("/toward_far/series of 100 ms"))?;
        let within = |index: usize| {
            let begin = index as f64 * step;
            begin >= from && begin + step <= to
        };
        let steps = bytes.iter().enumerate().filter(|(index, _)| within(*index));
        Ok(steps.filter_map(|(_, bytes)| bytes.as_f64()).collect())
    }

    fn number(&self, pointer: &str) -> Result<f64, BenchError> {
        self.record.pointer(pointer).and_then(Value::as_f64).ok_or_else(|| self.missing(pointer))
    }

    fn missing(&self, field: &str) -> BenchError {
        let kind = self.record.pointer("/kind").and_then(Value::as_str).unwrap_or("session");
        BenchError::Answer {
            what: format!("the record of culvert {kind}"),
            field: field.to_owned(),
        }
    }
}

/// A port that is free for TCP now; the listener binds it a moment later.
fn free_port() -> Result<u16, BenchError> {
    Ok(TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port())
}
