//! The socket that hears everyone and answers from the address it was reached at.

use std::{
    io::{self, IoSlice, IoSliceMut},
    net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr, SocketAddrV6},
    os::fd::{AsFd, AsRawFd, BorrowedFd},
};

use nix::sys::socket::{
    ControlMessage, ControlMessageOwned, MsgFlags, RecvMsg, SockaddrIn, SockaddrIn6,
    SockaddrStorage, recvmsg, sendmsg, setsockopt, sockopt,
};
use socket2::{Domain, Protocol, Socket, Type};

use crate::socket::{uninterrupted, would_block};

/// A non-blocking datagram socket of one address family that flows may share their port with.
#[derive(Debug)]
pub struct WildcardSocket {
    socket: Socket,
    local: SocketAddr,
}

/// How a datagram reached a [`WildcardSocket`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reached {
    /// Bytes in the buffer.
    pub length: usize,
    /// The datagram was longer than the buffer.
    pub truncated: bool,
    /// Who sent it, with the interface as scope where the address is link-local.
    pub from: SocketAddr,
    /// The address of this host it was sent to.
    pub to: IpAddr,
    /// The interface it came in by.
    pub interface_index: u32,
}

impl Reached {
    /// The address reached with `port`, with the interface as scope where it is link-local: where a flow's socket binds.
    pub fn local_address(&self, port: u16) -> SocketAddr {
        match self.to {
            IpAddr::V6(to) if to.is_unicast_link_local() => {
                SocketAddrV6::new(to, port, 0, self.interface_index).into()
            }
            to => SocketAddr::new(to, port),
        }
    }
}

impl WildcardSocket {
    /// Binds `address`, usually an unspecified one; an IPv6 socket never hears IPv4.
    pub fn bind(address: SocketAddr) -> io::Result<Self> {
        let socket = Socket::new(Domain::for_address(address), Type::DGRAM, Some(Protocol::UDP))?;
        socket.set_reuse_port(true)?;
        socket.set_nonblocking(true)?;
        // Unused here: it keeps the kernel stamping, which starts too late for the first datagrams of a flow else.
        let _ = setsockopt(&socket, sockopt::ReceiveTimestampns, &true);
        if address.is_ipv6() {
            socket.set_only_v6(true)?;
            setsockopt(&socket, sockopt::Ipv6RecvPacketInfo, &true)?;
        } else {
            setsockopt(&socket, sockopt::Ipv4PacketInfo, &true)?;
        }
        socket.bind(&address.into())?;
        let local = socket.local_addr()?.as_socket().unwrap_or(address);
        Ok(Self { socket, local })
    }

    /// The bound address with its real port.
    pub fn local_address(&self) -> SocketAddr {
        self.local
    }

    /// Takes one queued datagram into `buffer`; `None` when there is none.
    pub fn receive(&self, buffer: &mut [u8]) -> io::Result<Option<Reached>> {
        let mut slices = [IoSliceMut::new(buffer)];
        let mut control = nix::cmsg_space!(libc::in_pktinfo, libc::in6_pktinfo, libc::timespec);
        loop {
            let received = recvmsg::<SockaddrStorage>(
                self.socket.as_raw_fd(),
                &mut slices,
                Some(&mut control),
                MsgFlags::empty(),
            );
            match received {
                Ok(message) => return reached(&message).map(Some),
                Err(nix::Error::EINTR) => {}
                Err(error) if would_block(&error.into()) => return Ok(None),
                Err(error) => return Err(error.into()),
            }
        }
    }

    /// Sends `datagram` to `to` with `from`, an address of this host, as its source.
    ///
    /// A link-local `to` leaves by the interface of its scope. Fails with `WouldBlock` when the buffer is full.
    pub fn send_from(&self, datagram: &[u8], to: SocketAddr, from: IpAddr) -> io::Result<usize> {
        let slices = [IoSlice::new(datagram)];
        let descriptor = self.socket.as_raw_fd();
        let flags = MsgFlags::empty();
        match (to, from) {
            (SocketAddr::V4(to), IpAddr::V4(from)) => {
                let source = in_pktinfo(from);
                let control = [ControlMessage::Ipv4PacketInfo(&source)];
                let to = SockaddrIn::from(to);
                uninterrupted(|| Ok(sendmsg(descriptor, &slices, &control, flags, Some(&to))?))
            }
            (SocketAddr::V6(to), IpAddr::V6(from)) => {
                let source = in6_pktinfo(from, to.scope_id());
                let control = [ControlMessage::Ipv6PacketInfo(&source)];
                let to = SockaddrIn6::from(to);
                uninterrupted(|| Ok(sendmsg(descriptor, &slices, &control, flags, Some(&to))?))
            }
            _ => Err(io::Error::new(
                io::ErrorKind::InvalidInput,
                format!("{to} cannot be answered from {from}, an address of the other family"),
            )),
        }
    }
}

impl AsFd for WildcardSocket {
    fn as_fd(&self) -> BorrowedFd<'_> {
        self.socket.as_fd()
    }
}

impl AsRawFd for WildcardSocket {
    fn as_raw_fd(&self) -> std::os::fd::RawFd {
        self.socket.as_raw_fd()
    }
}

fn reached(message: &RecvMsg<'_, '_, SockaddrStorage>) -> io::Result<Reached> {
    let incomplete = || io::Error::other("the kernel did not say where a datagram came from");
    let (to, interface_index) = destination(message)?.ok_or_else(incomplete)?;
    Ok(Reached {
        length: message.bytes,
        truncated: message.flags.contains(MsgFlags::MSG_TRUNC),
        from: message.address.and_then(source).ok_or_else(incomplete)?,
        to,
        interface_index,
    })
}

fn source(address: SockaddrStorage) -> Option<SocketAddr> {
    let v4 = address.as_sockaddr_in().map(|inner| SocketAddr::from(*inner));
    v4.or_else(|| address.as_sockaddr_in6().map(|inner| SocketAddr::from(*inner)))
}

fn destination(message: &RecvMsg<'_, '_, SockaddrStorage>) -> io::Result<Option<(IpAddr, u32)>> {
    Ok(message.cmsgs()?.find_map(|control| match control {
        // The address an answer can be sent from, which differs from the header's for a broadcast (ip(7)).
        ControlMessageOwned::Ipv4PacketInfo(info) => Some((
            IpAddr::V4(Ipv4Addr::from(u32::from_be(info.ipi_spec_dst.s_addr))),
            u32::try_from(info.ipi_ifindex).ok()?,
        )),
        ControlMessageOwned::Ipv6PacketInfo(info) => {
            Some((IpAddr::V6(Ipv6Addr::from(info.ipi6_addr.s6_addr)), info.ipi6_ifindex))
        }
        _ => None,
    }))
}

fn in_pktinfo(from: Ipv4Addr) -> libc::in_pktinfo {
    libc::in_pktinfo {
        ipi_ifindex: 0,
        ipi_spec_dst: libc::in_addr { s_addr: u32::from(from).to_be() },
        ipi_addr: libc::in_addr { s_addr: 0 },
    }
}

fn in6_pktinfo(from: Ipv6Addr, interface_index: u32) -> libc::in6_pktinfo {
    libc::in6_pktinfo {
        ipi6_addr: libc::in6_addr { s6_addr: from.octets() },
        ipi6_ifindex: interface_index,
    }
}
