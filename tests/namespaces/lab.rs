//! One lab of `scripts/lab`, its listener, and runs of `culvert` in it.

use std::collections::HashMap;
use std::fs::{self, File};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use culvert_record::{Caveat, Direction, LedgerContents, RunRecord, VoidReason, parse_ledger};
use tempfile::TempDir;

/// What no command here needs, however busy the machine is.
const LONGEST_COMMAND: Duration = Duration::from_mins(1);

/// Tests of one process run one at a time: rates and counts are measured.
static ALONE: Mutex<()> = Mutex::new(());

/// A lab with a running listener; both end with the value.
pub(crate) struct Lab {
    name: String,
    facts: HashMap<String, String>,
    listener: Listener,
    scratch: TempDir,
    _alone: MutexGuard<'static, ()>,
}

/// How the lab is built and its listener started.
#[derive(Default)]
pub(crate) struct Wish<'w> {
    /// The rate of the line; 100 Mbit/s unless set.
    pub(crate) rate: Option<&'w str>,
    /// Further arguments of `culvertd`.
    pub(crate) listener: &'w [&'w str],
}

/// A finished command.
pub(crate) struct Ran {
    /// Its exit status; `None` when a signal ended it.
    pub(crate) status: Option<i32>,
    /// What it printed as its result.
    pub(crate) stdout: String,
    /// What it said.
    pub(crate) stderr: String,
    /// How long it took.
    pub(crate) took: Duration,
}

impl Lab {
    /// Builds a lab named after the test; `None`, loudly, where none can be built.
    pub(crate) fn build(test: &str) -> Option<Self> {
        Self::build_as(test, &Wish::default())
    }

    /// Builds a lab as wished.
    pub(crate) fn build_as(test: &str, wish: &Wish<'_>) -> Option<Self> {
        if let Some(missing) = what_is_missing() {
            eprintln!("SKIPPED: {test} needs {missing}");
            return None;
        }
        let alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
        let own = std::process::id();
        let name = format!("{test}-{own}");
        let up = Command::new(script())
            .args(["up", &name, "--rate", wish.rate.unwrap_or("100Mbit/s")])
            .args(["--while", &own.to_string()])
            .output()
            .expect("scripts/lab can be run");
        assert!(up.status.success(), "no lab: {}", String::from_utf8_lossy(&up.stderr));
        let taken_down_on_failure = NamespacesGuard(&name);
        let scratch = TempDir::new().expect("a scratch folder");
        let facts = assignments(&String::from_utf8_lossy(&up.stdout));
        let workshop = facts.get("LAB_WORKSHOP").expect("the workshop's namespace").clone();
        let listener = Listener::start(&workshop, scratch.path(), wish.listener);
        std::mem::forget(taken_down_on_failure);
        Some(Self { name, facts, listener, scratch, _alone: alone })
    }

    /// One of the names and targets that `scripts/lab show` prints; empty where this kernel has no IPv6.
    pub(crate) fn fact(&self, name: &str) -> &str {
        self.facts.get(name).unwrap_or_else(|| panic!("the lab tells no {name}"))
    }

    /// What `scripts/lab` calls it.
    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// The forwarded port.
    pub(crate) fn outside(&self) -> &str {
        self.fact("LAB_OUTSIDE")
    }

    /// The workshop's own address, for inside the tunnel.
    pub(crate) fn inside(&self) -> &str {
        self.fact("LAB_INSIDE")
    }

    /// The listener's state, log and invite.
    pub(crate) const fn listener(&self) -> &Listener {
        &self.listener
    }

    /// Starts the listener anew after it was killed.
    pub(crate) fn restart_listener(&mut self, arguments: &[&str]) {
        self.listener = Listener::start(self.fact("LAB_WORKSHOP"), self.scratch.path(), arguments);
    }

    /// A file in the test's own scratch folder.
    pub(crate) fn scratch(&self, name: &str) -> PathBuf {
        self.scratch.path().join(name)
    }

    /// Runs a verb of `scripts/lab` and gives what it printed.
    pub(crate) fn does(&self, verb: &str, arguments: &[&str]) -> String {
        let ran = output(first().arg(script()).arg(verb).arg(&self.name).args(arguments));
        assert_eq!(ran.status, Some(0), "scripts/lab {verb} {arguments:?}: {}", ran.stderr);
        ran.stdout
    }

    /// A command in one of the namespaces, to be started.
    pub(crate) fn command(&self, role: &str, program: &str) -> Command {
        within(self.fact(&format!("LAB_{}", role.to_uppercase())), program)
    }

    /// Runs a command in one of the namespaces; it must succeed.
    pub(crate) fn run(&self, role: &str, program: &str, arguments: &[&str]) -> String {
        let ran = output(self.command(role, program).args(arguments));
        assert_eq!(ran.status, Some(0), "{program} {arguments:?} in {role}: {}", ran.stderr);
        ran.stdout
    }

