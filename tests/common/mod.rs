//! What the end-to-end tests share: a scratch folder, a listener of their own, senders under a time limit.
//!
//! Start with [`Bench`]. Nothing outlives its test: whatever was started is ended by its own process id when its value
//! is dropped, also when the test fails.

// Every test program compiles this module anew and uses a part of it.
#![allow(dead_code, reason = "each test program uses its own part of this module")]

mod program;
pub(crate) mod relay;
pub(crate) mod schema;

use std::ffi::OsStr;
use std::fs::File;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use culvert_record::RunRecord;
use serde_json::Value;
use tempfile::TempDir;

use program::{Ended, LogReader, send_signal};
pub(crate) use program::{Finished, Running};

/// Loopback, both families.
pub(crate) const LOOPBACK: [IpAddr; 2] = [V4, V6];
/// Loopback in IPv4.
pub(crate) const V4: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
/// Loopback in IPv6.
pub(crate) const V6: IpAddr = IpAddr::V6(Ipv6Addr::LOCALHOST);
/// No program that these tests start takes longer, whatever else the machine does.
pub(crate) const LIMIT: Duration = Duration::from_secs(40);
/// How soon nothing of a broken session may be left, at either end.
pub(crate) const GONE_WITHIN: Duration = Duration::from_secs(5);

/// How often something awaited is looked at.
const LOOK: Duration = Duration::from_millis(5);

/// Keeps every other measuring test waiting while the value lives, also those of other test programs.
///
/// Two runs at the same time on two cores would be each other's noise.
pub(crate) fn alone() -> File {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("one-measurement-at-a-time");
    let file = File::create(path).expect("a lock file");
    file.lock().expect("the lock");
    file
}

/// A scratch folder with the state of one listener.
#[derive(Debug)]
pub(crate) struct Bench {
    folder: TempDir,
}

impl Bench {
    /// An empty one.
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a scratch folder") }
    }

    /// A path in the scratch folder.
    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// The listener's state directory.
    pub(crate) fn state(&self) -> PathBuf {
        self.path("state")
    }

    /// Writes a file in the scratch folder.
    pub(crate) fn write(&self, name: &str, text: impl AsRef<[u8]>) -> PathBuf {
        let path = self.path(name);
        std::fs::write(&path, text).expect("a scratch file");
        path
    }

    /// Makes an invite of this name and saves it to a file.
    pub(crate) fn invite(&self, name: &str, options: &[&str]) -> PathBuf {
        let done = self.culvertd(&["invite", name], options).wait();
        done.expect_code(0);
        assert_eq!(done.stdout.lines().count(), 1, "{done:?}");
        self.write(&format!("{name}.invite"), &done.stdout)
    }

    /// Takes an invite back.
    pub(crate) fn revoke(&self, name: &str) {
        self.culvertd(&["revoke", name], &[]).wait().expect_code(0);
    }

    /// Starts a listener at a free port of one loopback address.
    pub(crate) fn listener(&self, ip: IpAddr, options: &[&str]) -> Listener {
        self.listener_at(SocketAddr::new(ip, 0), options)
    }

    /// Starts a listener at an address; port 0 takes a free one.
    pub(crate) fn listener_at(&self, address: SocketAddr, options: &[&str]) -> Listener {
        let mut last = String::new();
        // A port that was free for TCP may be taken for UDP; the next one will hardly be too.
        for _ in 0..5 {
            match Listener::start(address, &self.state(), options) {
                Ok(listener) => return listener,
                Err(log) => last = log,
            }
        }
        panic!("no listener came up: {last}");
    }

    /// Starts `culvert`, to be waited for.
    pub(crate) fn start<S: AsRef<OsStr>>(&self, arguments: &[S]) -> Running {
        let mut command = Command::new(env!("CARGO_BIN_EXE_culvert"));
        command.args(arguments).env_remove("CULVERT_INVITE").current_dir(self.folder.path());
        Running::spawn(command)
    }

    /// Runs `culvert` to its end.
    pub(crate) fn run<S: AsRef<OsStr>>(&self, arguments: &[S]) -> Finished {
        self.start(arguments).wait()
    }

    fn culvertd(&self, first: &[&str], options: &[&str]) -> Running {
        let mut command = Command::new(env!("CARGO_BIN_EXE_culvertd"));
        command.args(first).arg("--state").arg(self.state()).args(options);
        Running::spawn(command)
    }
}

/// A listener and the invite of its owner, saved as `owner.invite` in the scratch folder.
#[derive(Debug)]
pub(crate) struct Pair {
    listener: Listener,
    bench: Bench,
}

impl Pair {
    /// At a free port of one loopback address.
    pub(crate) fn at(ip: IpAddr) -> Self {
        Self::with(ip, &[])
    }

