//! Files whose loss or disclosure would hurt: keys, invites, the ledger.
//!
//! State is private (0700 and 0600) and appears whole or not at all. [`Appender`] adds lines that are on disk when it
//! returns.

mod append;
mod error;
mod private;
#[cfg(test)]
mod tests;

use std::{
    fs::{File, TryLockError},
    path::Path,
};

pub use append::Appender;
pub use error::FileError;
pub use private::{
    adopt_owner, check_directory, create, create_directory, open, read, remove, replace,
};

/// Takes the lock of `file` for this program until the file is closed; `false` when another one holds it.
///
/// It binds only programs that ask (flock(2)). `path` is named in errors.
pub fn lock_exclusive(file: &File, path: &Path) -> Result<bool, FileError> {
    match file.try_lock() {
        Ok(()) => Ok(true),
        Err(TryLockError::WouldBlock) => Ok(false),
        Err(TryLockError::Error(source)) => Err(FileError::of("lock", path)(source)),
    }
}
