use culvert_wire::Secret;
use culvert_wire::datagram::{DatagramKey, DatagramKind, SignalBody};
use culvert_wire::message::{Handover, Limits, Load, SessionRequest, Way};

use super::*;
use crate::signals::FlowIdentity;

const PAYLOAD: u16 = 64;
/// Of both clocks, so that one becomes the other.
const BEGAN: u64 = 1_000_000_000_000;

/// 51.2 Mbit/s of 64 bytes: a datagram each 10 µs, ten a burst.
fn session(unlimited: bool) -> Session {
    let request = SessionRequest {
        load: Load::Paced {
            pace_bps: if unlimited { 0 } else { 51_200_000 },
            payload_bytes: PAYLOAD,
            unlimited,
            burst_ns: None,
            handover: Handover::Auto,
        },
        ways: vec![Way::Far],
        for_ms: 1_000,
        settle_ms: 1,
        step_ms: 100,
        buffer_bytes: None,
        at_most_bytes_each_way: None,
    };
    let limits = Limits { duration_ms: 10_000, rate_bps: None, bytes: None, flows: 1 };
    Session::check(request, &limits).expect("granted")
}

fn flow() -> FlowIdentity {
    let key = || DatagramKey::new(Secret::new([7; 16]));
    FlowIdentity { session: 1, stream: 0, send_key: key(), receive_key: key() }
}

struct Stream {
    account: DatagramAccount,
    flow: FlowIdentity,
}

impl Stream {
    fn new(unlimited: bool) -> Self {
        let mut account = DatagramAccount::new(&session(unlimited), PAYLOAD);
        account.at(BEGAN);
        Self { account, flow: flow() }
    }

    fn take(&mut self, sequence: u64, sent_ns: u64, follows: bool, drops_before: u32) -> Taken {
        let mut payload = [0; PAYLOAD as usize];
        let header = DatagramHeader {
            kind: DatagramKind::Data,
            stream: self.flow.stream,
            length: PAYLOAD,
            session: self.flow.session,
            sequence,
            sent_ns,
        };
        header.emit(&self.flow.send_key, &mut payload).expect("it fits");
        let received_at_realtime_ns = Some(culvert_os::clock::realtime_ns());
        let datagram = Received {
            payload: &payload,
            received_at_realtime_ns,
            truncated: false,
            follows,
            drops_before,
        };
        self.account.take(&self.flow.reader(), &datagram)
    }
}

#[test]
fn only_the_first_of_a_burst_is_timed() {
    for unlimited in [false, true] {
        let mut stream = Stream::new(unlimited);
        for number in 0..100 {
            assert_eq!(stream.take(number, number / 10 * 100_000, false, 0), Taken::New);
        }
        let delay = stream.account.delay().expect("timed");
        assert!(delay.of_burst_heads);
        assert_eq!(delay.pdv_us.map(|[n, ..]| n), Some(10));
        // Without a schedule nobody knows which bursts are neighbours.
        assert_eq!(delay.ipdv_us.map(|[n, ..]| n), (!unlimited).then_some(9));
    }
}

/// Joined to the burst before it, the first of a burst has that one's receive time, which is not its own.
#[test]
fn what_came_joined_behind_another_is_not_timed() {
    let mut stream = Stream::new(false);
    for number in 0..20 {
        stream.take(number, number / 10 * 100_000, number > 0, 0);
    }
    assert_eq!(stream.account.delay().and_then(|delay| delay.pdv_us).map(|[n, ..]| n), None);
    assert_eq!(stream.account.joined(), 19);
    assert_eq!(stream.account.received(), 20);
}

#[test]
fn without_a_schedule_the_plateau_is_what_was_sent_after_the_settle_time() {
    let mut stream = Stream::new(true);
    for (number, sent_ns) in [(0, 0), (1, 999_999), (2, 1_000_000), (3, 5_000_000)] {
        stream.take(number, sent_ns, false, 0);
    }
    assert_eq!(stream.account.sequence().received_plateau, 2);
}

#[test]
fn a_dropped_piece_counts_as_the_datagrams_that_are_missing_there() {
    let mut stream = Stream::new(false);
    for number in 0..10 {
        stream.take(number, 0, number > 0, 0);
    }
    // One piece of twenty was dropped; five more are missing later, and no drop accounts for them.
    for number in 30..40 {
        stream.take(number, 0, number > 30, 1);
    }
    stream.take(45, 0, false, 1);
    assert_eq!(stream.account.host_dropped(1, Some(46)), 20);
    // The last piece was dropped, too, and nothing came behind it.
    assert_eq!(stream.account.host_dropped(2, Some(50)), 24);
    assert_eq!(stream.account.host_dropped(2, None), 20);
}

#[test]
fn apart_they_count_as_the_socket_counts_them() {
    let mut stream = Stream::new(false);
    stream.take(0, 0, false, 0);
    stream.take(9, 0, false, 3);
    assert_eq!(stream.account.host_dropped(4, Some(20)), 4);
}

#[test]
fn what_is_no_data_of_this_stream_is_not_counted() {
    let mut stream = Stream::new(false);
    let refused = |stream: &mut Stream, payload: &[u8]| {
        let datagram = Received {
            payload,
            received_at_realtime_ns: None,
            truncated: false,
            follows: false,
            drops_before: 0,
        };
        stream.account.take(&stream.flow.reader(), &datagram)
    };
    assert_eq!(refused(&mut stream, &[0; 64]), Taken::Refused { ours: false });
    let mut buffer = [0; culvert_wire::datagram::MAX_SIGNAL];
    let signal =
        Signal { stream: 0, session: 1, sequence: 0, sent_ns: 0, body: SignalBody::Keepalive };
    let datagram = signal.emit(&flow().send_key, &mut buffer).expect("it fits").to_vec();
    assert!(matches!(refused(&mut stream, &datagram), Taken::Signal(_)));
    // 51.2 Mbit/s for 1.001 s plan 100,100.
    assert_eq!(stream.take(100_100, 0, false, 0), Taken::Refused { ours: true });
    let sequence = stream.account.sequence();
    assert_eq!((sequence.received, sequence.refused), (0, 2));
}

/// Of 0 to 13, 3 to 5 and the last two never came, 7 came three times, and 8 came behind 9, 10 and 11.
#[test]
fn losses_order_and_copies_are_told_once_the_stream_is_over() {
    let mut stream = Stream::new(false);
    for number in [0, 1, 2, 6, 7, 7, 7, 9, 10, 11, 8] {
        stream.take(number, number * 10_000, false, 0);
    }
    let losses = stream.account.losses(14).expect("all are remembered");
    assert_eq!((losses.sent, losses.lost, losses.runs), (14, 5, 2));
    assert_eq!(losses.lengths, Some([2, 2, 2, 3, 3, 3]));
    // Gmin 16: one burst from 3 to 13.
    assert_eq!(
        (losses.bursts, losses.burst_packets, losses.burst_lost, losses.gaps),
        (1, 11, 5, 1)
    );
    let order = stream.account.order();
    assert_eq!(order.extents, Some([1, 3, 3, 3, 3, 3]));
    assert_eq!((order.n_reordered, order.replicated), ([1, 1, 1, 0, 0, 0, 0, 0], 1));
}
