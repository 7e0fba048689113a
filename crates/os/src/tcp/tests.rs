use std::{
    io::{Read, Write},
    net::{Ipv4Addr, Ipv6Addr},
    thread,
    time::Instant,
};

use super::*;
use crate::{
    granted_buffers,
    testing::{in_namespace, wait_until},
};

const PATIENCE: Duration = Duration::from_secs(5);
const PAYLOAD: usize = 3_000_000;

fn loopbacks() -> [SocketAddr; 2] {
    [(Ipv4Addr::LOCALHOST, 0).into(), (Ipv6Addr::LOCALHOST, 0).into()]
}

fn accept(listener: &TcpListener) -> TcpStream {
    listener.set_nonblocking(false).unwrap();
    let (stream, _) = listener.accept().unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    stream.set_write_timeout(Some(PATIENCE)).unwrap();
    stream
}

fn pair(address: SocketAddr, options: &TcpOptions<'_>) -> (TcpStream, TcpStream) {
    let listener = listen(address, 8).unwrap();
    let near = connect(listener.local_addr().unwrap(), options, PATIENCE).unwrap();
    near.set_read_timeout(Some(PATIENCE)).unwrap();
    near.set_write_timeout(Some(PATIENCE)).unwrap();
    (near, accept(&listener))
}

#[test]
fn a_listener_does_not_block_and_can_be_bound_again_at_once() {
    for address in loopbacks() {
        let listener = listen(address, 8).unwrap();
        assert_eq!(listener.accept().unwrap_err().kind(), io::ErrorKind::WouldBlock);
        let bound = listener.local_addr().unwrap();
        let near = connect(bound, &TcpOptions::default(), PATIENCE).unwrap();
        let far = accept(&listener);
        // The side that closes first keeps the port in TIME-WAIT (RFC 9293 3.6.1).
        drop((far, listener));
        drop(near);
        wait_until(|| listen(bound, 8).is_ok());
    }
}

#[test]
fn the_families_share_a_port_without_mixing() {
    let six = listen((Ipv6Addr::UNSPECIFIED, 0).into(), 8).unwrap();
    let port = six.local_addr().unwrap().port();
    let over_four = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    let refused = connect(over_four, &TcpOptions::default(), PATIENCE).unwrap_err();
    assert_eq!(refused.kind(), io::ErrorKind::ConnectionRefused);
    let four = listen((Ipv4Addr::UNSPECIFIED, port).into(), 8).unwrap();
    let near = connect(over_four, &TcpOptions::default(), PATIENCE).unwrap();
    assert_eq!(accept(&four).peer_addr().unwrap(), near.local_addr().unwrap());
    let mapped = SocketAddr::from((Ipv4Addr::LOCALHOST.to_ipv6_mapped(), port));
    assert!(connect(mapped, &TcpOptions::default(), PATIENCE).is_err());
}

#[test]
fn the_congestion_control_asked_for_is_in_use() {
    // Whoever runs this may choose at least two, one of which is not the default.
    let allowed = std::fs::read_to_string("/proc/sys/net/ipv4/tcp_allowed_congestion_control");
    let allowed = allowed.unwrap();
    let mut names: Vec<&str> = allowed.split_whitespace().collect();
    if nix::unistd::geteuid().is_root() {
        names.extend(["reno", "cubic"]);
    }
    assert!(names.len() > 1, "{names:?}");
    for name in names {
        let options = TcpOptions { congestion_control: Some(name), ..TcpOptions::default() };
        let (near, far) = pair(loopbacks()[0], &options);
        assert_eq!(congestion_control(&near).unwrap(), name);
        prepare(&far, &options).unwrap();
        assert_eq!(congestion_control(&far).unwrap(), name);
    }
}

#[test]
fn an_unknown_congestion_control_is_named_with_what_there_is() {
    let options = TcpOptions { congestion_control: Some("sedan"), ..TcpOptions::default() };
    let error = connect(loopbacks()[0], &options, PATIENCE).unwrap_err();
    let available = available_congestion_controls().unwrap();
    assert!(available.iter().any(|name| name == "reno"), "{available:?}");
    let expected =
        format!("congestion control 'sedan' cannot be used, available: {}", available.join(" "));
    assert_eq!(error.to_string(), expected);
    let inner = error.get_ref().unwrap().downcast_ref::<CongestionControlError>().unwrap();
    assert_eq!(inner.asked, "sedan");
}

#[test]
fn buffers_and_nodelay_are_set_before_the_handshake() {
    let options = TcpOptions {
        send_buffer: Some(50_000),
        receive_buffer: Some(60_000),
        nodelay: true,
        ..TcpOptions::default()
    };
    let (near, far) = pair(loopbacks()[1], &options);
    // The kernel doubles what is asked (socket(7)).
    let granted = granted_buffers(&near).unwrap();
    assert_eq!((granted.send, granted.receive), (100_000, 120_000));
    assert!(near.nodelay().unwrap());
    prepare(&far, &TcpOptions::default()).unwrap();
    assert!(!far.nodelay().unwrap());
}

#[test]
fn a_silent_peer_ends_the_dialling_in_time() {
    let begun = Instant::now();
    in_namespace(
        "ip link set lo up
         ip link add near0 type veth peer name far0
         ip link set far0 up
         ip link set near0 up
         ip addr add 192.0.2.1/24 dev near0
         ip neigh add 192.0.2.9 lladdr 02:00:00:00:00:09 dev near0",
        || {
            let silent = SocketAddr::from(([192, 0, 2, 9], 9));
            let timeout = Duration::from_millis(200);
            let error = connect(silent, &TcpOptions::default(), timeout).unwrap_err();
            assert_eq!(error.kind(), io::ErrorKind::TimedOut);
        },
    );
    assert!(begun.elapsed() < PATIENCE);
}

