//! A man in the middle on loopback: passes TCP and UDP on to a listener and keeps the datagrams it saw.

use std::collections::HashMap;
use std::io::{Read as _, Write as _};
use std::net::{Shutdown, SocketAddr, TcpListener, TcpStream, UdpSocket};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

/// How often its threads look whether it has ended.
const LOOK: Duration = Duration::from_millis(20);
/// As many datagrams are kept as a replay needs.
const KEPT: usize = 400;

/// A relay that runs until it is dropped.
#[derive(Debug)]
pub(crate) struct Relay {
    address: SocketAddr,
    seen: Arc<Mutex<Vec<Vec<u8>>>>,
    ended: Arc<AtomicBool>,
}

impl Relay {
    /// Starts passing on to `listener` from a free port of the same address.
    pub(crate) fn to(listener: SocketAddr) -> Self {
        let (tcp, udp) = bind(listener);
        let address = tcp.local_addr().expect("its address");
        let (seen, ended) = (Arc::default(), Arc::default());
        let relay = Self { address, seen: Arc::clone(&seen), ended: Arc::clone(&ended) };
        let also_ended = Arc::clone(&ended);
        thread::spawn(move || pass_connections(&tcp, listener, &ended));
        thread::spawn(move || pass_datagrams(&udp, listener, &seen, &also_ended));
        relay
    }

    /// Passes connections on and swallows datagrams, for as long as their socket, which is given too, lives.
    pub(crate) fn tcp_alone(listener: SocketAddr) -> (Self, UdpSocket) {
        let (tcp, udp) = bind(listener);
        let address = tcp.local_addr().expect("its address");
        let relay = Self { address, seen: Arc::default(), ended: Arc::default() };
        let ended = Arc::clone(&relay.ended);
        thread::spawn(move || pass_connections(&tcp, listener, &ended));
        (relay, udp)
    }

    /// Where to dial it.
    pub(crate) const fn address(&self) -> SocketAddr {
        self.address
    }

    /// The datagrams that went to the listener, the first ones in order.
    pub(crate) fn seen(&self) -> Vec<Vec<u8>> {
        self.seen.lock().expect("the datagrams").clone()
    }
}

impl Drop for Relay {
    fn drop(&mut self) {
        self.ended.store(true, Ordering::Relaxed);
    }
}

/// One port for both protocols.
fn bind(listener: SocketAddr) -> (TcpListener, UdpSocket) {
    for _ in 0..5 {
        let tcp = TcpListener::bind((listener.ip(), 0)).expect("a free port");
        if let Ok(udp) = UdpSocket::bind(tcp.local_addr().expect("its address")) {
            return (tcp, udp);
        }
    }
    panic!("no port is free for both protocols");
}

fn pass_connections(tcp: &TcpListener, listener: SocketAddr, ended: &AtomicBool) {
    tcp.set_nonblocking(true).expect("non-blocking");
    while !ended.load(Ordering::Relaxed) {
        let Ok((near, _)) = tcp.accept() else {
            thread::sleep(LOOK);
            continue;
        };
        near.set_nonblocking(false).expect("blocking");
        let Ok(far) = TcpStream::connect(listener) else { continue };
        for (mut from, mut into) in [(&near, &far), (&far, &near)].map(|(from, into)| {
            (from.try_clone().expect("a copy"), into.try_clone().expect("a copy"))
        }) {
            thread::spawn(move || {
                let mut piece = vec![0; 65_536];
                while let Ok(length @ 1..) = from.read(&mut piece) {
                    let passed = piece.get(..length).unwrap_or_default();
                    if into.write_all(passed).is_err() {
                        break;
                    }
                }
                let _ = into.shutdown(Shutdown::Write);
            });
        }
    }
}

fn pass_datagrams(
    udp: &UdpSocket,
    listener: SocketAddr,
    seen: &Mutex<Vec<Vec<u8>>>,
    ended: &Arc<AtomicBool>,
) {
    udp.set_read_timeout(Some(LOOK)).expect("a timeout");
    let mut onward: HashMap<SocketAddr, UdpSocket> = HashMap::new();
    let mut piece = vec![0; 65_536];
    while !ended.load(Ordering::Relaxed) {
        let Ok((length, from)) = udp.recv_from(&mut piece) else { continue };
        let far = onward.entry(from).or_insert_with(|| {
            let far = UdpSocket::bind((listener.ip(), 0)).expect("a socket");
            far.connect(listener).expect("connected");
            let (back, far_back) =
                (udp.try_clone().expect("a copy"), far.try_clone().expect("a copy"));
            let ended = Arc::clone(ended);
            thread::spawn(move || pass_back(&far_back, &back, from, &ended));
            far
        });
        let datagram = piece.get(..length).unwrap_or_default();
        let mut seen = seen.lock().expect("the datagrams");
        if seen.len() < KEPT {
            seen.push(datagram.to_vec());
        }
        let _ = far.send(datagram);
    }
}

fn pass_back(far: &UdpSocket, near: &UdpSocket, to: SocketAddr, ended: &AtomicBool) {
    far.set_read_timeout(Some(LOOK)).expect("a timeout");
    let mut piece = vec![0; 65_536];
    while !ended.load(Ordering::Relaxed) {
        if let Ok(length) = far.recv(&mut piece) {
            let _ = near.send_to(piece.get(..length).unwrap_or_default(), to);
        }
    }
}
