//! The ledger on disk: an append-only file of JSON lines under an exclusive lock.
//!
//! A line is a [`SurveyHeader`], a [`RunRecord`] or a [`CapacityRecord`], told apart by its `schema`. What the lines mean is read by
//! [`parse_ledger`], which touches no file.

use std::{
    fs::{File, OpenOptions, TryLockError},
    io::{self, Read, Seek, SeekFrom, Write},
    path::{Path, PathBuf},
};

use culvert_units::{ExitStatus, Explain};
use serde::Serialize;

use crate::{CapacityRecord, LedgerContents, RunRecord, SurveyHeader, parse_ledger};

/// A ledger open for appending; the lock is released when it is dropped.
#[derive(Debug)]
pub struct Ledger {
    path: PathBuf,
    file: File,
    /// The file does not end with a newline: the next line must start on a fresh one.
    torn: bool,
}

/// What can be appended.
#[derive(Debug, Clone, Copy, Serialize)]
#[serde(untagged)]
pub enum Entry<'a> {
    /// The head of a survey.
    Survey(&'a SurveyHeader),
    /// One run.
    Run(&'a RunRecord),
    /// One search for a capacity.
    Capacity(&'a CapacityRecord),
}

/// Why a ledger cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The file cannot be opened.
    #[error("the ledger {} cannot be opened", path.display())]
    Open {
        /// The ledger.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The file to read does not exist.
    #[error("there is no ledger {}", path.display())]
    Missing {
        /// The ledger.
        path: PathBuf,
    },
    /// The path names a directory, a device or a pipe.
    #[error("the ledger {} is not a regular file", path.display())]
    NotAFile {
        /// The ledger.
        path: PathBuf,
    },
    /// Another command holds the lock.
    #[error("the ledger {} is being written by another command", path.display())]
    Locked {
        /// The ledger.
        path: PathBuf,
    },
    /// The file cannot be read.
    #[error("the ledger {} cannot be read", path.display())]
    Read {
        /// The ledger.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A line could not be written or flushed.
    #[error("the ledger {} cannot be written", path.display())]
    Write {
        /// The ledger.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The system took a part of the line only.
    #[error("the ledger {} took {written} of {wanted} bytes", path.display())]
    Short {
        /// The ledger.
        path: PathBuf,
        /// Bytes that were written.
        written: usize,
        /// Bytes of the line.
        wanted: usize,
    },
}

impl Ledger {
    /// Opens or creates the ledger for appending and takes its exclusive lock, without waiting for it.
    pub fn open_for_append(path: impl AsRef<Path>) -> Result<Self, LedgerError> {
        let path = path.as_ref().to_owned();
        refuse_irregular(&path)?;
        let opened = OpenOptions::new().read(true).append(true).create(true).open(&path);
        let mut file = opened.map_err(|source| LedgerError::Open { path: path.clone(), source })?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => return Err(LedgerError::Locked { path }),
            Err(TryLockError::Error(source)) => return Err(LedgerError::Open { path, source }),
        }
        let torn = ends_torn(&mut file)
            .map_err(|source| LedgerError::Read { path: path.clone(), source })?;
        flush_directory(&path);
        Ok(Self { path, file, torn })
    }

    /// Reads a whole ledger; lines that cannot be used are in [`LedgerContents::skipped`].
    pub fn read(path: impl AsRef<Path>) -> Result<LedgerContents, LedgerError> {
        let path = path.as_ref();
        refuse_irregular(path)?;
        match std::fs::read(path) {
            Ok(bytes) => Ok(parse_ledger(&bytes)),
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                Err(LedgerError::Missing { path: path.to_owned() })
            }
            Err(source) => Err(LedgerError::Read { path: path.to_owned(), source }),
        }
    }

    /// Appends one line in one write and waits until it is on the disk.
    ///
    /// After an error the next line starts on a fresh one, so a half-written line costs no other.
    pub fn append<'a>(&mut self, entry: impl Into<Entry<'a>>) -> Result<(), LedgerError> {
        let line = self.line_of(&entry.into())?;
        let written = self.file.write(&line);
        self.torn = !matches!(written, Ok(count) if count == line.len());
        match written {
            Ok(count) if count == line.len() => {
                self.file.sync_data().map_err(|source| self.write_error(source))
            }
            Ok(written) => {
                Err(LedgerError::Short { path: self.path.clone(), written, wanted: line.len() })
            }
            Err(source) => Err(self.write_error(source)),
        }
    }

    /// Everything the ledger holds by now, read while the lock is held.
    pub fn contents(&self) -> Result<LedgerContents, LedgerError> {
        Self::read(&self.path)
    }

    /// Where the ledger is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn line_of(&self, entry: &Entry<'_>) -> Result<Vec<u8>, LedgerError> {
        let mut line = if self.torn { vec![b'\n'] } else { Vec::new() };
        serde_json::to_writer(&mut line, entry)
            .map_err(|error| self.write_error(io::Error::other(error)))?;
        line.push(b'\n');
        Ok(line)
    }

    fn write_error(&self, source: io::Error) -> LedgerError {
        LedgerError::Write { path: self.path.clone(), source }
    }
}

