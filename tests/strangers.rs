//! What the listener gives to whoever holds no invite: by TCP a closed connection without a byte, by UDP nothing.

mod common;

use std::io::{ErrorKind, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream, UdpSocket};
use std::thread;
use std::time::{Duration, Instant};

use common::relay::Relay;
use common::{Bench, GONE_WITHIN, LIMIT, Pair, V4, V6, alone, within};
use culvert_engine::identity::ClientIdentity;
use culvert_wire::Invite;

/// How long a connection may wait at the gate (3 s) and what a busy machine adds.
const GATE: Duration = Duration::from_secs(3 + 3);
/// How long the datagrams of strangers are waited for in vain.
const SILENCE: Duration = Duration::from_secs(1);

/// Sessions of the owner that are over soon.
const SHORT: [&str; 4] = ["--for", "500ms", "--settle", "200ms"];

#[test]
fn connections_are_closed_without_a_byte() {
    let pair = Pair::at(V4);
    let hello = hello_of_a_stranger();
    let mut wrong_token = [0_u8; 24];
    wrong_token[..2].copy_from_slice(&[0xc1, 1]);
    let knocks: [(&str, Vec<u8>, Duration); 9] = [
        ("silence", Vec::new(), GATE),
        ("a request of HTTP", b"GET / HTTP/1.1\r\nHost: example.net\r\n\r\n".to_vec(), GATE),
        ("a line feed", b"\n".to_vec(), GATE),
        ("noise", noise(5_000), GATE),
        ("a TLS hello with an unknown name", hello.clone(), GATE),
        ("half a TLS hello", hello[..hello.len() / 2].to_vec(), GATE),
        (
            "a TLS record that never ends",
            [&[0x16, 3, 1, 0x40, 0][..], &noise(4_000)].concat(),
            GATE,
        ),
        ("the first byte of a flow", vec![0xc1], GATE),
        ("a flow with a wrong token", wrong_token.to_vec(), GATE),
    ];
    let target = pair.listener().address();
    let knocking = knocks.map(|(what, bytes, limit)| {
        thread::spawn(move || {
            let (heard, took) = knock(target, &bytes, limit);
            assert_eq!(heard, 0, "{what} was answered");
            assert!(took <= limit, "{what} was closed after {took:?} only");
        })
    });
    for one in knocking {
        one.join().expect("a stranger that is turned away");
    }
}

#[test]
fn a_hello_in_pieces_is_closed_as_one_in_a_piece() {
    let pair = Pair::at(V6);
    let mut stream = TcpStream::connect(pair.listener().address()).expect("a connection");
    stream.set_nodelay(true).expect("no delay");
    let until = Instant::now() + GATE;
    // A byte now and then must not buy more than the gate's time.
    for byte in hello_of_a_stranger().chunks(8) {
        if stream.write_all(byte).is_err() {
            break;
        }
        thread::sleep(Duration::from_millis(400));
        assert!(Instant::now() < until + Duration::from_secs(1), "it still waits at the gate");
    }
    assert_eq!(heard_until_closed(stream, GATE), 0);
}

#[test]
fn datagrams_are_not_answered() {
    for ip in [V4, V6] {
        let pair = Pair::at(ip);
        let socket = UdpSocket::bind((ip, 0)).expect("a socket");
        socket.connect(pair.listener().address()).expect("connected");
        for length in
            [0, 1, 2, 7, 8, 23, 24, 31, 32, 33, 40, 56, 63, 64, 65, 512, 1_200, 1_472, 9_000]
        {
            let _ = socket.send(&noise(length));
            for kind in 0..=8 {
                for stream in 0..=3 {
                    let _ = socket.send(&shaped(kind, stream, length));
                }
            }
        }
        assert_silence(&socket);
    }
}

#[test]
fn what_was_overheard_is_not_answered_either() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let relay = Relay::to(pair.listener().address());
    let target = relay.address().to_string();
    let paced =
        ["paced", &target, "--invite", "owner.invite", "--pace", "1Mbit/s", "--toward", "both"];
    let length = ["--json", "--for", "3s", "--settle", "0s"];
    let session = pair.bench().start(&[&paced[..], &length].concat());
    // A paced stream flows: what asked for challenges, echoed them, probed and carried data has gone by.
    assert!(within(LIMIT, || relay.seen().len() > 150), "nothing was overheard");
    let overheard = relay.seen();
    // From another address, while the session runs: its tags are right, its sender is not.
    let elsewhere = UdpSocket::bind("127.0.0.2:0").expect("a socket");
    elsewhere.connect(pair.listener().address()).expect("connected");
    replay(&elsewhere, &overheard);
    assert_silence(&elsewhere);
    let record = session.wait().expect_code(0).record();
    for direction in [record.toward_far, record.toward_near] {
        let direction = direction.expect("both ways");
        assert_eq!((direction.lost, direction.duplicates), (Some(0), Some(0)), "it was disturbed");
        assert_eq!(direction.received, direction.sent);
    }
    // After its end, also from the right address.
    let here = UdpSocket::bind((V4, 0)).expect("a socket");
    here.connect(pair.listener().address()).expect("connected");
    replay(&here, &overheard);
    assert_silence(&here);
}

