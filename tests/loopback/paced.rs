//! Paced sessions: every datagram accounted for.

use std::net::IpAddr;

use culvert_record::{Caveat, Direction, Handover, RunRecord, Way};

use crate::check::{loaded, record, ways};
use crate::common::{Pair, V4, V6, alone};

const PACE_BPS: u64 = 8_000_000;
const LENGTH: [&str; 4] = ["--for", "1s", "--settle", "200ms"];
const LENGTH_MS: u64 = 1_200;

#[test]
fn tiny_datagrams() {
    // 100 us, the longest burst, carry 100 bytes.
    each_way(V4, 32, 3);
}

#[test]
fn usual_datagrams() {
    each_way(V4, 1_200, 1);
}

#[test]
fn usual_datagrams_over_ipv6() {
    each_way(V6, 1_200, 1);
}

#[test]
fn large_datagrams() {
    each_way(V4, 8_000, 1);
}

#[test]
fn handed_over_as_asked() {
    let _alone = alone();
    let pair = Pair::at(V4);
    for (word, handover) in [
        ("segmented", Handover::Segmented),
        ("batched", Handover::Batched),
        ("single", Handover::Single),
        ("auto", Handover::Auto),
    ] {
        // 8 Mbit/s carry 20 datagrams of 500 bytes in 10 ms.
        let options = ["paced", "--pace", "8Mbit/s", "--payload", "500"];
        let options = [&options[..], &["--burst", "10ms", "--handover", word]].concat();
        let record = record(&pair, &options, &LENGTH);
        assert_eq!(record.asked.handover, Some(handover));
        assert_eq!(record.asked.burst_ns, Some(10_000_000));
        let direction = loaded(&record, Way::Far);
        checked(&record, direction, 500, 20);
        assert_eq!(direction.delay_of_burst_heads, Some(true));
        let (sent_by, received_by) =
            direction.sent_by.zip(direction.received_by).expect("how they were handed over");
        match handover {
            Handover::Auto => {
                // Of 120 bursts 48 are tried; a machine that drops most of its time may not come so far.
                if let Some((segmented, batched)) = sent_by.segmented_ns.zip(sent_by.batched_ns) {
                    let cheaper =
                        if batched < segmented { Handover::Batched } else { Handover::Segmented };
                    assert_eq!(sent_by.ended, cheaper, "{sent_by:?}");
                }
            }
            asked => {
                assert_eq!((sent_by.began, sent_by.ended), (asked, asked), "{sent_by:?}");
                assert_eq!(received_by.began, asked, "{received_by:?}");
            }
        }
        let together = if handover == Handover::Single { 1 } else { 20 };
        assert_eq!(sent_by.most_together, together, "{sent_by:?}");
        // What leaves as one on loopback arrives as one.
        let joined = received_by.joined.expect("counted");
        let expected = handover == Handover::Segmented;
        if handover != Handover::Auto {
            assert_eq!(joined > 0, expected, "{received_by:?}");
        }
    }
}

#[test]
fn without_a_pace_everything_is_accounted_for() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let options = ["paced", "--pace", "unlimited", "--toward", "far"];
    let record = record(&pair, &options, &["--for", "500ms", "--settle", "200ms"]);
    assert_eq!((record.asked.pace_bps, record.asked.payload_bytes), (None, Some(1_200)));
    let direction = loaded(&record, Way::Far);
    conserved(direction, 1_200);
    assert!(direction.offered_bps > Some(0) && direction.delivered_bps > Some(0));
    assert_eq!(direction.departure, None, "nothing was due");
}

/// 32 bytes at 100 Gbit/s are 390 million datagrams a second: no host sends as many.
#[test]
fn a_pace_above_what_the_host_can_offer_is_told() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let options = ["paced", "--pace", "100Gbit/s", "--payload", "32", "--toward", "far"];
    let record = record(&pair, &options, &["--for", "500ms", "--settle", "200ms"]);
    let direction = loaded(&record, Way::Far);
    conserved(direction, 32);
    assert!(direction.offered_bps < Some(100_000_000_000), "{direction:?}");
    assert!(direction.departure.expect("a schedule").dropped_ns > Some(0));
    let caveats: Vec<_> = record.caveats.iter().filter_map(Caveat::from_finding).collect();
    let told = |caveat: &Caveat| matches!(caveat, Caveat::PaceDebtDropped { .. });
    assert!(caveats.iter().any(told), "{caveats:?}");
}

