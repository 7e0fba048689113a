//! The treatment that a connection's packets ask the network for.

use std::{io, os::fd::AsFd};

use culvert_units::Dscp;
use socket2::{Domain, SockRef};

/// Marks the packets of `socket` with `dscp` from now on; the bits of congestion notification stay the kernel's.
pub fn set_dscp(socket: &impl AsFd, dscp: Dscp) -> io::Result<()> {
    let byte = u32::from(dscp.as_traffic_class());
    let socket = SockRef::from(socket);
    if socket.domain()? == Domain::IPV6 {
        socket.set_tclass_v6(byte)
    } else {
        socket.set_tos_v4(byte)
    }
}

/// The mark that packets of `socket` leave this host with, before any rule of the host or the network changes it.
pub fn dscp(socket: &impl AsFd) -> io::Result<Dscp> {
    let socket = SockRef::from(socket);
    let byte = if socket.domain()? == Domain::IPV6 { socket.tclass_v6() } else { socket.tos_v4() }?;
    Ok(Dscp::in_traffic_class(u8::try_from(byte).unwrap_or(u8::MAX)))
}
