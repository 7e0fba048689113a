//! A relay before the listener that sees when the first byte of data comes by.
//!
//! What it costs, some tens of microseconds a hop, counts against the program.

use std::collections::{HashMap, hash_map::Entry};
use std::io::{self, Read as _, Write as _};
use std::net::{Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::sync::{Arc, OnceLock};
use std::time::Instant;

use culvert_wire::{Opening, PREAMBLE_LEN};

/// A port that leads to the listener.
#[derive(Debug)]
pub(crate) struct Relay {
    /// Where to dial.
    pub(crate) port: u16,
    first_data: Arc<OnceLock<Instant>>,
}

impl Relay {
    /// Relays TCP and UDP to `listener` for the rest of this process.
    pub(crate) fn to(listener: u16) -> io::Result<Self> {
        let door = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?;
        let port = door.local_addr()?.port();
        let datagrams = UdpSocket::bind((Ipv4Addr::LOCALHOST, port))?;
        let first_data = Arc::new(OnceLock::new());
        let seen = Arc::clone(&first_data);
        std::thread::spawn(move || {
            for near in door.incoming().flatten() {
                let seen = Arc::clone(&seen);
                std::thread::spawn(move || carry_both_ways(near, listener, &seen));
            }
        });
        std::thread::spawn(move || relay_datagrams(&datagrams, listener));
        Ok(Self { port, first_data })
    }

    /// When the first byte behind the preamble of a data flow came by from the near end.
    pub(crate) fn first_data(&self) -> Option<Instant> {
        self.first_data.get().copied()
    }
}

fn carry_both_ways(near: TcpStream, listener: u16, seen: &OnceLock<Instant>) -> io::Result<()> {
    let far = TcpStream::connect((Ipv4Addr::LOCALHOST, listener))?;
    for stream in [&near, &far] {
        stream.set_nodelay(true)?;
    }
    let (near_again, far_again) = (near.try_clone()?, far.try_clone()?);
    std::thread::spawn(move || carry(far_again, near_again, |_, _| ()));
    carry(near, far, |before, piece| {
        if before + piece.len() > PREAMBLE_LEN {
            seen.get_or_init(Instant::now);
        }
    })
}

/// Carries bytes until one side ends. Of a data flow `look` is shown each piece, with how many bytes came before.
fn carry(
    mut from: TcpStream,
    mut to: TcpStream,
    mut look: impl FnMut(usize, &[u8]),
) -> io::Result<()> {
    let mut buffer = vec![0; 64 * 1024];
    let (mut before, mut is_flow) = (0, false);
    loop {
        let piece = match from.read(&mut buffer) {
            Ok(length) => buffer.get(..length).unwrap_or_default(),
            Err(_) => &[],
        };
        let Some(first) = piece.first() else {
            let _ = from.shutdown(Shutdown::Read);
            return to.shutdown(Shutdown::Write);
        };
        is_flow |= before == 0 && Opening::of(*first) == Some(Opening::Flow);
        if is_flow {
            look(before, piece);
        }
        before = before.saturating_add(piece.len());
        to.write_all(piece)?;
    }
}

fn relay_datagrams(door: &UdpSocket, listener: u16) -> io::Result<()> {
    let mut flows: HashMap<SocketAddr, UdpSocket> = HashMap::new();
    let mut buffer = vec![0; usize::from(u16::MAX)];
    loop {
        let (length, near) = door.recv_from(&mut buffer)?;
        let far = match flows.entry(near) {
            Entry::Occupied(known) => known.into_mut(),
            Entry::Vacant(free) => free.insert(open_flow(near, door, listener)?),
        };
        let _ = far.send(buffer.get(..length).unwrap_or_default());
    }
}

/// A socket toward the listener that stands for `near`, and a thread that carries back what comes to it.
fn open_flow(near: SocketAddr, door: &UdpSocket, listener: u16) -> io::Result<UdpSocket> {
    let far = UdpSocket::bind((Ipv4Addr::LOCALHOST, 0))?;
    far.connect((Ipv4Addr::LOCALHOST, listener))?;
    let (back, door) = (far.try_clone()?, door.try_clone()?);
    std::thread::spawn(move || {
        let mut buffer = vec![0; usize::from(u16::MAX)];
        // It ends with the listener, whose port then answers that nobody is there.
        while let Ok(length) = back.recv(&mut buffer) {
            let _ = door.send_to(buffer.get(..length).unwrap_or_default(), near);
        }
    });
    Ok(far)
}
