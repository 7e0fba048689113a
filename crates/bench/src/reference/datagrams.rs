//! Datagrams, as many as the kernel takes: one a call, many a call, or cut and joined by the kernel.

use std::array;
use std::io::{self, IoSlice, IoSliceMut};
use std::net::{Ipv4Addr, SocketAddr, UdpSocket};
use std::os::fd::AsRawFd as _;
use std::time::Duration;

use nix::errno::Errno;
use nix::sys::socket::{
    MsgFlags, MultiHeaders, SockaddrIn, recvmmsg, sendmmsg, setsockopt, sockopt,
};

use super::{Account, Batching, Counter, Window, random_bytes, tell_port};

/// Datagrams of one call.
const MANY: usize = 64;
/// What the kernel cuts from one buffer at most: `UDP_MAX_SEGMENTS` of linux/udp.h, 64 before Linux 6.9.
const SEGMENTS: [usize; 2] = [128, 64];
/// The largest UDP payload over IPv4: 65535 − 20 (RFC 791) − 8 (RFC 768).
const LARGEST: usize = 65_507;
/// Nobody sends any more when nothing comes for so long.
const SILENCE: Duration = Duration::from_secs(2);

pub(super) fn take(
    how: Batching,
    bytes: u16,
    buffer: usize,
    window: Window,
) -> io::Result<Account> {
    let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))?;
    ask_for(&socket, buffer)?;
    if how == Batching::Segments {
        setsockopt(&socket, sockopt::UdpGroSegment, &true)?;
    }
    socket.set_read_timeout(Some(SILENCE))?;
    tell_port(socket.local_addr()?.port());
    let mut counter = Counter::new(window);
    let outcome = match how {
        Batching::Many => take_many(&socket, usize::from(bytes), &mut counter),
        Batching::One => take_each(&socket, usize::from(bytes), &mut counter),
        Batching::Segments => take_each(&socket, usize::from(u16::MAX), &mut counter),
    };
    match outcome {
        Err(error) if error.kind() != io::ErrorKind::WouldBlock => return Err(error),
        _ => {}
    }
    counter.account.datagrams = counter.account.bytes / u64::from(bytes);
    Ok(counter.account)
}

fn take_each(socket: &UdpSocket, room: usize, counter: &mut Counter) -> io::Result<()> {
    let mut buffer = vec![0; room];
    while counter.count(socket.recv(&mut buffer)?) {}
    Ok(())
}

fn take_many(socket: &UdpSocket, bytes: usize, counter: &mut Counter) -> io::Result<()> {
    let mut headers = MultiHeaders::<SockaddrIn>::preallocate(MANY, None);
    let mut buffer = vec![0; bytes * MANY];
    loop {
        let mut rooms = buffer.chunks_exact_mut(bytes);
        let mut slices: [_; MANY] =
            array::from_fn(|_| [IoSliceMut::new(rooms.next().unwrap_or_default())]);
        let received = recvmmsg(
            socket.as_raw_fd(),
            &mut headers,
            &mut slices,
            MsgFlags::MSG_WAITFORONE,
            None,
        )?;
        if !counter.count(received.map(|datagram| datagram.bytes).sum()) {
            return Ok(());
        }
    }
}

pub(super) fn send(port: u16, how: Batching, bytes: u16, buffer: usize) -> io::Result<Account> {
    let socket = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))?;
    ask_for(&socket, buffer)?;
    socket.connect(SocketAddr::from((Ipv4Addr::LOCALHOST, port)))?;
    let size = usize::from(bytes);
    let mut account = Account::default();
    match how {
        Batching::One => send_each(&socket, &random_bytes(size), &mut account)?,
        Batching::Many => send_many(&socket, &random_bytes(size * MANY), size, &mut account)?,
        Batching::Segments => {
            setsockopt(&socket, sockopt::UdpGsoSegment, &i32::from(bytes))?;
            send_each(&socket, &largest_piece(&socket, size)?, &mut account)?;
        }
    }
    account.datagrams = account.bytes / u64::from(bytes);
    Ok(account)
}

/// A buffer of as many datagrams as this kernel cuts at once.
fn largest_piece(socket: &UdpSocket, size: usize) -> io::Result<Vec<u8>> {
    let mut last = io::Error::from(io::ErrorKind::Unsupported);
    for segments in SEGMENTS {
        let piece = random_bytes(segments.min(LARGEST / size) * size);
        match socket.send(&piece) {
            Ok(_) => return Ok(piece),
            Err(error) => last = error,
        }
    }
    Err(last)
}

fn send_each(socket: &UdpSocket, piece: &[u8], account: &mut Account) -> io::Result<()> {
    loop {
        match socket.send(piece) {
            Ok(length) => account.bytes += length as u64,
            Err(error) if is_end(&error) => return Ok(()),
            Err(error) => return Err(error),
        }
    }
}

fn send_many(
    socket: &UdpSocket,
    block: &[u8],
    size: usize,
    account: &mut Account,
) -> io::Result<()> {
    let slices: Vec<_> = block.chunks_exact(size).map(|piece| [IoSlice::new(piece)]).collect();
    let nowhere: [Option<SockaddrIn>; MANY] = [None; MANY];
    let mut headers = MultiHeaders::preallocate(MANY, None);
    loop {
        let sent =
            sendmmsg(socket.as_raw_fd(), &mut headers, &slices, nowhere, [], MsgFlags::empty());
        match sent {
            Ok(sent) => {
                let sent = sent.count();
                account.bytes += (sent * size) as u64;
                if sent < MANY && has_ended(socket, block.get(..size).unwrap_or_default()) {
                    return Ok(());
                }
            }
            Err(Errno::ECONNREFUSED) => return Ok(()),
            Err(error) => return Err(error.into()),
        }
    }
}

/// Whether nobody receives any more. A call for many drops the error that its second datagram meets, so that the next
/// call's first one goes out well again (sendmmsg(2), BUGS): two calls for one each tell.
fn has_ended(socket: &UdpSocket, datagram: &[u8]) -> bool {
    [socket.send(datagram), socket.send(datagram)]
        .iter()
        .any(|outcome| outcome.as_ref().is_err_and(is_end))
}

/// The receiver has closed: the next datagram is answered by ICMP (RFC 792, port unreachable).
fn is_end(error: &io::Error) -> bool {
    error.kind() == io::ErrorKind::ConnectionRefused
}

/// The buffers that the programs ask for, by the same two calls: beyond the host's limit where this user may.
fn ask_for(socket: &UdpSocket, bytes: usize) -> io::Result<()> {
    if setsockopt(socket, sockopt::RcvBufForce, &bytes).is_err() {
        setsockopt(socket, sockopt::RcvBuf, &bytes)?;
    }
    if setsockopt(socket, sockopt::SndBufForce, &bytes).is_err() {
        setsockopt(socket, sockopt::SndBuf, &bytes)?;
    }
    Ok(())
}