fn each_way(ip: IpAddr, payload: u64, burst: u64) {
    let _alone = alone();
    let pair = Pair::at(ip);
    for toward in ["far", "near", "both"] {
        let size = payload.to_string();
        let options = ["paced", "--toward", toward, "--pace", "8Mbit/s", "--payload", &size];
        let record = record(&pair, &options, &LENGTH);
        assert!(record.fragmentation_allowed.is_some());
        for way in ways(&record, toward) {
            checked(&record, loaded(&record, way), payload, burst);
        }
    }
}

/// What is planned either leaves or its time is told as dropped, to the datagram, whatever else the machine does; and
/// whatever left arrives, once and in order.
fn checked(record: &RunRecord, direction: &Direction, payload: u64, burst: u64) {
    let departure = direction.departure.expect("a schedule");
    assert_eq!(departure.burst_datagrams, burst);
    let dropped_ns = departure.dropped_ns.expect("known");
    // Burst i is due at i · burst · payload / pace, and so many are due before the end; rounding up counts burst 0.
    let kept_ns = (LENGTH_MS * 1_000_000).saturating_sub(dropped_ns);
    let bits_e9 = u128::from(payload * 8 * burst) * 1_000_000_000;
    let bursts = (u128::from(PACE_BPS) * u128::from(kept_ns)).div_ceil(bits_e9);
    let planned = (PACE_BPS * LENGTH_MS).div_ceil(1000 * payload * 8);
    let due = u64::try_from(bursts).expect("few").saturating_mul(burst).min(planned);
    assert_eq!(direction.sent, Some(due), "{planned} were planned: {direction:#?}");
    let caveats: Vec<_> = record.caveats.iter().filter_map(Caveat::from_finding).collect();
    let told = |caveat: &Caveat| matches!(caveat, Caveat::PaceDebtDropped { toward, .. } if record.direction(*toward) == Some(direction));
    assert_eq!(caveats.iter().any(told), dropped_ns > 0, "{caveats:?}");

    conserved(direction, payload);
    let offered = direction.offered_bps.expect("a rate");
    // Where it says of itself that no burst was a millisecond late, the pace was kept: 1 ms of a second's plateau.
    let punctual = departure.lateness_us.is_some_and(|late| late.max < 1_000);
    assert!(!punctual || offered.abs_diff(PACE_BPS) <= PACE_BPS / 200, "{direction:#?}");
    assert!(direction.interarrival_jitter_us.is_some_and(|jitter| jitter >= 0.0));
    let pdv = direction.pdv_us.expect("delays above the least (RFC 5481)");
    assert!(pdv.min == 0 && pdv.p50 <= pdv.max, "{pdv:?}");
    assert!(direction.ipdv_us.is_some(), "delay differences (RFC 3393)");
}

/// On loopback only the receiver's own socket loses anything; what it did not lose came once and in order.
fn conserved(direction: &Direction, payload: u64) {
    let known = |count: Option<u64>| count.expect("counted");
    let (sent, received) = (known(direction.sent), known(direction.received));
    assert!(received > 0, "{direction:#?}");
    assert_eq!(sent, received + known(direction.lost), "{direction:#?}");
    assert_eq!(direction.lost, direction.host_dropped, "{direction:#?}");
    assert_eq!(direction.bytes_sent, Some(sent * payload));
    assert_eq!(direction.bytes_received, Some(received * payload));
    let counts = [direction.reordered, direction.duplicates, direction.late, direction.refused];
    assert_eq!(counts, [Some(0); 4], "{direction:#?}");
    let lost = known(direction.lost) as f64 / sent as f64;
    assert!(direction.loss_ratio.is_some_and(|ratio| (ratio - lost).abs() < 1e-12));
    assert_eq!(direction.reordered_ratio, Some(0.0));
    assert!(direction.delivered_bps <= direction.offered_bps, "{direction:#?}");
    let buffer = direction.receive_buffer.expect("buffers");
    assert!(buffer.asked_bytes.is_some() && buffer.granted_bytes >= buffer.asked_bytes);
    assert!(direction.tcp.is_none());
}
