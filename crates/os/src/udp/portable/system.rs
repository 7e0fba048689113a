//! The two questions that the standard library has no words for.

use std::{io, time::Duration};

use socket2::Socket;

use super::super::Fragmentation;

/// Waits until there is something to receive, an error included; `false` when that took longer.
#[cfg(not(windows))]
pub(super) fn is_readable(socket: &Socket, patience: Duration) -> io::Result<bool> {
    use std::os::fd::AsFd as _;

    use nix::poll::{PollFd, PollFlags, PollTimeout, poll};

    let mut watched = [PollFd::new(socket.as_fd(), PollFlags::POLLIN)];
    let milliseconds = u16::try_from(in_milliseconds(patience)).unwrap_or(u16::MAX);
    match poll(&mut watched, PollTimeout::from(milliseconds)) {
        Ok(count) => Ok(count > 0),
        Err(nix::Error::EINTR) => Ok(false),
        Err(error) => Err(error.into()),
    }
}

/// Waits until there is something to receive, an error included; `false` when that took longer.
#[cfg(windows)]
pub(super) fn is_readable(socket: &Socket, patience: Duration) -> io::Result<bool> {
    use std::os::windows::io::AsRawSocket as _;

    use windows_sys::Win32::Networking::WinSock::{POLLRDNORM, SOCKET_ERROR, WSAPOLLFD, WSAPoll};

    let descriptor = usize::try_from(socket.as_raw_socket()).map_err(io::Error::other)?;
    let mut watched = WSAPOLLFD { fd: descriptor, events: POLLRDNORM, revents: 0 };
    let milliseconds = i32::try_from(in_milliseconds(patience)).unwrap_or(i32::MAX);
    #[expect(unsafe_code, reason = "the standard library does not wait for datagrams")]
    // SAFETY: the pointer and the count describe one structure, which outlives the call and which it fills.
    let count = unsafe { WSAPoll(&raw mut watched, 1, milliseconds) };
    if count == SOCKET_ERROR { Err(io::Error::last_os_error()) } else { Ok(count > 0) }
}

/// Both ways to wait count in milliseconds; what is left of one is waited out.
fn in_milliseconds(patience: Duration) -> u128 {
    patience.as_nanos().div_ceil(1_000_000)
}

/// Sets or clears don't-fragment on what `socket` sends.
#[cfg(windows)]
pub(super) fn set_fragmentation(
    socket: &Socket,
    ipv6: bool,
    wanted: Fragmentation,
) -> io::Result<()> {
    use std::os::windows::io::AsRawSocket as _;

    use windows_sys::Win32::Networking::WinSock::{
        IP_DONTFRAGMENT, IPPROTO_IP, IPPROTO_IPV6, IPV6_DONTFRAG, setsockopt,
    };

    let (level, name) =
        if ipv6 { (IPPROTO_IPV6, IPV6_DONTFRAG) } else { (IPPROTO_IP, IP_DONTFRAGMENT) };
    let value = u32::from(wanted != Fragmentation::Allowed).to_ne_bytes();
    let descriptor = usize::try_from(socket.as_raw_socket()).map_err(io::Error::other)?;
    #[expect(unsafe_code, reason = "no safe wrapper offers these options")]
    // SAFETY: the pointer and the length describe `value`, which outlives the call; the system only reads it.
    let outcome = unsafe { setsockopt(descriptor, level, name, value.as_ptr(), 4) };
    if outcome == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

/// Fails as unsupported, unless datagrams may be fragmented as everywhere.
#[cfg(not(windows))]
pub(super) fn set_fragmentation(
    _socket: &Socket,
    _ipv6: bool,
    wanted: Fragmentation,
) -> io::Result<()> {
    match wanted {
        Fragmentation::Allowed => Ok(()),
        Fragmentation::Refused | Fragmentation::Probing => Err(io::ErrorKind::Unsupported.into()),
    }
}
