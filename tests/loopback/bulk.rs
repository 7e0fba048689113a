//! Bulk sessions: counts of both ends, the series and what follows from it.

use culvert_record::{Caveat, Direction, RunRecord, VoidReason, Way};

use crate::check::{loaded, reason, record, ways};
use crate::common::{LOOPBACK, Pair, V4, V6, alone};

/// A short session that is still long enough to be valid.
const SHORT: [&str; 4] = ["--for", "500ms", "--settle", "200ms"];
/// How long a receiver reads on after the plateau at most, milliseconds.
const DRAIN_MS: u64 = 1_000;

#[test]
fn toward_far() {
    each_family_and_flow_count("far");
}

#[test]
fn toward_near() {
    each_family_and_flow_count("near");
}

#[test]
fn both_ways_at_once() {
    each_family_and_flow_count("both");
}

fn each_family_and_flow_count(toward: &str) {
    let _alone = alone();
    for ip in LOOPBACK {
        let pair = Pair::at(ip);
        for flows in ["1", "4"] {
            let record = record(&pair, &["bulk", "--toward", toward, "--flows", flows], &SHORT);
            assert_eq!(record.asked.flows.map(|flows| flows.to_string()).as_deref(), Some(flows));
            check_bulk(&record, toward, "cubic");
        }
    }
}

#[test]
fn as_many_flows_as_there_may_be() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let asked = ["bulk", "--toward", "both", "--flows", "64"];
    // 256 data threads leave the control threads little of two cores: time enough to be heard in.
    let record = record(&pair, &asked, &["--for", "2s", "--settle", "500ms"]);
    check_bulk(&record, "both", "cubic");
}

#[test]
fn with_another_congestion_control_at_both_ends() {
    let _alone = alone();
    let pair = Pair::at(V6);
    let options = ["bulk", "--toward", "both", "--congestion-control", "reno"];
    check_bulk(&record(&pair, &options, &SHORT), "both", "reno");
}

#[test]
fn what_is_asked_of_tcp_is_recorded_as_asked_and_as_granted() {
    let _alone = alone();
    for ip in LOOPBACK {
        let pair = Pair::with(ip, &["--pin", "0"]);
        let options = ["bulk", "--toward", "both", "--mss", "1400", "--dscp", "af11"];
        let more = ["--buffer", "1MiB", "--pin", "0"];
        let record = record(&pair, &[&options[..], &more[..]].concat(), &SHORT);
        check_bulk(&record, "both", "cubic");
        let asked = &record.asked;
        assert_eq!((asked.mss_bytes, asked.buffer_bytes), (Some(1400), Some(1 << 20)));
        // RFC 2597 6: AF11 is 001010.
        assert_eq!((asked.dscp.map(u8::from), asked.baseline_ms), (Some(0b00_1010), Some(500)));
        for way in Way::BOTH {
            let direction = loaded(&record, way);
            let tcp = direction.tcp.as_ref().expect("facts of TCP");
            // The MSS holds no options, of which timestamps take 12 of each segment (RFC 6691, RFC 7323).
            let options = if tcp.timestamps == Some(true) { 12 } else { 0 };
            assert_eq!(tcp.segment_payload_bytes, Some(1400 - options));
            assert_eq!(tcp.dscp.map(u8::from), Some(0b00_1010));
            assert_eq!(direction.send_buffer.and_then(|buffer| buffer.asked_bytes), Some(1 << 20));
        }
        for end in [&record.ends.near, &record.ends.far] {
            assert_eq!(end.as_ref().and_then(|end| end.data_threads_on.clone()), Some(vec![0]));
        }
    }
}

#[test]
fn a_baseline_that_is_left_out_is_missing() {
    let _alone = alone();
    let pair = Pair::at(V6);
    let done = pair.run(&["bulk", "--baseline", "0s", "--json"], &SHORT);
    let record = done.expect_code(0).record();
    assert_eq!((record.asked.baseline_ms, record.rtt_baseline_us), (Some(0), None));
    assert!(record.rtt_transfer_us.is_some());
}

#[test]
fn a_segment_that_the_mtu_does_not_hold_is_told() {
    let _alone = alone();
    let pair = Pair::at(V4);
    // Linux keeps the payload of a segment above a floor of its own (`net.ipv4.tcp_min_snd_mss`), which options may meet.
    let record = record(&pair, &["bulk", "--mss", "88"], &SHORT);
    let used = loaded(&record, Way::Far).tcp.as_ref().and_then(|tcp| tcp.segment_payload_bytes);
    let told = record
        .caveats
        .iter()
        .filter_map(Caveat::from_finding)
        .any(|caveat| matches!(caveat, Caveat::SegmentSizeOther { asked_bytes: 88, .. }));
    assert_eq!(told, used != Some(76), "{used:?}");
}