impl<'a> From<&'a SurveyHeader> for Entry<'a> {
    fn from(header: &'a SurveyHeader) -> Self {
        Self::Survey(header)
    }
}

impl<'a> From<&'a RunRecord> for Entry<'a> {
    fn from(run: &'a RunRecord) -> Self {
        Self::Run(run)
    }
}

impl<'a> From<&'a CapacityRecord> for Entry<'a> {
    fn from(search: &'a CapacityRecord) -> Self {
        Self::Capacity(search)
    }
}

impl Explain for LedgerError {
    fn hint(&self) -> Option<String> {
        let hint = match self {
            Self::Open { .. } | Self::Write { .. } | Self::Read { .. } => {
                "check that the folder exists, that you may write in it and that the disk is not full"
            }
            Self::Missing { .. } => {
                "name the file that a survey, or a session with --ledger, has written"
            }
            Self::NotAFile { .. } => "name a file, new or written by an earlier command",
            Self::Locked { .. } => {
                "let the other command end, or give this one another file with --ledger"
            }
            Self::Short { .. } => {
                "make room on the disk and repeat the command: the lines before are unharmed"
            }
        };
        Some(hint.to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        match self {
            Self::Missing { .. } => ExitStatus::Usage,
            _ => ExitStatus::LocalFault,
        }
    }
}

/// Opening a pipe would wait for its other end, and a device keeps nothing.
fn refuse_irregular(path: &Path) -> Result<(), LedgerError> {
    match std::fs::metadata(path) {
        Ok(facts) if !facts.is_file() => Err(LedgerError::NotAFile { path: path.to_owned() }),
        _ => Ok(()),
    }
}

fn ends_torn(file: &mut File) -> io::Result<bool> {
    if file.seek(SeekFrom::End(0))? == 0 {
        return Ok(false);
    }
    file.seek(SeekFrom::End(-1))?;
    let mut last = [0];
    file.read_exact(&mut last)?;
    Ok(last != *b"\n")
}

/// A new file survives a crash only when its directory is on the disk too; some file systems cannot flush one, and
/// then there is nothing better to do.
fn flush_directory(path: &Path) {
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty());
    if let Ok(directory) = File::open(parent.unwrap_or_else(|| Path::new("."))) {
        let _ = directory.sync_all();
    }
}

#[cfg(test)]
mod tests {
    use culvert_units::explain;

    use super::*;
    use crate::samples;

