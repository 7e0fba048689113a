//! The program: from its arguments to the truth.

use std::{
    ffi::OsString,
    fs::{self, File},
    io::{self, Write as _},
    path::Path,
    process::ExitCode,
    sync::{
        Arc,
        atomic::{AtomicBool, Ordering},
    },
    thread::{self, ScopedJoinHandle},
};

use clap::Parser as _;
use culvert_os::clock;
use culvert_units::{ExitStatus, Explain as _, explain};
use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

use super::{
    args::{Action, Arguments, Run},
    command::{self, Attended, Running},
    error::LabError,
    forward::{Carrier, Lane},
    hosts::Hosts,
    outcome::{Both, Carried, LabTruth, Lines, PathTruth},
};
use crate::{Lab, OneWay, config::KEYS};

/// Runs the program with the process's arguments.
pub fn run() -> ExitCode {
    run_with(std::env::args_os())
}

/// Runs the program with these arguments, its name the first; the process must have one thread.
pub fn run_with(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let outcome = match Arguments::parse_from(arguments).action {
        Action::Explain => return say(&mut io::stdout(), KEYS),
        Action::Run(arguments) => {
            Session::prepare(&arguments).and_then(|session| session.run(&arguments))
        }
    };
    match outcome {
        Ok(code) => ExitCode::from(code),
        Err(error) => {
            let _ = say(&mut io::stderr(), &explain(&error));
            ExitCode::from(error.exit_status().code())
        }
    }
}

fn say(to: &mut impl io::Write, text: &str) -> ExitCode {
    match writeln!(to, "{}", text.trim_end()) {
        // Whoever reads our output has seen enough.
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
            ExitCode::from(ExitStatus::LocalFault.code())
        }
        _ => ExitCode::SUCCESS,
    }
}

/// A lab with its files open and its signals caught.
struct Session {
    lab: Lab,
    truth: Option<File>,
    packets: Option<Lines>,
    interrupted: Arc<AtomicBool>,
}

impl Session {
    fn prepare(arguments: &Run) -> Result<Self, LabError> {
        let file = |file: &Path| {
            let file = file.to_owned();
            move |source| LabError::File { file, source }
        };
        let text = fs::read_to_string(&arguments.config).map_err(file(&arguments.config))?;
        let mut lab = Lab::parse(&text)?;
        if let Some(seed) = arguments.seed {
            lab = lab.with_seed(seed);
        }
        let create = |path: &Option<std::path::PathBuf>| match path {
            None => Ok(None),
            Some(path) => File::create(path).map(Some).map_err(file(path)),
        };
        let interrupted = Arc::new(AtomicBool::new(false));
        for signal in [SIGINT, SIGTERM, SIGHUP] {
            signal_hook::flag::register(signal, Arc::clone(&interrupted))
                .map_err(LabError::build("catching signals"))?;
        }
        Ok(Self {
            lab,
            truth: create(&arguments.truth)?,
            packets: create(&arguments.packets)?.map(Lines::new),
            interrupted,
        })
    }

    fn run(mut self, arguments: &Run) -> Result<u8, LabError> {
        let hosts = Hosts::build(&self.lab)?;
        let (toward_far, toward_near) =
            hosts.sockets(&self.lab).map_err(LabError::build("opening packet sockets"))?;
        let began_ns = clock::monotonic_ns();
        let listed = if self.packets.is_some() { arguments.most_packets } else { 0 };
        let (far_lanes, near_lanes) = lanes(&self.lab, listed);
        let carrier = |sockets, lanes| {
            Carrier::new(sockets, lanes, began_ns)
                .map_err(LabError::build("preparing to carry packets"))
        };
        let (toward_far, toward_near) =
            (carrier(toward_far, far_lanes)?, carrier(toward_near, near_lanes)?);
        let stop = AtomicBool::new(false);
        let (code, toward_far, toward_near) = thread::scope(|scope| {
            let toward_far = scope.spawn(|| toward_far.run(&stop));
            let toward_near = scope.spawn(|| toward_near.run(&stop));
            let carriers_run = || !toward_far.is_finished() && !toward_near.is_finished();
            let code = self.attend(scope, &hosts, arguments, &carriers_run);
            let cleared = hosts.clear().map_err(LabError::build("ending what ran on the hosts"));
            stop.store(true, Ordering::Relaxed);
            let (toward_far, toward_near) = (joined(toward_far), joined(toward_near));
            cleared?;
            Ok::<_, LabError>((code?, toward_far?, toward_near?))
        })?;
        let lasted_ns = clock::monotonic_ns().saturating_sub(began_ns);
        let truth = self.account(&hosts, lasted_ns, toward_far, toward_near)?;
        self.write(arguments, &truth)?;
        Ok(code)
    }

