//! Where the programs are, a private folder for what they need, and programs that end with their value.

use std::env;
use std::ffi::OsString;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

use culvert_os::files;
use culvert_record::RunRecord;
use culvert_units::ExitStatus;

use super::CalibrateError;
use crate::interrupt::Interrupt;
use crate::runner::fresh_id;

/// A listener that was forgotten, this program having been killed, ends by itself.
pub(super) const LISTENER_LIVES: &str = "90s";
const LOOK: Duration = Duration::from_millis(20);
/// Making a key and an invite takes milliseconds.
const INVITE_PATIENCE: Duration = Duration::from_secs(10);
const LONGEST_LOG: usize = 1 << 20;

/// Both programs, and a private folder with a listener's state and an invite to it.
pub(super) struct Bench<'i> {
    folder: Folder,
    culvert: PathBuf,
    culvertd: PathBuf,
    interrupt: &'i Interrupt,
}

impl<'i> Bench<'i> {
    pub(super) fn new(interrupt: &'i Interrupt) -> Result<Self, CalibrateError> {
        let culvert =
            env::current_exe().map_err(CalibrateError::system("finding this program's file"))?;
        let culvertd = culvert.with_file_name("culvertd");
        if !culvertd.is_file() {
            return Err(CalibrateError::NoListener { path: culvertd });
        }
        let folder = Folder::new()?;
        let bench = Self { folder, culvert, culvertd, interrupt };
        bench.invite()?;
        Ok(bench)
    }

    /// A file of the folder.
    pub(super) fn file(&self, name: &str) -> PathBuf {
        self.folder.0.join(name)
    }

    pub(super) fn culvert(&self) -> &Path {
        &self.culvert
    }

    pub(super) fn culvertd(&self) -> &Path {
        &self.culvertd
    }

    /// The listener's state directory.
    pub(super) fn state(&self) -> PathBuf {
        self.file("listener")
    }

    /// The invite's file.
    pub(super) fn invite_file(&self) -> PathBuf {
        self.file("invite")
    }

    fn invite(&self) -> Result<(), CalibrateError> {
        let mut command = Command::new(&self.culvertd);
        command.args(["invite", "calibrate", "--expires", "1h", "--state"]).arg(self.state());
        let made = self.start("making an invite", command, "invite")?;
        let code = self.wait("making an invite", made, INVITE_PATIENCE)?;
        if code == Some(0) { Ok(()) } else { Err(self.failed("making an invite", "invite")) }
    }

    /// Starts a program; what it prints goes to the file `name`, what it says to `name`.log.
    pub(super) fn start(
        &self,
        what: &str,
        mut command: Command,
        name: &str,
    ) -> Result<Started, CalibrateError> {
        let create = |name: &str| {
            let file = self.file(name);
            files::replace(&file, b"")?;
            File::options()
                .write(true)
                .open(&file)
                .map_err(CalibrateError::system(format!("opening {}", file.display())))
        };
        command
            .stdin(Stdio::null())
            .stdout(create(name)?)
            .stderr(create(&format!("{name}.log"))?)
            // The sessions quote no older certificate.
            .env("XDG_STATE_HOME", &self.folder.0)
            .env_remove(super::store::VARIABLE)
            .env_remove(crate::invite_source::VARIABLE);
        command.spawn().map(Started).map_err(CalibrateError::system(format!("starting {what}")))
    }

    /// Waits until it has ended, and gives its exit code; it is ended when that takes too long.
    pub(super) fn wait(
        &self,
        what: &str,
        mut started: Started,
        patience: Duration,
    ) -> Result<Option<i32>, CalibrateError> {
        let mut ended = None;
        self.until(what, patience, || {
            ended = started.0.try_wait()?;
            Ok(ended.is_some())
        })?;
        Ok(ended.and_then(|status| status.code()))
    }

    /// Looks until it is so.
    pub(super) fn until(
        &self,
        what: &str,
        patience: Duration,
        mut is_so: impl FnMut() -> std::io::Result<bool>,
    ) -> Result<(), CalibrateError> {
        let since = Instant::now();
        while !is_so().map_err(CalibrateError::system(what))? {
            if self.interrupt.flag().load(Ordering::Relaxed) {
                return Err(CalibrateError::Interrupted);
            }
            if since.elapsed() > patience {
                return Err(CalibrateError::Slow { what: what.to_owned(), waited: patience });
            }
            thread::sleep(LOOK);
        }
        Ok(())
    }

    /// What a program whose output has this name said.
    pub(super) fn log(&self, name: &str) -> String {
        let log = files::read(&self.file(&format!("{name}.log")), LONGEST_LOG).unwrap_or_default();
        String::from_utf8_lossy(&log).into_owned()
    }

    /// The error for a program that failed.
    pub(super) fn failed(&self, what: &str, name: &str) -> CalibrateError {
        // An interrupt of the whole process group ends the programs, too, and maybe first.
        if self.interrupt.flag().load(Ordering::Relaxed) {
            return CalibrateError::Interrupted;
        }
        let log = self.log(name);
        let said = log.lines().find_map(|line| line.strip_prefix("error: "));
        let said = said.or_else(|| log.lines().last()).unwrap_or("it said nothing");
        CalibrateError::Failed { what: what.to_owned(), said: said.to_owned() }
    }

    /// The arguments of one session, which prints its record.
    pub(super) fn session(&self, asked: &[&str], target: &str) -> Vec<OsString> {
        let (kind, options) = asked.split_first().unwrap_or((&"bulk", &[]));
        let mut arguments: Vec<OsString> =
            [kind, target, "--quiet", "--json", "--invite"].map(Into::into).into();
        arguments.push(self.invite_file().into());
        arguments.extend(options.iter().map(Into::into));
        arguments
    }

    /// The record that a session printed.
    pub(super) fn record(&self, what: &str, name: &str) -> Result<RunRecord, CalibrateError> {
        fs::read(self.file(name))
            .ok()
            .and_then(|bytes| serde_json::from_slice(&bytes).ok())
            .ok_or_else(|| self.failed(what, name))
    }
}

/// Whether a session with this exit code has a record: a void one has.
pub(super) fn has_record(code: Option<i32>) -> bool {
    [ExitStatus::Done, ExitStatus::Void].iter().any(|status| code == Some(status.code().into()))
}

/// A program that runs; it is ended, by its own id, with the value.
#[derive(Debug)]
pub(super) struct Started(Child);

impl Started {
    pub(super) fn has_ended(&mut self) -> std::io::Result<bool> {
        self.0.try_wait().map(|status| status.is_some())
    }
}

impl Drop for Started {
    fn drop(&mut self) {
        // One that has ended already cannot be ended any more, and that is well.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A private folder that goes with the value.
#[derive(Debug)]
struct Folder(PathBuf);

impl Folder {
    fn new() -> Result<Self, CalibrateError> {
        let path = env::temp_dir().join(format!("culvert-calibrate-{}", fresh_id()));
        files::create_directory(&path)?;
        Ok(Self(path))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        // Nothing of worth is in it: the invite's listener is gone.
        let _ = fs::remove_dir_all(&self.0);
    }
}
