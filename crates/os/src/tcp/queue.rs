//! What waits in a connection's queues, and how to be rid of it.

use std::{
    io,
    os::fd::{AsFd, AsRawFd},
    time::Duration,
};

use libc::c_int;
use socket2::SockRef;

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

/// Makes closing the socket throw away what is unsent and reset the connection at once (`SO_LINGER` of zero).
pub fn reset_on_close(socket: &impl AsFd) -> io::Result<()> {
    SockRef::from(socket).set_linger(Some(Duration::ZERO))
}