#[test]
fn idle_strangers_do_not_lock_the_owner_out() {
    let _alone = alone();
    // Strangers and owner come by two families, and so from two places.
    let bench = Bench::new();
    bench.invite("owner", &[]);
    let also = "127.0.0.1:0";
    let listener = bench.listener(V6, &["--listen", also]);
    let owners_door = second_address(&listener.log()).expect("the second address");
    let idle = listener.idle();
    let strangers: Vec<TcpStream> = (0..300)
        .filter_map(|_| TcpStream::connect_timeout(&listener.address(), GONE_WITHIN).ok())
        .collect();
    assert!(strangers.len() > 250, "only {} came through", strangers.len());
    let target = owners_door.to_string();
    let bulk = [&["bulk", &target, "--invite", "owner.invite"], &SHORT[..]].concat();
    let done = bench.run(&bulk);
    done.expect_code(0);
    // And none of them keeps its place.
    for stranger in strangers {
        assert_eq!(heard_until_closed(stranger, GATE), 0);
    }
    listener.becomes_idle(idle);
}

#[test]
fn strangers_that_never_tire_do_not_lock_the_owner_out() {
    let _alone = alone();
    let bench = Bench::new();
    bench.invite("owner", &[]);
    let listener = bench.listener(V6, &["--listen", "127.0.0.1:0"]);
    let owners_door = second_address(&listener.log()).expect("the second address").to_string();
    let door = listener.address();
    let until = Instant::now() + Duration::from_secs(6);
    let flood = thread::spawn(move || {
        let mut held = std::collections::VecDeque::new();
        let datagrams = UdpSocket::bind((V6, 0)).expect("a socket");
        while Instant::now() < until {
            held.extend(TcpStream::connect_timeout(&door, GONE_WITHIN));
            let _ = datagrams.send_to(&shaped(1, 0, 1_200), door);
            if held.len() > 400 {
                held.pop_front();
            }
            thread::sleep(Duration::from_millis(1));
        }
    });
    for kind in [&["bulk"][..], &["paced", "--pace", "1Mbit/s"]] {
        let known = [&kind[..1], &[owners_door.as_str(), "--invite", "owner.invite"], &kind[1..]];
        bench.run(&[&known.concat(), &SHORT[..]].concat()).expect_code(0);
    }
    flood.join().expect("the flood");
}

#[test]
fn strangers_do_not_fill_the_log() {
    let pair = Pair::at(V4);
    for _ in 0..50 {
        knock(pair.listener().address(), b"hello\n", GATE);
    }
    let log = pair.listener().log();
    assert!(log.lines().count() <= 5, "{log}");
}

/// Says `bytes` and listens until the connection is closed: how many bytes came back, and how long it took.
fn knock(target: SocketAddr, bytes: &[u8], limit: Duration) -> (usize, Duration) {
    let began = Instant::now();
    let mut stream = TcpStream::connect(target).expect("a connection");
    // It may be closed while there is still something to say.
    let _ = stream.write_all(bytes);
    (heard_until_closed(stream, limit), began.elapsed())
}

fn heard_until_closed(mut stream: TcpStream, limit: Duration) -> usize {
    stream.set_read_timeout(Some(limit)).expect("a limit");
    let mut heard = Vec::new();
    match stream.read_to_end(&mut heard) {
        Ok(_) => {}
        // Closed with bytes unread, as Linux tells it (RFC 2525 2.17).
        Err(error) if error.kind() == ErrorKind::ConnectionReset => {}
        Err(error) => panic!("it was not closed within {limit:?}: {error}"),
    }
    heard.len()
}

/// The hello of somebody who holds an invite of another listener.
fn hello_of_a_stranger() -> Vec<u8> {
    let bench = Bench::new();
    let line = std::fs::read_to_string(bench.invite("stranger", &[])).expect("an invite");
    let invite = Invite::parse(&line).expect("an invite");
    let identity = ClientIdentity::from_invite(&invite).expect("keys");
    let config = identity.client_config().expect("TLS");
    let name = identity.server_name().expect("a name");
    let mut connection = rustls::ClientConnection::new(config, name).expect("TLS");
    let mut hello = Vec::new();
    connection.write_tls(&mut hello).expect("a hello");
    assert!(hello.len() > 100);
    hello
}

/// A datagram with a header of the right shape, whose session and tag are guessed.
fn shaped(kind: u8, stream: u8, length: usize) -> Vec<u8> {
    let mut datagram = noise(length);
    let length = u16::try_from(length).unwrap_or(u16::MAX).to_be_bytes();
    for (byte, value) in datagram.iter_mut().zip([kind, stream, length[0], length[1]]) {
        *byte = value;
    }
    datagram
}

/// Bytes without a pattern that matters, never the same twice.
fn noise(length: usize) -> Vec<u8> {
    use std::hash::{BuildHasher as _, RandomState};

    let state = RandomState::new();
    (0..length).map(|index| state.hash_one(index).to_le_bytes()[0]).collect()
}

fn replay(socket: &UdpSocket, datagrams: &[Vec<u8>]) {
    for datagram in datagrams {
        socket.send(datagram).expect("sent");
    }
}

fn assert_silence(socket: &UdpSocket) {
    socket.set_read_timeout(Some(SILENCE)).expect("a limit");
    match socket.recv(&mut vec![0; 65_536]) {
        Ok(length) => panic!("{length} bytes came back"),
        Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
        Err(error) => panic!("{error}"),
    }
}

/// The address that the second of two `listening on` lines names.
fn second_address(log: &str) -> Option<SocketAddr> {
    let named =
        |line: &str| line.split_once("listening on ")?.1.split_once(", TCP")?.0.parse().ok();
    log.lines().filter_map(named).nth(1)
}
