//! One TCP flow: written from one block, read or discarded.

use std::io::{self, Read as _, Write as _};
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::os::fd::AsRawFd as _;

use nix::sys::socket::{MsgFlags, recv};
use socket2::{Domain, SockRef, Socket, Type};

use super::{Account, Counter, Taking, Window, random_bytes, tell_port};

/// What one read takes: what fits the caches of a core is read fastest.
const READ: usize = 256 * 1024;
/// What one call discards: nothing is written to memory.
const DISCARD: usize = 1024 * 1024;

pub(super) fn take(how: Taking, window: Window, congestion_control: &str) -> io::Result<Account> {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
    SockRef::from(&listener).set_tcp_congestion(congestion_control.as_bytes())?;
    tell_port(listener.local_addr()?.port());
    let (mut stream, _) = listener.accept()?;
    let mut counter = Counter::new(window);
    let mut buffer = vec![0; if how == Taking::Read { READ } else { DISCARD }];
    loop {
        let length = match how {
            Taking::Read => stream.read(&mut buffer)?,
            Taking::Discard => recv(stream.as_raw_fd(), &mut buffer, MsgFlags::MSG_TRUNC)?,
        };
        if length == 0 || !counter.count(length) {
            return Ok(counter.account);
        }
    }
}

pub(super) fn write(port: u16, bytes: usize, congestion_control: &str) -> io::Result<Account> {
    let socket = Socket::new(Domain::IPV4, Type::STREAM, None)?;
    socket.set_tcp_congestion(congestion_control.as_bytes())?;
    socket.set_tcp_nodelay(true)?;
    socket.connect(&SocketAddr::from((Ipv4Addr::LOCALHOST, port)).into())?;
    let mut stream = TcpStream::from(socket);
    let block = random_bytes(bytes);
    let mut account = Account::default();
    // It ends by the error that a receiver leaves who has gone.
    while let Ok(length) = stream.write(&block) {
        account.bytes += length as u64;
    }
    Ok(account)
}
