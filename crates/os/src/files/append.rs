//! Adding lines that survive a crash.

use std::{
    fs::{File, OpenOptions},
    io::{self, Write},
    os::unix::fs::FileExt,
    path::{Path, PathBuf},
};

use super::{FileError, private::sync_directory};

/// A file of lines that only grows.
#[derive(Debug)]
pub struct Appender {
    file: File,
    path: PathBuf,
}

impl Appender {
    /// Opens `path`, creating it with the user's usual permissions where it is missing.
    pub fn open(path: &Path) -> Result<Self, FileError> {
        let file = OpenOptions::new()
            .read(true)
            .append(true)
            .create(true)
            .open(path)
            .map_err(FileError::of("open", path))?;
        if !file.metadata().map_err(FileError::of("read", path))?.is_file() {
            return Err(FileError::WrongKind { path: path.to_owned(), expected: "regular file" });
        }
        sync_directory(path)?;
        Ok(Self { file, path: path.to_owned() })
    }

    /// The open file, to lock it.
    pub fn file(&self) -> &File {
        &self.file
    }

    /// Appends `line`, which has no line break, in one write and returns once it is on disk.
    ///
    /// A last line that a crash tore is ended first, so that it cannot take this one with it.
    pub fn append(&mut self, line: &[u8]) -> Result<(), FileError> {
        if line.contains(&b'\n') {
            return Err(FileError::BrokenLine { path: self.path.clone() });
        }
        let written = self.write(line);
        written.map_err(FileError::of("write", &self.path))
    }

    fn write(&mut self, line: &[u8]) -> io::Result<()> {
        let mut bytes = Vec::with_capacity(line.len() + 2);
        if self.is_torn()? {
            bytes.push(b'\n');
        }
        bytes.extend_from_slice(line);
        bytes.push(b'\n');
        // Whole in one call unless the disk is full; then the second call tells the reason.
        self.file.write_all(&bytes)?;
        self.file.sync_data()
    }

    fn is_torn(&self) -> io::Result<bool> {
        let Some(last) = self.file.metadata()?.len().checked_sub(1) else { return Ok(false) };
        let mut byte = [0];
        self.file.read_exact_at(&mut byte, last)?;
        Ok(byte != *b"\n")
    }
}