#[test]
fn both_kernels_tell_of_the_flows_while_data_flows() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let asked = ["bulk", "--toward", "both", "--flows", "3"];
    let record = record(&pair, &asked, &["--for", "1s", "--settle", "200ms"]);
    for way in Way::BOTH {
        let direction = loaded(&record, way);
        let tcp = direction.tcp.as_ref().expect("facts of TCP");
        let sent = tcp.transmitter_samples.as_ref().expect("the transmitter's samples");
        let received = tcp.receiver_samples.as_ref().expect("the receiver's samples");
        for samples in [sent, received] {
            assert!(samples.is_consistent());
            // One each 100 ms over 1.2 s, fewer when the machine is busy.
            assert!((6..=24).contains(&samples.len()), "{:?}", samples.at_ms);
        }
        for counts in [&sent.busy_us, &sent.receive_window_limited_us, &sent.retransmitted_bytes] {
            assert!(counts.is_sorted(), "a count fell: {counts:?}");
        }
        // Three flows are busy for at most three times the time that passed, in ticks of 10 ms at most each.
        let passed_us = u64::from(*sent.at_ms.last().expect("a sample")) * 1_000;
        let busy = sent.busy_us.last().copied().flatten().expect("Linux tells since 4.10");
        assert!(busy > passed_us / 4 && busy <= 3 * (passed_us + 20_000), "{busy} of {passed_us}");
        assert!(received.busy_us.iter().all(|busy| *busy < Some(passed_us / 4)), "{received:?}");
        let last = sent.retransmitted_bytes.last().copied().flatten();
        assert!(last <= tcp.retransmitted_bytes, "{last:?} {:?}", tcp.retransmitted_bytes);
        assert_eq!(tcp.discarded_in_kernel, Some(true));
    }
}

#[test]
fn the_start_is_cut_away_by_itself() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let record = record(&pair, &["bulk", "--for", "1s"], &[]);
    assert!(record.asked.settle_auto && record.asked.settle_ms == 5_000, "{:?}", record.asked);
    let plateau = loaded(&record, Way::Far).plateau.expect("a plateau");
    assert_eq!(plateau.to_ms - plateau.from_ms, 1_000);
    assert!(plateau.from_ms <= 5_000, "{plateau:?}");
    check_goodput(&record, Way::Far);
}

#[test]
fn a_budget_that_runs_out_voids_the_run() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let done = pair.run(&["bulk", "--at-most", "3MB", "--json"], &SHORT);
    let record = done.expect_code(1).record();
    assert_eq!(reason(&record), VoidReason::BudgetSpent { at_most_bytes: 3_000_000 });
    let moved = loaded(&record, Way::Far).bytes_received.expect("counted");
    assert!(moved <= 3_000_000, "{moved} bytes were moved");
}

/// Everything that holds for any valid bulk run on loopback.
fn check_bulk(record: &RunRecord, toward: &str, congestion_control: &str) {
    assert_eq!(record.asked.congestion_control.as_deref(), Some(congestion_control));
    for way in ways(record, toward) {
        let direction = loaded(record, way);
        check_goodput(record, way);
        check_counts(direction, &cut_short(record, way));
        let tcp = direction.tcp.as_ref().expect("facts of TCP");
        assert_eq!(tcp.congestion_control.as_deref(), Some(congestion_control), "{way:?}");
        assert!(direction.goodput_bps > Some(1_000_000), "{:?}", direction.goodput_bps);
        assert_eq!((direction.sent, direction.lost), (None, None), "TCP counts no datagrams");
    }
    assert_eq!(record.fragmentation_allowed, None);
}

/// What was acknowledged was read, or is told as unread; what was not acknowledged may have been read, too.
fn check_counts(direction: &Direction, cut: &CutShort) {
    let sent = direction.bytes_sent.expect("counted");
    let read = direction.bytes_received.expect("counted") + cut.unread;
    assert!((sent..=sent + cut.unacknowledged).contains(&read), "{read} of {sent}, {cut:?}");
}

/// What a run says was on its way when it ended, bytes.
#[derive(Debug, Default)]
struct CutShort {
    unacknowledged: u64,
    unread: u64,
}

fn cut_short(record: &RunRecord, way: Way) -> CutShort {
    let mut cut = CutShort::default();
    for caveat in record.caveats.iter().filter_map(Caveat::from_finding) {
        match caveat {
            Caveat::DrainCutShort { toward, unacknowledged_bytes } if toward == way => {
                cut.unacknowledged += unacknowledged_bytes;
            }
            Caveat::AcknowledgedUnread { toward, bytes } if toward == way => cut.unread += bytes,
            _ => {}
        }
    }
    cut
}

/// Goodput is the payload of the plateau over its length (RFC 2647 3.17), and the series holds every byte.
fn check_goodput(record: &RunRecord, way: Way) {
    let direction = loaded(record, way);
    let series = direction.series.as_ref().expect("a series");
    let plateau = direction.plateau.expect("a plateau");
    let step = u64::from(series.step_ms);
    assert!((1..=100).contains(&step));
    let index = |at_ms: u64| usize::try_from(at_ms / step).expect("an index");
    assert_eq!((plateau.from_ms % step, plateau.to_ms % step), (0, 0));
    let steps = series.bytes.get(index(plateau.from_ms)..index(plateau.to_ms));
    let within: u64 = steps.expect("the series covers the plateau").iter().sum();
    let length_ms = plateau.to_ms - plateau.from_ms;
    assert_eq!(direction.goodput_bps, Some(within * 8 * 1000 / length_ms));

    let all: u64 = series.bytes.iter().sum();
    let received = direction.bytes_received.expect("counted");
    if (series.bytes.len() as u64) * step < record.asked.settle_ms + record.asked.for_ms + DRAIN_MS
    {
        assert_eq!(all, received, "the series misses bytes before its end");
    } else {
        assert!(all <= received);
    }
}
