//! What waits in a connection's queues, and how to be rid of it.

use std::{
    io,
    os::fd::{AsFd, AsRawFd},
    ptr,
    time::Duration,
};

use libc::c_int;
use nix::sys::socket::{MsgFlags, recv};
use socket2::SockRef;

use crate::socket::uninterrupted;

/// Bytes written to the stream that the peer has not acknowledged yet, sent or not (`SIOCOUTQ`, tcp(7)).
pub fn unsent_and_unacknowledged(socket: &impl AsFd) -> io::Result<u64> {
    let descriptor = socket.as_fd().as_raw_fd();
    let mut bytes: c_int = 0;
    #[expect(unsafe_code, reason = "no safe wrapper offers this request")]
    // SAFETY: this request writes one C int, for which `bytes` has room and which outlives the call.
    let outcome = unsafe { libc::ioctl(descriptor, SIOCOUTQ, &raw mut bytes) };
    if outcome != 0 {
        return Err(io::Error::last_os_error());
    }
    u64::try_from(bytes).map_err(|_| io::Error::from(io::ErrorKind::InvalidData))
}

/// Linux defines `SIOCOUTQ` as `TIOCOUTQ` (`linux/sockios.h`).
const SIOCOUTQ: libc::Ioctl = libc::TIOCOUTQ;

/// Has the kernel throw away at most `most` received bytes without copying them (`MSG_TRUNC`, tcp(7)).
///
/// Waits like a read does; returns how many bytes went, 0 at the end of the stream or when `most` is 0. Only for TCP:
/// another kind of socket fails with EFAULT. [`discard_by_copy`] does the same in the portable way.
pub fn discard(socket: &impl AsFd, most: usize) -> io::Result<usize> {
    let descriptor = socket.as_fd().as_raw_fd();
    uninterrupted(|| {
        #[expect(
            unsafe_code,
            reason = "safe wrappers demand a buffer, which this call does not use"
        )]
        // SAFETY: with this flag TCP writes nothing, and a kernel that would write refuses the null pointer instead.
        let count = unsafe { libc::recv(descriptor, ptr::null_mut(), most, libc::MSG_TRUNC) };
        usize::try_from(count).map_err(|_| io::Error::last_os_error())
    })
}

/// Reads at most what `scratch` holds and forgets it; returns how many bytes went, 0 at the end of the stream.
pub fn discard_by_copy(socket: &impl AsFd, scratch: &mut [u8]) -> io::Result<usize> {
    let descriptor = socket.as_fd().as_raw_fd();
    uninterrupted(|| Ok(recv(descriptor, scratch, MsgFlags::empty())?))
}

/// Makes closing the socket throw away what is unsent and reset the connection at once (`SO_LINGER` of zero).
pub fn reset_on_close(socket: &impl AsFd) -> io::Result<()> {
    SockRef::from(socket).set_linger(Some(Duration::ZERO))
}
