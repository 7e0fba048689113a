//! Receiving what nobody wants to keep.

use std::io::{self, Read as _};

use socket2::SockRef;

use crate::socket::{AsSystem, uninterrupted};

/// Receives and forgets: in the kernel where it does that, else by reading.
#[derive(Debug, Default)]
pub struct Discarder {
    /// What is read into, once the kernel has refused; empty before.
    scratch: Vec<u8>,
}

impl Discarder {
    /// Receives and forgets at most `most` bytes; waits like a read does, returns how many went, 0 at the stream's end.
    pub fn discard(&mut self, socket: &impl AsSystem, most: usize) -> io::Result<usize> {
        if self.is_in_kernel() {
            match discard(socket, most) {
                Err(error) if is_refusal(&error) => self.scratch = vec![0; SCRATCH],
                outcome => return outcome,
            }
        }
        let most = most.min(self.scratch.len());
        discard_by_copy(socket, self.scratch.get_mut(..most).unwrap_or_default())
    }

    /// Whether nothing had to be copied so far.
    pub const fn is_in_kernel(&self) -> bool {
        self.scratch.is_empty()
    }
}

/// As much as fits a processor's second-level cache beside other things.
const SCRATCH: usize = 128 * 1024;

/// A kernel that knows no `MSG_TRUNC` for streams writes to the buffer, which is none, or names the flag as unknown.
fn is_refusal(error: &io::Error) -> bool {
    if cfg!(target_os = "linux") {
        let refusals = [libc::EFAULT, libc::EINVAL, libc::EOPNOTSUPP];
        error.raw_os_error().is_some_and(|code| refusals.contains(&code))
    } else {
        error.kind() == io::ErrorKind::Unsupported
    }
}

/// Has the kernel throw away at most `most` received bytes without copying them (`MSG_TRUNC`, tcp(7)).
///
/// Waits like a read does; returns how many bytes went, 0 at the end of the stream or when `most` is 0. Only for TCP:
/// another kind of socket fails with EFAULT. [`discard_by_copy`] does the same in the portable way.
#[cfg(target_os = "linux")]
pub fn discard(socket: &impl AsSystem, most: usize) -> io::Result<usize> {
    use std::os::fd::AsRawFd as _;

    let descriptor = socket.as_fd().as_raw_fd();
    uninterrupted(|| {
        #[expect(
            unsafe_code,
            reason = "safe wrappers demand a buffer, which this call does not use"
        )]
        // SAFETY: with this flag TCP writes nothing, and a kernel that would write refuses the null pointer instead.
        let count = unsafe { libc::recv(descriptor, std::ptr::null_mut(), most, libc::MSG_TRUNC) };
        usize::try_from(count).map_err(|_| io::Error::last_os_error())
    })
}

/// Fails as unsupported: other systems are not asked.
#[cfg(not(target_os = "linux"))]
pub fn discard(_socket: &impl AsSystem, _most: usize) -> io::Result<usize> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Reads at most what `scratch` holds and forgets it; returns how many bytes went, 0 at the end of the stream.
pub fn discard_by_copy(socket: &impl AsSystem, scratch: &mut [u8]) -> io::Result<usize> {
    let socket = SockRef::from(socket);
    uninterrupted(|| (&*socket).read(scratch))
}
