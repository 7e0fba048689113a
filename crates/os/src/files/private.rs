//! Files of the state directory: 0600 in 0700, whole or absent.

use std::{
    ffi::OsString,
    fs::{self, DirBuilder, File, OpenOptions},
    io::{self, Read, Write},
    os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt, fchown},
    path::{Path, PathBuf},
    sync::atomic::{AtomicU32, Ordering},
};

use nix::fcntl::{AT_FDCWD, RenameFlags, renameat2};

use super::FileError;

const FILE_MODE: u32 = 0o600;
const DIRECTORY_MODE: u32 = 0o700;
const PERMISSIONS: u32 = 0o777;

/// Makes the directory `path` with mode 0700 where it is missing, with its parents, and checks it.
pub fn create_directory(path: &Path) -> Result<(), FileError> {
    DirBuilder::new()
        .recursive(true)
        .mode(DIRECTORY_MODE)
        .create(path)
        .map_err(FileError::of("create", path))?;
    check_directory(path)
}

/// Refuses what is no directory, or one whose mode is wider than 0700.
pub fn check_directory(path: &Path) -> Result<(), FileError> {
    let metadata = fs::symlink_metadata(path).map_err(FileError::of("read", path))?;
    if !metadata.is_dir() {
        return Err(FileError::WrongKind { path: path.to_owned(), expected: "directory" });
    }
    check_mode(path, metadata.mode(), DIRECTORY_MODE)
}

/// Opens an existing private file for reading; refuses symbolic links and modes wider than 0600.
pub fn open(path: &Path) -> Result<File, FileError> {
    let file = OpenOptions::new()
        .read(true)
        // A named pipe in its place must not make the program wait.
        .custom_flags(libc::O_NOFOLLOW | libc::O_NONBLOCK)
        .open(path)
        .map_err(FileError::of("open", path))?;
    // Asked of the open file, so that it cannot be swapped between check and use.
    let metadata = file.metadata().map_err(FileError::of("read", path))?;
    if !metadata.is_file() {
        return Err(FileError::WrongKind { path: path.to_owned(), expected: "regular file" });
    }
    check_mode(path, metadata.mode(), FILE_MODE)?;
    Ok(file)
}

/// The content of a private file of at most `most` bytes; see [`open`].
pub fn read(path: &Path, most: usize) -> Result<Vec<u8>, FileError> {
    let file = open(path)?;
    let mut content = Vec::with_capacity(most.min(64 * 1024));
    let limit = u64::try_from(most).unwrap_or(u64::MAX).saturating_add(1);
    file.take(limit).read_to_end(&mut content).map_err(FileError::of("read", path))?;
    if content.len() > most {
        return Err(FileError::TooLong { path: path.to_owned(), most });
    }
    Ok(content)
}

/// Creates the private file `path`, which must not exist, with `content` on disk before its name appears.
///
/// An existing file is left alone: the error's kind is `AlreadyExists`. Run by root, the file takes the directory's owner.
pub fn create(path: &Path, content: &[u8]) -> Result<(), FileError> {
    publish(path, content, "create", RenameFlags::RENAME_NOREPLACE)
}

/// As [`create`], but takes the place of an existing file in one step.
pub fn replace(path: &Path, content: &[u8]) -> Result<(), FileError> {
    publish(path, content, "replace", RenameFlags::empty())
}

/// Removes a file for good; `false` when there was none.
pub fn remove(path: &Path) -> Result<bool, FileError> {
    match fs::remove_file(path) {
        Ok(()) => sync_directory(path).map(|()| true),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(FileError::of("remove", path)(error)),
    }
}

/// Gives `file` to the owner of the directory of `path` when run by root; else does nothing.
pub fn adopt_owner(file: &File, path: &Path) -> Result<(), FileError> {
    if !nix::unistd::geteuid().is_root() {
        return Ok(());
    }
    let directory = directory_of(path);
    let owner = fs::metadata(directory).map_err(FileError::of("read", directory))?;
    fchown(file, Some(owner.uid()), Some(owner.gid()))
        .map_err(FileError::of("change the owner of", path))
}

fn publish(
    path: &Path,
    content: &[u8],
    action: &'static str,
    flags: RenameFlags,
) -> Result<(), FileError> {
    let draft = draft_of(path)?;
    let outcome = write_draft(&draft, content).and_then(|()| {
        renameat2(AT_FDCWD, &draft, AT_FDCWD, path, flags)
            .map_err(|error| FileError::of(action, path)(error.into()))
    });
    if outcome.is_err() {
        // The draft may not exist; nothing else can be done about it.
        let _ = fs::remove_file(&draft);
    }
    outcome.and_then(|()| sync_directory(path))
}

fn write_draft(draft: &Path, content: &[u8]) -> Result<(), FileError> {
    let mut file = OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(FILE_MODE)
        .custom_flags(libc::O_NOFOLLOW)
        .open(draft)
        .map_err(FileError::of("create", draft))?;
    adopt_owner(&file, draft)?;
    file.write_all(content).map_err(FileError::of("write", draft))?;
    file.sync_all().map_err(FileError::of("write", draft))
}

// Beside the file, so that the rename stays within one file system; the leading dot keeps it out of listings by name.
fn draft_of(path: &Path) -> Result<PathBuf, FileError> {
    static DRAFTS: AtomicU32 = AtomicU32::new(0);
    let name = path
        .file_name()
        .ok_or_else(|| FileError::WrongKind { path: path.to_owned(), expected: "regular file" })?;
    let mut draft = OsString::from(".");
    draft.push(name);
    let number = DRAFTS.fetch_add(1, Ordering::Relaxed);
    draft.push(format!(".{}-{number}.draft", std::process::id()));
    Ok(path.with_file_name(draft))
}

/// Brings the names in the directory of `path` to disk.
pub(super) fn sync_directory(path: &Path) -> Result<(), FileError> {
    let directory = directory_of(path);
    File::open(directory)
        .and_then(|open| open.sync_all())
        .map_err(FileError::of("write", directory))
}

fn directory_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

fn check_mode(path: &Path, mode: u32, allowed: u32) -> Result<(), FileError> {
    let mode = mode & PERMISSIONS;
    if mode & !allowed == 0 {
        Ok(())
    } else {
        Err(FileError::TooOpen { path: path.to_owned(), mode, allowed })
    }
}
