//! The interfaces of this host and the way that packets leave it, as the kernel's routing says.
//!
//! Linux is asked through netlink, so that the answer belongs to the calling thread's network namespace. Other systems
//! are not asked: every question fails as unsupported.

#[cfg(test)]
#[cfg(target_os = "linux")]
#[allow(unreachable_pub, reason = "public where it is the system's own")]
mod portable;
#[cfg_attr(target_os = "linux", path = "route/linux.rs")]
#[cfg_attr(not(target_os = "linux"), path = "route/portable.rs")]
mod system;

use std::net::IpAddr;

pub use system::{interface_of, interfaces, route_to, route_to_peer};

/// How packets to some address leave this host.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Route {
    /// The interface they leave by.
    pub interface_index: u32,
    /// The interface's name.
    pub interface: String,
    /// The address they carry as their source unless told otherwise.
    pub source: Option<IpAddr>,
    /// The router they go to first; `None` when the address is on the link.
    pub gateway: Option<IpAddr>,
    /// The MTU in bytes that the kernel applies: the route's own or one learnt for this address, else the interface's.
    pub mtu: Option<u32>,
}

/// A network interface.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Interface {
    /// The kernel's number for it.
    pub index: u32,
    /// Its name.
    pub name: String,
    /// Its MTU in bytes; the loopback's exceeds what an IP packet can be.
    pub mtu: Option<u32>,
    /// The kind of a virtual interface in the kernel's word, such as `wireguard`, `tun` or `veth`; `None` for hardware.
    pub kind: Option<String>,
    /// This host's addresses on it.
    pub addresses: Vec<IpAddr>,
    /// Whether it is switched on.
    pub up: bool,
}
