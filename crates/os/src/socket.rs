//! Socket options that no safe wrapper offers, and the size of socket buffers.

use std::io;
#[cfg(target_os = "linux")]
use std::os::fd::{AsRawFd, BorrowedFd};

#[cfg(target_os = "linux")]
use libc::{c_int, socklen_t};
use socket2::{SockRef, Socket};

/// What lends the system's own handle of a socket.
#[cfg(not(windows))]
pub use std::os::fd::AsFd as AsSystem;
/// What lends the system's own handle of a socket.
#[cfg(windows)]
pub use std::os::windows::io::AsSocket as AsSystem;

/// The sizes of a socket's buffers in bytes, as the kernel reports them.
///
/// Linux grants twice what was asked, for its own bookkeeping (socket(7)), and never more than twice the host's limit
/// unless the process may override it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Buffers {
    /// `SO_RCVBUF`.
    pub receive: usize,
    /// `SO_SNDBUF`.
    pub send: usize,
}

/// Whether `sockets` of them got less than was asked for each.
pub const fn is_capped(asked: u64, granted: u64, sockets: u64) -> bool {
    granted < asked.saturating_mul(REPORTED_FOR_ONE).saturating_mul(sockets)
}

/// Linux reports twice what it granted.
const REPORTED_FOR_ONE: u64 = if cfg!(target_os = "linux") { 2 } else { 1 };

/// The buffers that `socket` has now.
pub fn granted_buffers(socket: &impl AsSystem) -> io::Result<Buffers> {
    let socket = SockRef::from(socket);
    Ok(Buffers { receive: socket.recv_buffer_size()?, send: socket.send_buffer_size()? })
}

/// Asks for buffers of so many bytes, beyond the host's limit where the process may; `None` leaves the kernel's choice.
pub(crate) fn ask_for_buffers(
    socket: &impl AsSystem,
    receive: Option<usize>,
    send: Option<usize>,
) -> io::Result<()> {
    if let Some(asked) = receive.map(representable)
        && !is_forced(socket, asked, Way::Receive)
    {
        SockRef::from(socket).set_recv_buffer_size(asked)?;
    }
    if let Some(asked) = send.map(representable)
        && !is_forced(socket, asked, Way::Send)
    {
        SockRef::from(socket).set_send_buffer_size(asked)?;
    }
    Ok(())
}

/// Bounds the links that packets of `socket` may cross; `None` leaves the host's default.
pub(crate) fn bound_hops(socket: &Socket, ipv6: bool, limit: Option<u8>) -> io::Result<()> {
    match limit.map(u32::from) {
        Some(hops) if ipv6 => socket.set_unicast_hops_v6(hops),
        Some(hops) => socket.set_ttl_v4(hops),
        None => Ok(()),
    }
}

/// Which of a socket's buffers.
#[derive(Debug, Clone, Copy)]
enum Way {
    Receive,
    Send,
}

/// Sets a buffer beyond the host's limit, where that can be asked for and this process may.
#[cfg(target_os = "linux")]
fn is_forced(socket: &impl AsSystem, bytes: usize, way: Way) -> bool {
    use nix::sys::socket::{setsockopt, sockopt};

    match way {
        Way::Receive => setsockopt(socket, sockopt::RcvBufForce, &bytes).is_ok(),
        Way::Send => setsockopt(socket, sockopt::SndBufForce, &bytes).is_ok(),
    }
}

#[cfg(not(target_os = "linux"))]
fn is_forced(_socket: &impl AsSystem, _bytes: usize, _way: Way) -> bool {
    false
}

// The kernel doubles what was asked in a signed 32-bit number.
fn representable(asked: usize) -> usize {
    asked.min(i32::MAX as usize / 2)
}

/// Sets an option whose value is one C `int`.
#[cfg(target_os = "linux")]
pub(crate) fn set_int(
    socket: BorrowedFd<'_>,
    level: c_int,
    name: c_int,
    value: c_int,
) -> io::Result<()> {
    #[expect(unsafe_code, reason = "neither nix nor socket2 offers these options")]
    // SAFETY: the pointer and the length describe `value`, which outlives the call; the kernel only reads it.
    let outcome = unsafe {
        libc::setsockopt(socket.as_raw_fd(), level, name, (&raw const value).cast(), INT_LENGTH)
    };
    if outcome == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

#[cfg(target_os = "linux")]
const INT_LENGTH: socklen_t = 4;
#[cfg(target_os = "linux")]
const _: () = assert!(size_of::<c_int>() == 4, "an int has four bytes on every Linux");

/// Reads an option into `words` and returns how many bytes of it the kernel filled.
#[cfg(target_os = "linux")]
pub(crate) fn get_words(
    socket: BorrowedFd<'_>,
    level: c_int,
    name: c_int,
    words: &mut [u32],
) -> io::Result<usize> {
    let mut length = socklen_t::try_from(size_of_val(words))
        .map_err(|_| io::Error::from(io::ErrorKind::InvalidInput))?;
    #[expect(unsafe_code, reason = "neither nix nor socket2 offers these options")]
    // SAFETY: the pointer and `length` describe `words`, borrowed for the whole call; every bit pattern is a valid u32.
    let outcome = unsafe {
        libc::getsockopt(
            socket.as_raw_fd(),
            level,
            name,
            words.as_mut_ptr().cast(),
            &raw mut length,
        )
    };
    if outcome == 0 { Ok(length as usize) } else { Err(io::Error::last_os_error()) }
}

/// Repeats a call that a signal interrupted.
pub(crate) fn uninterrupted<T>(mut call: impl FnMut() -> io::Result<T>) -> io::Result<T> {
    loop {
        match call() {
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            outcome => return outcome,
        }
    }
}

/// Whether `error` says that nothing could be done without waiting (longer).
pub(crate) fn would_block(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::WouldBlock
}
