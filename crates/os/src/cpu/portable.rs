//! What can be said of processors where the system is not asked: nothing.

use std::io;

use super::ProcessorTime;

/// Fails as unsupported.
pub fn process_time() -> io::Result<ProcessorTime> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported.
pub fn thread_time() -> io::Result<ProcessorTime> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported.
pub fn usable_cores() -> io::Result<Vec<u32>> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported.
pub fn pin_to(_core: u32) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_made_up() {
        let kinds = [
            process_time().map(drop),
            thread_time().map(drop),
            usable_cores().map(drop),
            pin_to(0),
        ]
        .map(|answer| answer.unwrap_err().kind());
        assert_eq!(kinds, [io::ErrorKind::Unsupported; 4]);
    }
}