    fn scratch() -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().expect("a scratch folder");
        let path = folder.path().join("ledger.jsonl");
        (folder, path)
    }

    #[test]
    fn keeps_what_is_appended() {
        let (_folder, path) = scratch();
        let (header, run) = (samples::header(), samples::run());
        let mut ledger = Ledger::open_for_append(&path).expect("a new ledger");
        ledger.append(&header).expect("a header");
        ledger.append(&run).expect("a run");
        let contents = ledger.contents().expect("contents");
        assert_eq!((contents.headers, contents.runs), (vec![header], vec![run]));
        assert!(contents.skipped.is_empty());
        let text = std::fs::read_to_string(&path).expect("text");
        assert_eq!(text.matches('\n').count(), 2);
        assert!(text.ends_with('\n'));
    }

    #[test]
    fn a_second_command_is_refused_and_told_why() {
        let (_folder, path) = scratch();
        let first = Ledger::open_for_append(&path).expect("a new ledger");
        let error = Ledger::open_for_append(&path).expect_err("locked");
        assert!(matches!(error, LedgerError::Locked { .. }));
        assert_eq!(error.exit_status(), ExitStatus::LocalFault);
        let text = explain(&error);
        assert!(text.contains(&*path.to_string_lossy()) && text.contains("hint: "), "{text}");
        drop(first);
        assert!(Ledger::open_for_append(&path).is_ok());
    }

    #[test]
    fn a_torn_line_costs_no_other() {
        let (_folder, path) = scratch();
        let run = samples::run();
        Ledger::open_for_append(&path).expect("new").append(&run).expect("a run");
        let mut torn = OpenOptions::new().append(true).open(&path).expect("open");
        torn.write_all(br#"{"schema":"culvert/run/1","id":"ab"#).expect("a torn line");
        let mut later = samples::run();
        later.id = "b".repeat(32);
        Ledger::open_for_append(&path).expect("again").append(&later).expect("a run");
        let contents = Ledger::read(&path).expect("contents");
        assert_eq!(contents.runs, vec![run, later]);
        assert_eq!(contents.skipped.iter().map(|line| line.number).collect::<Vec<_>>(), [2]);
    }

    #[test]
    fn what_cannot_be_used_is_refused() {
        let (folder, path) = scratch();
        let missing = Ledger::read(&path).expect_err("no file");
        assert_eq!(missing.exit_status(), ExitStatus::Usage);
        let directory = Ledger::open_for_append(folder.path()).expect_err("a directory");
        assert!(matches!(directory, LedgerError::NotAFile { .. }));
        let unwritable = Ledger::open_for_append(path.join("below")).expect_err("no such folder");
        assert_eq!(unwritable.exit_status(), ExitStatus::LocalFault);
        assert!(unwritable.hint().is_some());
        assert!(matches!(Ledger::read("/dev/null"), Err(LedgerError::NotAFile { .. })));
    }

    #[test]
    fn a_full_disk_is_an_error_not_a_loss() {
        // Opened for reading alone, the file refuses every write as a full disk would.
        let (_folder, path) = scratch();
        Ledger::open_for_append(&path).expect("new").append(&samples::run()).expect("a run");
        let file = File::open(&path).expect("for reading");
        let mut ledger = Ledger { path: path.clone(), file, torn: false };
        assert!(matches!(ledger.append(&samples::run()), Err(LedgerError::Write { .. })));
        assert!(ledger.torn);
        assert_eq!(Ledger::read(&path).expect("contents").runs.len(), 1);
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(32))]
        #[test]
        fn appending_after_any_bytes_keeps_the_run(bytes: Vec<u8>) {
            let (_folder, path) = scratch();
            std::fs::write(&path, &bytes).expect("any bytes");
            let run = samples::run();
            Ledger::open_for_append(&path).expect("open").append(&run).expect("append");
            proptest::prop_assert_eq!(Ledger::read(&path).expect("contents").runs, vec![run]);
            proptest::prop_assert!(std::fs::read(&path).expect("bytes").starts_with(&bytes));
        }
    }
}
