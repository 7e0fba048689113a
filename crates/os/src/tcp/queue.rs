//! What waits in a connection's queues, and how to be rid of it.

use std::{io, time::Duration};

use socket2::SockRef;

use crate::socket::AsSystem;

/// Bytes written to the stream that the peer has not acknowledged yet, sent or not (`SIOCOUTQ`, tcp(7)).
#[cfg(target_os = "linux")]
pub fn unsent_and_unacknowledged(socket: &impl AsSystem) -> io::Result<u64> {
    use std::os::fd::AsRawFd as _;

    let descriptor = socket.as_fd().as_raw_fd();
    let mut bytes: libc::c_int = 0;
    #[expect(unsafe_code, reason = "no safe wrapper offers this request")]
    // SAFETY: this request writes one C int, for which `bytes` has room and which outlives the call.
    let outcome = unsafe { libc::ioctl(descriptor, SIOCOUTQ, &raw mut bytes) };
    if outcome != 0 {
        return Err(io::Error::last_os_error());
    }
    u64::try_from(bytes).map_err(|_| io::Error::from(io::ErrorKind::InvalidData))
}

/// Fails as unsupported: other systems are not asked.
#[cfg(not(target_os = "linux"))]
pub fn unsent_and_unacknowledged(_socket: &impl AsSystem) -> io::Result<u64> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Linux defines `SIOCOUTQ` as `TIOCOUTQ` (`linux/sockios.h`).
#[cfg(target_os = "linux")]
const SIOCOUTQ: libc::Ioctl = libc::TIOCOUTQ;

/// Makes closing the socket throw away what is unsent and reset the connection at once (`SO_LINGER` of zero).
pub fn reset_on_close(socket: &impl AsSystem) -> io::Result<()> {
    SockRef::from(socket).set_linger(Some(Duration::ZERO))
}