    /// `culvert` in the cabin with the listener's invite, to be started.
    pub(crate) fn culvert(&self, arguments: &[&str]) -> Command {
        let mut command = self.command("cabin", env!("CARGO_BIN_EXE_culvert"));
        command.args(arguments).arg("--invite").arg(&self.listener.invite);
        // The plan's commands of a survey ask for it.
        command.env("LAB_NAME", &self.name).env_remove("CULVERT_INVITE");
        command
    }

    /// Runs `culvert` in the cabin to its end.
    pub(crate) fn measure(&self, arguments: &[&str]) -> Ran {
        output(&mut self.culvert(arguments))
    }

    /// Runs `culvert ... --json`, which must end well, and gives the run's record.
    pub(crate) fn record(&self, arguments: &[&str]) -> RunRecord {
        let ran = self.measure(&[arguments, &["--json"]].concat());
        assert_eq!(ran.status, Some(0), "{arguments:?} said: {}\n{}", ran.stderr, ran.stdout);
        let record = ran.record();
        assert_eq!(record.void, None, "{arguments:?}");
        record
    }

    /// What a ledger in the scratch folder holds.
    pub(crate) fn ledger(&self, name: &str) -> LedgerContents {
        parse_ledger(&fs::read(self.scratch(name)).expect("a ledger"))
    }

    /// Process numbers of what `scripts/lab` started under a label, in the order of starting.
    pub(crate) fn started(&self, label: &str) -> Vec<u32> {
        let home = std::env::temp_dir().join("culvert-lab").join(&self.name);
        let processes = fs::read_to_string(home.join("processes")).expect("the lab's processes");
        let fields = processes.lines().map(|line| line.split(' ').collect::<Vec<_>>());
        fields
            .filter(|fields| fields.last() == Some(&label))
            .map(|fields| fields[0].parse().expect("a process number"))
            .collect()
    }
}

impl Drop for Lab {
    fn drop(&mut self) {
        self.listener.kill();
        if std::thread::panicking() {
            eprintln!("the listener said:\n{}", self.listener.log());
        }
        drop(NamespacesGuard(&self.name));
    }
}

/// Takes a lab's namespaces down.
struct NamespacesGuard<'n>(&'n str);

impl Drop for NamespacesGuard<'_> {
    fn drop(&mut self) {
        // Whatever stays is removed by the lab's own keeper when this process ends.
        let _ = Command::new(script()).args(["down", self.0]).status();
    }
}

/// `culvertd` in the workshop.
pub(crate) struct Listener {
    process: Child,
    log: PathBuf,
    invite: PathBuf,
}

impl Listener {
    fn start(namespace: &str, scratch: &Path, arguments: &[&str]) -> Self {
        let program = env!("CARGO_BIN_EXE_culvertd");
        let (log, state) = (scratch.join("listener.log"), scratch.join("state"));
        let said = File::create(&log).expect("a log");
        let process = within(namespace, program)
            .arg("--state")
            .arg(&state)
            .args(arguments)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(said)
            .spawn()
            .expect("culvertd can be started");
        let invite = scratch.join("invite");
        let listener = Self { process, log, invite };
        until(Duration::from_secs(10), "culvertd listens", || {
            let sockets = output(within(namespace, "ss").args(["-Hltn", "sport = :28460"]));
            !sockets.stdout.is_empty()
        });
        if !listener.invite.exists() {
            let made =
                output(Command::new(program).args(["invite", "cabin", "--state"]).arg(&state));
            assert_eq!(made.status, Some(0), "no invite: {}", made.stderr);
            let mut file = File::create(&listener.invite).expect("a file for the invite");
            file.write_all(made.stdout.as_bytes()).expect("the invite can be kept");
        }
        listener
    }

    /// Ends it as a crash would; once more is no error.
    pub(crate) fn kill(&self) {
        signal("KILL", self.process.id());
    }

    /// What it has said so far.
    pub(crate) fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// How many descriptors it has open.
    pub(crate) fn descriptors(&self) -> usize {
        let open = format!("/proc/{}/fd", self.process.id());
        fs::read_dir(open).expect("the listener runs").count()
    }