    /// Runs both commands and waits until the near one has ended, or somebody wants an end.
    fn attend<'scope>(
        &self,
        scope: &'scope thread::Scope<'scope, '_>,
        hosts: &'scope Hosts,
        arguments: &Run,
        carriers_run: &dyn Fn() -> bool,
    ) -> Result<u8, LabError> {
        if let Some(command) = &arguments.far {
            Running::start(scope, &hosts.far, command, Attended::No)?;
        }
        if let Some(port) = arguments.far_listens {
            self.await_listener(hosts, port)?;
        }
        let near = arguments.near.as_deref();
        let near = near.map(|command| Running::start(scope, &hosts.near, command, Attended::Yes));
        let near = near.transpose()?;
        while !self.is_interrupted() && carriers_run() {
            if let Some(outcome) = near.as_ref().and_then(Running::ended) {
                return outcome
                    .map(command::code)
                    .map_err(LabError::build("waiting for the near command"));
            }
            pause();
        }
        // Without a near command an end by signal is the only one there is.
        Ok(if near.is_some() { INTERRUPTED } else { 0 })
    }

    fn await_listener(&self, hosts: &Hosts, port: u16) -> Result<(), LabError> {
        let give_up_ns = clock::monotonic_ns() + LISTENER_WAIT_S * 1_000_000_000;
        while !self.is_interrupted() {
            let listens = hosts.far.run(|| command::is_listened_to(port));
            if listens.map_err(LabError::build("looking at the far host"))? {
                break;
            }
            if clock::monotonic_ns() >= give_up_ns {
                return Err(LabError::NothingListens { port, waited_s: LISTENER_WAIT_S });
            }
            pause();
        }
        Ok(())
    }

    fn is_interrupted(&self) -> bool {
        self.interrupted.load(Ordering::Relaxed)
    }

    fn account(
        &mut self,
        hosts: &Hosts,
        lasted_ns: u64,
        (far_lanes, toward_far): (Vec<Lane>, Carried),
        (near_lanes, toward_near): (Vec<Lane>, Carried),
    ) -> Result<LabTruth, LabError> {
        let mut paths = Vec::new();
        for ((path, far), near) in self.lab.paths().iter().zip(&far_lanes).zip(&near_lanes) {
            if let Some(lines) = &mut self.packets {
                lines
                    .write(&path.name, "far", far.way.packets())
                    .and_then(|()| lines.write(&path.name, "near", near.way.packets()))
                    .map_err(LabError::build("writing down the packets"))?;
            }
            let truth = Both { toward_far: far.way.truth(), toward_near: near.way.truth() };
            paths.push(PathTruth { path: path.clone(), truth });
        }
        Ok(LabTruth {
            schema: 1,
            seed: self.lab.seed(),
            lasted_s: std::time::Duration::from_nanos(lasted_ns).as_secs_f64(),
            paths,
            carriers: Both { toward_far, toward_near },
            devices: hosts
                .devices()
                .map_err(LabError::build("reading the counters of interfaces"))?,
        })
    }

    fn write(&mut self, arguments: &Run, truth: &LabTruth) -> Result<(), LabError> {
        if let (Some(to), Some(path)) = (&mut self.truth, &arguments.truth) {
            serde_json::to_writer_pretty(&mut *to, truth)
                .map_err(io::Error::from)
                .and_then(|()| to.write_all(b"\n"))
                .map_err(|source| LabError::File { file: path.clone(), source })?;
        }
        for line in truth.complaints() {
            let _ = say(&mut io::stderr(), &line);
        }
        Ok(())
    }
}

const INTERRUPTED: u8 = 130;
const LISTENER_WAIT_S: u64 = 10;

fn pause() {
    // Interrupted or not, whoever called looks again.
    let _ = clock::sleep_until(clock::monotonic_ns() + 10_000_000);
}

fn lanes(lab: &Lab, listed: usize) -> (Vec<Lane>, Vec<Lane>) {
    let (mut toward_far, mut toward_near) = (Vec::new(), Vec::new());
    for (place, path) in lab.paths().iter().enumerate() {
        let both = crate::Path::new(&path.config, lab.seed_of(place), listed);
        let lane = |source, destination, way: OneWay<u32>| Lane { source, destination, way };
        toward_far.push(lane(path.near, path.far, both.toward_far));
        toward_near.push(lane(path.far, path.near, both.toward_near));
    }
    (toward_far, toward_near)
}

fn joined(
    thread: ScopedJoinHandle<'_, io::Result<(Vec<Lane>, Carried)>>,
) -> Result<(Vec<Lane>, Carried), LabError> {
    let outcome = thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
    outcome.map_err(LabError::build("carrying packets"))
}