#[test]
fn the_account_of_a_transfer_agrees_with_what_was_moved() {
    for address in loopbacks() {
        let (mut near, far) = pair(address, &TcpOptions::default());
        let discarding = thread::spawn(move || {
            let mut total = 0;
            loop {
                match discard(&far, 1 << 20).unwrap() {
                    0 => return (total, TcpInfo::read(&far).unwrap()),
                    count => total += count,
                }
            }
        });
        near.write_all(&vec![0x5A; PAYLOAD]).unwrap();
        wait_until(|| unsent_and_unacknowledged(&near).unwrap() == 0);
        let info = TcpInfo::read(&near).unwrap();
        drop(near);
        let (discarded, received) = discarding.join().unwrap();
        assert_eq!(discarded, PAYLOAD);
        let payload = PAYLOAD as u64;
        // RFC 4898 counts acknowledged sequence space: here the payload and this end's SYN.
        assert_eq!(info.bytes_acknowledged, Some(payload + 1));
        let resent = info.bytes_retransmitted.unwrap();
        assert_eq!(info.bytes_sent, Some(payload + resent));
        // The end of the stream takes one more number of the sequence space.
        assert!([payload, payload + 1].contains(&received.bytes_received.unwrap()), "{received:?}");
        assert!(info.rtt_us.unwrap() > 0 && info.min_rtt_us.is_some(), "{info:?}");
        assert!(info.delivery_rate.is_some(), "{info:?}");
        assert!(info.congestion_window >= 1 && info.send_mss > 0);
    }
}

#[test]
fn segments_have_the_size_that_the_mtu_leaves() {
    // RFC 9293 3.7.1: 1500 less 20 (IPv4) or 40 (IPv6) less 20 (TCP); RFC 7323: timestamps take 12 of it.
    for (timestamps, taken) in [(true, 12), (false, 0)] {
        let setup = format!(
            "ip link set lo up mtu 1500
             echo {} > /proc/sys/net/ipv4/tcp_timestamps",
            u8::from(timestamps)
        );
        in_namespace(&setup, || {
            for (address, payload) in loopbacks().into_iter().zip([1460 - taken, 1440 - taken]) {
                let (near, _far) = pair(address, &TcpOptions::default());
                let info = TcpInfo::read(&near).unwrap();
                assert_eq!(info.timestamps, timestamps);
                assert_eq!((info.advertised_mss, info.send_mss), (payload, payload));
                assert_eq!(info.path_mtu, 1500);
            }
        });
    }
}

#[test]
fn what_the_peer_does_not_read_stays_queued_until_it_does() {
    let options = TcpOptions { send_buffer: Some(200_000), ..TcpOptions::default() };
    let (mut near, far) = pair(loopbacks()[0], &options);
    prepare(&far, &TcpOptions { receive_buffer: Some(40_000), ..TcpOptions::default() }).unwrap();
    assert_eq!(unsent_and_unacknowledged(&near).unwrap(), 0);
    near.set_nonblocking(true).unwrap();
    let mut written = 0;
    while let Ok(count) = near.write(&[1; 10_000]) {
        written += count as u64;
    }
    thread::sleep(Duration::from_millis(50));
    let queued = unsent_and_unacknowledged(&near).unwrap();
    assert!(queued > 0 && queued < written, "{queued} of {written}");
    // The 50 ms less what the kernel's tick of up to 10 ms rounds away.
    let info = TcpInfo::read(&near).unwrap();
    assert!(info.busy_time_us.unwrap() >= 30_000, "{info:?}");
    assert!(info.receive_window_limited_us.unwrap() >= 30_000, "{info:?}");
    let mut read = 0;
    let mut scratch = [0; 5_000];
    while read < written {
        read += discard_by_copy(&far, &mut scratch).unwrap() as u64;
    }
    assert_eq!(read, written);
    wait_until(|| unsent_and_unacknowledged(&near).unwrap() == 0);
}

#[test]
fn discarding_takes_exactly_its_bytes_out_of_the_stream() {
    let (mut near, mut far) = pair(loopbacks()[0], &TcpOptions::default());
    near.write_all(b"0123456789").unwrap();
    let mut taken = 0;
    while taken < 4 {
        taken += discard(&far, 4 - taken).unwrap();
    }
    assert_eq!(discard(&far, 0).unwrap(), 0);
    let mut rest = [0; 6];
    far.read_exact(&mut rest).unwrap();
    assert_eq!(&rest, b"456789");
    far.set_nonblocking(true).unwrap();
    assert_eq!(discard(&far, 9).unwrap_err().kind(), io::ErrorKind::WouldBlock);
}

#[test]
fn discarding_from_another_kind_of_socket_is_an_error() {
    let (one, other) = std::os::unix::net::UnixStream::pair().unwrap();
    (&one).write_all(b"bytes").unwrap();
    assert!(discard(&other, 5).is_err());
}

#[test]
fn a_reset_reaches_the_peer_as_such() {
    let (mut near, far) = pair(loopbacks()[0], &TcpOptions::default());
    reset_on_close(&far).unwrap();
    drop(far);
    let error = near.read(&mut [0]).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::ConnectionReset);
}