    /// How many threads it has.
    pub(crate) fn threads(&self) -> usize {
        let tasks = format!("/proc/{}/task", self.process.id());
        fs::read_dir(tasks).expect("the listener runs").count()
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

impl Ran {
    /// The run record it printed.
    pub(crate) fn record(&self) -> RunRecord {
        serde_json::from_str(&self.stdout)
            .unwrap_or_else(|error| panic!("{error} in {:?}; said: {}", self.stdout, self.stderr))
    }

    /// The sentence of an error and its hint; a test of a bad path wants both.
    pub(crate) fn complaint(&self) -> (&str, &str) {
        let line = |start: &str| self.stderr.lines().find_map(|line| line.strip_prefix(start));
        let error = line("error: ").unwrap_or_else(|| panic!("no error in: {}", self.stderr));
        (error, line("hint: ").unwrap_or_else(|| panic!("no hint in: {}", self.stderr)))
    }
}

/// The figures of a datagram stream.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Counts {
    pub(crate) sent: u64,
    pub(crate) received: u64,
    pub(crate) lost: u64,
    pub(crate) reordered: u64,
    pub(crate) duplicates: u64,
    pub(crate) host_dropped: u64,
}

/// The counts of one way of a paced run; none of them may be missing.
pub(crate) fn counts(direction: Option<&Direction>) -> Counts {
    let way = direction.expect("the way that was asked");
    let counts = Counts {
        sent: way.sent.expect("sent"),
        received: way.received.expect("received"),
        lost: way.lost.expect("lost"),
        reordered: way.reordered.expect("reordered"),
        duplicates: way.duplicates.expect("duplicates"),
        host_dropped: way.host_dropped.expect("host_dropped"),
    };
    assert_eq!(counts.sent, counts.received + counts.lost, "{counts:?}");
    counts
}

/// The caveats of a run.
pub(crate) fn caveats(record: &RunRecord) -> Vec<Caveat> {
    record
        .caveats
        .iter()
        .map(|finding| Caveat::from_finding(finding).expect("a caveat of this version"))
        .collect()
}

/// Why a run is void.
pub(crate) fn void(record: &RunRecord) -> VoidReason {
    let finding = record.void.as_ref().expect("a void run");
    VoidReason::from_finding(finding).expect("a reason of this version")
}

/// Runs a command to its end; longer than any needs is a failure.
pub(crate) fn output(command: &mut Command) -> Ran {
    output_within(command, LONGEST_COMMAND)
}

/// Runs a command to its end, which must come within `patience`.
pub(crate) fn output_within(command: &mut Command, patience: Duration) -> Ran {
    let began = Instant::now();
    let child = command
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap_or_else(|error| panic!("{command:?}: {error}"));
    finish_within(child, began, patience)
}

/// Waits for a started command.
pub(crate) fn finish(child: Child, began: Instant) -> Ran {
    finish_within(child, began, LONGEST_COMMAND)
}

fn finish_within(child: Child, began: Instant, patience: Duration) -> Ran {
    let process = child.id();
    let (done, ended) = std::sync::mpsc::channel::<()>();
    let watch = std::thread::spawn(move || {
        if ended
            .recv_timeout(patience)
            .is_err_and(|error| error == std::sync::mpsc::RecvTimeoutError::Timeout)
        {
            signal("KILL", process);
        }
    });
    let Output { status, stdout, stderr } = child.wait_with_output().expect("an ended command");
    drop(done);
    watch.join().expect("the watch");
    Ran {
        status: status.code(),
        stdout: String::from_utf8_lossy(&stdout).into_owned(),
        stderr: String::from_utf8_lossy(&stderr).into_owned(),
        took: began.elapsed(),
    }
}

/// Sends a signal to a process that the caller started and has not waited for.
pub(crate) fn signal(name: &str, process: u32) {
    let _ = Command::new("kill").args([&format!("-{name}"), &process.to_string()]).status();
}

/// Waits for something that must come true.
pub(crate) fn until(patience: Duration, what: &str, mut is_true: impl FnMut() -> bool) {
    let give_up = Instant::now() + patience;
    while !is_true() {
        assert!(Instant::now() < give_up, "not within {patience:?}: {what}");
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// A command in a namespace that dies with the thread that starts it, however that ends.
fn within(namespace: &str, program: &str) -> Command {
    let mut command = first();
    command.args(["setpriv", "--pdeathsig", "KILL", "ip", "netns", "exec", namespace, program]);
    command
}

/// Runs the command before what else the machine does: what is measured here is the path, not the machine.
fn first() -> Command {
    let mut command = Command::new("nice");
    command.args(["-n", "-10"]);
    command
}

/// `scripts/lab`.
pub(crate) fn script() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/lab")
}

fn what_is_missing() -> Option<&'static str> {
    let user = Command::new("id").arg("-u").output().expect("id can be run");
    if user.stdout != b"0\n" {
        return Some("root");
    }
    let has_ip = Command::new("ip").arg("-V").output().is_ok_and(|ip| ip.status.success());
    (!has_ip).then_some("the command ip")
}

/// What a script printed as shell assignments, by name.
pub(crate) fn assignments(text: &str) -> HashMap<String, String> {
    text.lines()
        .filter_map(|line| line.split_once('='))
        .map(|(name, value)| (name.to_owned(), value.trim_matches('\'').to_owned()))
        .collect()
}