    /// The same, with further options of `culvertd`.
    pub(crate) fn with(ip: IpAddr, options: &[&str]) -> Self {
        let bench = Bench::new();
        bench.invite("owner", &[]);
        let listener = bench.listener(ip, options);
        Self { listener, bench }
    }

    /// The scratch folder.
    pub(crate) const fn bench(&self) -> &Bench {
        &self.bench
    }

    /// The listener.
    pub(crate) const fn listener(&self) -> &Listener {
        &self.listener
    }

    /// The listener, to be ended.
    pub(crate) const fn listener_mut(&mut self) -> &mut Listener {
        &mut self.listener
    }

    /// Starts a session; `asked` is its command and options, `length` further options.
    pub(crate) fn start(&self, asked: &[&str], length: &[&str]) -> Running {
        let target = self.listener.target();
        let known = [target.as_str(), "--invite", "owner.invite"];
        let (command, options) = asked.split_first().expect("a command");
        self.bench.start(&[&[*command], &known[..], options, length].concat())
    }

    /// Runs a session to its end.
    pub(crate) fn run(&self, asked: &[&str], length: &[&str]) -> Finished {
        self.start(asked, length).wait()
    }
}

/// A `culvertd` that listens.
#[derive(Debug)]
pub(crate) struct Listener {
    child: Ended,
    address: SocketAddr,
    log: LogReader,
}

impl Listener {
    fn start(address: SocketAddr, state: &Path, options: &[&str]) -> Result<Self, String> {
        let mut command = Command::new(env!("CARGO_BIN_EXE_culvertd"));
        command.arg("--listen").arg(address.to_string()).arg("--state").arg(state).args(options);
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut child = Ended(command.spawn().expect("culvertd starts"));
        let log = LogReader::of(child.0.stderr.take().expect("its log"));
        let mut bound = None;
        let listens = within(LIMIT, || {
            bound = log.text().lines().find_map(bound_address);
            bound.is_some() || child.has_ended()
        });
        match bound {
            Some(address) if listens => Ok(Self { child, address, log }),
            _ => Err(log.text()),
        }
    }

    /// Where it listens, as a target.
    pub(crate) fn target(&self) -> String {
        self.address.to_string()
    }

    /// Where it listens.
    pub(crate) const fn address(&self) -> SocketAddr {
        self.address
    }

    /// What it has logged so far.
    pub(crate) fn log(&self) -> String {
        self.log.text()
    }

    /// Its process id.
    pub(crate) fn pid(&self) -> u32 {
        self.child.0.id()
    }

    /// Threads and open descriptors it has now.
    pub(crate) fn holdings(&self) -> (usize, usize) {
        let count = |what: &str| {
            std::fs::read_dir(format!("/proc/{}/{what}", self.pid())).map_or(0, Iterator::count)
        };
        (count("task"), count("fd"))
    }

    /// What it has while it does nothing, once that no longer changes.
    pub(crate) fn idle(&self) -> (usize, usize) {
        let mut last = self.holdings();
        loop {
            thread::sleep(Duration::from_millis(150));
            let now = self.holdings();
            if now == last {
                return now;
            }
            last = now;
        }
    }

    /// Checks that it has what it had while it did nothing, soon.
    #[track_caller]
    pub(crate) fn becomes_idle(&self, idle: (usize, usize)) {
        let gone = within(GONE_WITHIN, || self.holdings() == idle);
        assert!(gone, "(threads, descriptors): {idle:?} became {:?}", self.holdings());
    }

    /// Sends it a signal, such as `STOP`.
    pub(crate) fn signal(&self, name: &str) {
        send_signal(self.pid(), name);
    }

    /// Ends it at once, as a crash would.
    pub(crate) fn crash(&mut self) {
        self.child.end();
    }

    /// Whether it still runs.
    pub(crate) fn runs(&mut self) -> bool {
        !self.child.has_ended()
    }
}

/// The address in `… listening on 127.0.0.1:1234, TCP and UDP`.
fn bound_address(line: &str) -> Option<SocketAddr> {
    line.split_once("listening on ")?.1.split_once(", TCP")?.0.parse().ok()
}

/// Looks until it is so, for so long at most; says whether it came to be.
pub(crate) fn within(limit: Duration, mut is_so: impl FnMut() -> bool) -> bool {
    let until = Instant::now() + limit;
    loop {
        if is_so() {
            return true;
        }
        if Instant::now() >= until {
            return false;
        }
        thread::sleep(LOOK);
    }
}

/// The lines of a ledger, each as JSON; a line that is none is `null`.
pub(crate) fn ledger_lines(path: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(path).expect("the ledger");
    text.lines().map(|line| serde_json::from_str(line).unwrap_or(Value::Null)).collect()
}

/// The runs of a ledger.
pub(crate) fn runs_in(path: &Path) -> Vec<RunRecord> {
    culvert_record::parse_ledger(&std::fs::read(path).expect("the ledger")).runs
}
