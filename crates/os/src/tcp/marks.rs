//! How a connection's packets are cut, and the treatment they ask the network for. Other systems than Linux are not asked.

use std::io;

use culvert_units::Dscp;
#[cfg(target_os = "linux")]
use socket2::{Domain, SockRef};

use crate::socket::AsSystem;

/// Marks the packets of `socket` with `dscp` from now on; the bits of congestion notification stay the kernel's.
#[cfg(target_os = "linux")]
pub fn set_dscp(socket: &impl AsSystem, dscp: Dscp) -> io::Result<()> {
    let byte = u32::from(dscp.as_traffic_class());
    let socket = SockRef::from(socket);
    if socket.domain()? == Domain::IPV6 {
        socket.set_tclass_v6(byte)
    } else {
        socket.set_tos_v4(byte)
    }
}

/// The mark that packets of `socket` leave this host with, before any rule of the host or the network changes it.
#[cfg(target_os = "linux")]
pub fn dscp(socket: &impl AsSystem) -> io::Result<Dscp> {
    let socket = SockRef::from(socket);
    let byte = if socket.domain()? == Domain::IPV6 { socket.tclass_v6() } else { socket.tos_v4() }?;
    Ok(Dscp::in_traffic_class(u8::try_from(byte).unwrap_or(u8::MAX)))
}

/// Bounds the segments of `socket` (`TCP_MAXSEG`, tcp(7)).
#[cfg(target_os = "linux")]
pub(super) fn set_segment_bytes(socket: &impl AsSystem, bytes: u16) -> io::Result<()> {
    SockRef::from(socket).set_tcp_mss(u32::from(bytes))
}

/// Fails as unsupported.
#[cfg(not(target_os = "linux"))]
pub fn set_dscp(_socket: &impl AsSystem, _dscp: Dscp) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported.
#[cfg(not(target_os = "linux"))]
pub fn dscp(_socket: &impl AsSystem) -> io::Result<Dscp> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported.
#[cfg(not(target_os = "linux"))]
pub(super) fn set_segment_bytes(_socket: &impl AsSystem, _bytes: u16) -> io::Result<()> {
    Err(io::ErrorKind::Unsupported.into())
}
