//! The certificate's file, and what a run may quote of it.

use std::env;
use std::io;
use std::path::{Path, PathBuf};

use culvert_os::cpu;
use culvert_os::files::{self, FileError};
use culvert_record::{Certificate, Instrument, NotQuoted, QuotedCertificate};

use super::CalibrateError;
use crate::console::Console;
use crate::dial::PROGRAM;
use crate::runner::fresh_id;

/// The environment variable that may name the certificate's file.
pub(crate) const VARIABLE: &str = "CULVERT_CERTIFICATE";
const LARGEST: usize = 64 * 1024;

/// Where the certificate is kept: as typed, else as the environment says, else with this user's state.
pub(super) fn path(typed: Option<&Path>) -> Option<PathBuf> {
    let set = |name: &str| env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    typed.map(Path::to_owned).or_else(|| set(VARIABLE)).or_else(|| {
        let base =
            set("XDG_STATE_HOME").or_else(|| set("HOME").map(|home| home.join(".local/state")))?;
        Some(base.join("culvert").join("certificate.json"))
    })
}

/// Makes the certificate's folder where it is missing, and checks that a file can be written there.
pub(super) fn check(path: &Path) -> Result<(), CalibrateError> {
    let folder = folder_of(path);
    if !folder.exists() {
        files::create_directory(folder)?;
    }
    let trial = folder.join(format!(".culvert-{}", fresh_id()));
    files::create(&trial, b"")?;
    files::remove(&trial)?;
    if path.is_dir() {
        return Err(FileError::WrongKind { path: path.to_owned(), expected: "regular file" }.into());
    }
    Ok(())
}

/// Keeps the certificate, privately and whole.
pub(super) fn write(path: &Path, certificate: &Certificate) -> Result<(), CalibrateError> {
    let mut json = serde_json::to_vec_pretty(certificate).map_err(|error| {
        CalibrateError::System { doing: "writing the certificate".to_owned(), source: error.into() }
    })?;
    json.push(b'\n');
    Ok(files::replace(path, &json)?)
}

/// What a run of this program on this host may quote; why there is nothing is said, unless nobody made a certificate.
pub(crate) fn quoted(console: &Console) -> Option<QuotedCertificate> {
    let path = path(None)?;
    let json = match files::read(&path, LARGEST) {
        Ok(json) => json,
        Err(error) if error.kind() == Some(io::ErrorKind::NotFound) => return None,
        Err(error) => {
            console.talk(&not_quoted(&path, &error.to_string()));
            return None;
        }
    };
    match quote(&json, &this_instrument()) {
        Ok(quoted) => Some(quoted),
        Err(why) => {
            console.talk(&not_quoted(&path, &why.to_string()));
            None
        }
    }
}

fn quote(json: &[u8], now: &Instrument) -> Result<QuotedCertificate, NotQuoted> {
    Certificate::parse(json)?.quote(now)
}

fn not_quoted(path: &Path, why: &str) -> String {
    // The file may hold anything, and its values are shown.
    let why: String = why.chars().filter(|letter| !letter.is_control()).collect();
    format!(
        "caution: the certificate {} is not quoted: {why}; make a new one with culvert calibrate",
        path.display()
    )
}

/// This program on this host.
pub(super) fn this_instrument() -> Instrument {
    Instrument {
        program: PROGRAM.to_owned(),
        host: cpu::host_name().ok(),
        system: cpu::kernel_release().ok().map(|release| format!("{} {release}", env::consts::OS)),
        processor: cpu::processor_model().ok().flatten(),
        processors: cpu::usable_cores().ok().and_then(|cores| u64::try_from(cores.len()).ok()),
    }
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or_else(|| Path::new("."))
}
