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
        check_counts(direction, cut_short(record, way));
        let tcp = direction.tcp.as_ref().expect("facts of TCP");
        assert_eq!(tcp.congestion_control.as_deref(), Some(congestion_control), "{way:?}");
        assert!(direction.goodput_bps > Some(1_000_000), "{:?}", direction.goodput_bps);
        assert_eq!((direction.sent, direction.lost), (None, None), "TCP counts no datagrams");
    }
    assert_eq!(record.fragmentation_allowed, None);
}

fn check_counts(direction: &Direction, unacknowledged: u64) {
    let (sent, received) = (direction.bytes_sent, direction.bytes_received);
    if unacknowledged == 0 {
        assert_eq!(sent, received, "nothing was cut short");
    } else {
        let sent = sent.expect("counted");
        assert!((sent..=sent + unacknowledged).contains(&received.expect("counted")));
    }
}

fn cut_short(record: &RunRecord, way: Way) -> u64 {
    let caveats = record.caveats.iter().filter_map(Caveat::from_finding);
    caveats
        .filter_map(|caveat| match caveat {
            Caveat::DrainCutShort { toward, unacknowledged_bytes } if toward == way => {
                Some(unacknowledged_bytes)
            }
            _ => None,
        })
        .sum()
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
