use std::{
    io::{Read, Write},
    net::{Ipv4Addr, Ipv6Addr},
    thread,
    time::Instant,
};

use super::*;
use crate::{
    granted_buffers, is_capped,
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
    let (send, both) = (granted.send as u64, granted.send as u64 * 2);
    assert!(!is_capped(50_000, send, 1) && is_capped(50_001, send, 1));
    assert!(!is_capped(50_000, both, 2) && is_capped(50_000, both - 1, 2));
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
fn a_kernel_that_does_not_discard_is_read_from() {
    // A stream of another family stands for such a kernel: it knows no MSG_TRUNC that needs no buffer.
    let (mut one, other) = std::os::unix::net::UnixStream::pair().unwrap();
    one.write_all(&vec![0x5A; 50_000]).unwrap();
    drop(one);
    let mut discarder = Discarder::default();
    let (mut total, mut calls) = (0, 0);
    loop {
        match discarder.discard(&other, 20_000).unwrap() {
            0 => break,
            count => total += count,
        }
        calls += 1;
    }
    assert_eq!(total, 50_000, "nothing is lost to the attempt");
    assert!(calls >= 3 && !discarder.is_in_kernel());

    let (mut near, far) = pair(loopbacks()[0], &TcpOptions::default());
    near.write_all(&[1; 9]).unwrap();
    let mut discarder = Discarder::default();
    assert_eq!(discarder.discard(&far, 100).unwrap(), 9);
    assert!(discarder.is_in_kernel());
    far.set_nonblocking(true).unwrap();
    assert_eq!(discarder.discard(&far, 9).unwrap_err().kind(), io::ErrorKind::WouldBlock);
}

#[test]
fn a_segment_size_asked_before_the_handshake_binds_both_ways() {
    in_namespace("ip link set lo up mtu 1500", || {
        for address in loopbacks() {
            let options = TcpOptions { segment_bytes: Some(700), ..TcpOptions::default() };
            let (near, far) = pair(address, &options);
            // RFC 6691 2: the MSS counts no options, of which timestamps take 12 of each segment (RFC 7323).
            for end in [near, far] {
                assert_eq!(TcpInfo::read(&end).unwrap().send_mss, 700 - 12);
            }
            // What the MTU does not hold is not used.
            let options = TcpOptions { segment_bytes: Some(9_000), ..TcpOptions::default() };
            let (near, _far) = pair(address, &options);
            assert!(TcpInfo::read(&near).unwrap().send_mss <= 1_448);
        }
    });
}

#[test]
fn segment_sizes_beyond_what_can_be_asked_are_refused() {
    for bytes in [*SEGMENT_BYTES.start(), *SEGMENT_BYTES.end()] {
        let options = TcpOptions { segment_bytes: Some(bytes), ..TcpOptions::default() };
        pair(loopbacks()[0], &options);
    }
    for bytes in [SEGMENT_BYTES.start() - 1, SEGMENT_BYTES.end() + 1] {
        let options = TcpOptions { segment_bytes: Some(bytes), ..TcpOptions::default() };
        let listener = listen(loopbacks()[0], 8).unwrap();
        let error = connect(listener.local_addr().unwrap(), &options, PATIENCE).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::InvalidInput);
    }
}

#[test]
fn packets_carry_the_mark_that_was_asked_for() {
    in_namespace("ip link set lo up", || {
        for address in loopbacks() {
            let asked = Dscp::new(46).unwrap();
            for dscp_asked in [None, Some(asked)] {
                let watch = Socket::new(
                    Domain::PACKET,
                    Type::RAW,
                    Some(Protocol::from(i32::from(0x0003_u16.to_be()))),
                )
                .unwrap();
                let options = TcpOptions { dscp: dscp_asked, ..TcpOptions::default() };
                let (mut near, far) = pair(address, &options);
                let expected = dscp_asked.unwrap_or_default();
                prepare(&far, &options).unwrap();
                assert_eq!([dscp(&near).unwrap(), dscp(&far).unwrap()], [expected; 2]);
                near.write_all(&[1; 10_000]).unwrap();
                (&far).write_all(&[1; 10_000]).unwrap();
                wait_until(|| unsent_and_unacknowledged(&near).unwrap() == 0);
                let marks = marks_of_full_segments(&watch, near.local_addr().unwrap().port());
                assert!(marks.len() >= 2, "{marks:?}");
                // RFC 3246 2.7: expedited forwarding is 101110, with the two bits of RFC 3168 behind it 0xb8.
                let byte = if dscp_asked.is_some() { 0xb8 } else { 0 };
                assert!(marks.iter().all(|mark| mark & 0xfc == byte), "{marks:?}");
            }
        }
    });
}

/// The TOS or traffic-class bytes of the packets with data that one port sent or got, as they crossed the loopback.
fn marks_of_full_segments(watch: &Socket, port: u16) -> Vec<u8> {
    watch.set_nonblocking(true).unwrap();
    let mut frame = vec![0; 70_000];
    let mut marks = Vec::new();
    while let Ok(length) = (&mut &*watch).read(&mut frame) {
        // An Ethernet header of 14 bytes, then RFC 791 3.1 or RFC 8200 3.
        let packet = &frame[14..length];
        let (mark, tcp) = match packet[0] >> 4 {
            4 => (packet[1], &packet[20..]),
            _ => (packet[0] << 4 | packet[1] >> 4, &packet[40..]),
        };
        let ports = [0, 2].map(|at| u16::from_be_bytes([tcp[at], tcp[at + 1]]));
        if ports.contains(&port) && tcp.len() > 1_000 {
            marks.push(mark);
        }
    }
    marks
}

#[test]
fn what_a_reset_leaves_unacknowledged_is_still_known() {
    for address in loopbacks() {
        let options = TcpOptions { send_buffer: Some(200_000), ..TcpOptions::default() };
        let (mut near, far) = pair(address, &options);
        prepare(&far, &TcpOptions { receive_buffer: Some(40_000), ..TcpOptions::default() })
            .unwrap();
        near.set_nonblocking(true).unwrap();
        let mut written = 0;
        while let Ok(count) = near.write(&[1; 10_000]) {
            written += count as u64;
        }
        // The receiver's window is full: nothing moves any more.
        thread::sleep(Duration::from_millis(100));
        // RFC 4898's count of acknowledged sequence space holds this end's SYN besides the payload.
        let acknowledged = TcpInfo::read(&near).unwrap().bytes_acknowledged.unwrap() - 1;
        assert!(acknowledged > 0 && acknowledged < written);
        reset_on_close(&far).unwrap();
        drop(far);
        wait_until(|| near.take_error().unwrap().is_some());
        assert_eq!(written - unsent_and_unacknowledged(&near).unwrap(), acknowledged);
    }
}

#[test]
fn a_reset_reaches_the_peer_as_such() {
    let (mut near, far) = pair(loopbacks()[0], &TcpOptions::default());
    reset_on_close(&far).unwrap();
    drop(far);
    let error = near.read(&mut [0]).unwrap_err();
    assert_eq!(error.kind(), io::ErrorKind::ConnectionReset);
}
