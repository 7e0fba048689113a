//! Work that an interface leaves to the hardware behind it, of which a cable between namespaces has none.

use std::{
    io,
    net::{Ipv4Addr, UdpSocket},
    os::fd::AsRawFd as _,
};

/// Turns off whatever would let one "packet" stand for many, or travel without its checksum.
pub fn turn_offloads_off(interface: &str) -> io::Result<()> {
    let mut name = [0; 16];
    let fits = interface.len() < name.len();
    let room = name.get_mut(..interface.len()).filter(|_| fits);
    room.ok_or(io::ErrorKind::InvalidInput)?.copy_from_slice(interface.as_bytes());
    // Any socket of the namespace will do.
    let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))
        .or_else(|_| UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)))?;
    for command in COMMANDS {
        let mut value = Value { command, data: 0 };
        let mut request = Request { name, value: &raw mut value, padding: [0; 16] };
        #[expect(unsafe_code, reason = "this ioctl takes a structure that points to another")]
        // SAFETY: the request has the size and layout of `struct ifreq`, and it points to a `struct ethtool_value`; both
        // outlive the call.
        let outcome =
            unsafe { libc::ioctl(socket.as_raw_fd(), libc::SIOCETHTOOL, &raw mut request) };
        if outcome != 0 {
            return Err(io::Error::last_os_error());
        }
    }
    Ok(())
}

/// Checksums on sending, segmentation of TCP, segmentation and coalescing in general (linux/ethtool.h: `ETHTOOL_STXCSUM`,
/// `ETHTOOL_STSO`, `ETHTOOL_SGSO`, `ETHTOOL_SGRO`).
const COMMANDS: [u32; 4] = [0x17, 0x1f, 0x24, 0x2c];

/// `struct ethtool_value`.
#[repr(C)]
struct Value {
    command: u32,
    data: u32,
}

/// `struct ifreq`: a name, and a union of 24 bytes on 64-bit systems of which this call uses a pointer.
#[repr(C)]
struct Request {
    name: [u8; 16],
    value: *mut Value,
    padding: [u8; 16],
}
