//! Packet sockets: whole Ethernet frames of one interface, read from memory shared with the kernel (packet(7)).

mod ring;
mod send;

use std::{
    io,
    os::fd::{AsFd as _, AsRawFd as _, FromRawFd as _, OwnedFd},
};

use libc::{c_int, sockaddr_ll, socklen_t};

pub use ring::{Captured, PacketRing};
pub use send::{Frames, PacketSender};

use crate::socket::set_int;

/// The length of an Ethernet header in bytes.
pub const ETHERNET_HEADER: usize = 14;

/// A packet socket that receives nothing until it is bound.
fn open() -> io::Result<OwnedFd> {
    let kind = libc::SOCK_RAW | libc::SOCK_CLOEXEC | libc::SOCK_NONBLOCK;
    #[expect(unsafe_code, reason = "no dependency opens a packet socket without a protocol")]
    // SAFETY: the call takes no pointers.
    let number = unsafe { libc::socket(libc::AF_PACKET, kind, 0) };
    if number < 0 {
        return Err(io::Error::last_os_error());
    }
    #[expect(unsafe_code, reason = "the number becomes an owned descriptor")]
    // SAFETY: the kernel has just opened this descriptor for us, and nobody else knows it.
    let socket = unsafe { OwnedFd::from_raw_fd(number) };
    Ok(socket)
}

/// Ties a socket to an interface; `protocol` 0 receives nothing.
fn bind(socket: &OwnedFd, interface_index: u32, protocol: c_int) -> io::Result<()> {
    let invalid = |_| io::Error::from(io::ErrorKind::InvalidInput);
    let address = sockaddr_ll {
        sll_family: u16::try_from(libc::AF_PACKET).unwrap_or_default(),
        sll_protocol: u16::try_from(protocol).unwrap_or_default().to_be(),
        sll_ifindex: c_int::try_from(interface_index).map_err(invalid)?,
        sll_hatype: 0,
        sll_pkttype: 0,
        sll_halen: 0,
        sll_addr: [0; 8],
    };
    let length = socklen_t::try_from(size_of_val(&address)).map_err(invalid)?;
    #[expect(unsafe_code, reason = "the address has a type of its own")]
    // SAFETY: the pointer and the length describe `address`, which outlives the call; the kernel only reads it.
    let outcome = unsafe { libc::bind(socket.as_raw_fd(), (&raw const address).cast(), length) };
    if outcome == 0 { Ok(()) } else { Err(io::Error::last_os_error()) }
}

fn set(socket: &OwnedFd, name: c_int, value: c_int) -> io::Result<()> {
    set_int(socket.as_fd(), libc::SOL_PACKET, name, value)
}
