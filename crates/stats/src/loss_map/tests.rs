use proptest::prelude::*;

use super::*;
use crate::{bursts_and_gaps, loss_runs};

fn map(lost: &[bool]) -> LossMap {
    let mut map = LossMap::new(lost.len() as u64);
    for (sequence, _) in (0..).zip(lost).filter(|(_, lost)| !**lost) {
        map.arrived(sequence);
    }
    map
}

/// RFC 3357 6.5: of 10 packets, counted from 1, 2, 5, 7, 9 and 10 are lost: four periods, the longest of two packets.
#[test]
fn rfc_3357_example() {
    let lost: Vec<bool> = (1..=10).map(|packet| [2, 5, 7, 9, 10].contains(&packet)).collect();
    let summary = map(&lost).summary(10).expect("all are remembered");
    assert_eq!((summary.lost, summary.periods), (5, 4));
    let lengths = summary.lengths.expect("losses");
    assert_eq!((lengths.n, lengths.min, lengths.p50, lengths.max), (4, 1, 1, 2));
    // All but the first follow another within 16.
    assert_eq!(summary.noticeable, 4);
}

#[test]
fn the_end_of_a_stream_that_nothing_followed_is_a_run() {
    let mut map = LossMap::new(1_000);
    for sequence in 0..900 {
        map.arrived(sequence);
    }
    let summary = map.summary(950).expect("all are remembered");
    assert_eq!((summary.lost, summary.periods, summary.bursts), (50, 1, 1));
    assert_eq!(summary.lengths.map(|lengths| lengths.max), Some(50));
    assert_eq!(map.summary(2_000), None);
}

/// RFC 5560 5.2 counts a packet once, however often it came again.
#[test]
fn a_packet_is_replicated_once() {
    let mut map = LossMap::new(4);
    for sequence in [1, 1, 3, 1] {
        map.arrived_again(sequence);
    }
    map.arrived_again(u64::MAX);
    assert_eq!(map.replicated(), 2);
}

#[test]
fn an_endless_plan_takes_no_endless_memory() {
    let mut map = LossMap::new(u64::MAX);
    map.arrived(MOST_MAPPED - 1);
    map.arrived(MOST_MAPPED);
    assert_eq!(map.summary(MOST_MAPPED + 1), None);
    assert_eq!(map.summary(MOST_MAPPED).map(|summary| summary.lost), Some(MOST_MAPPED - 1));
}

proptest! {
    /// The functions over whole streams hold the examples of RFC 3357 and RFC 3611.
    #[test]
    fn agrees_with_the_whole_stream(lost in proptest::collection::vec(
        prop_oneof![5 => Just(false), 1 => Just(true)], 0..600,
    )) {
        let summary = map(&lost).summary(lost.len() as u64).expect("all are remembered");
        let runs = loss_runs(lost.iter().copied());
        let bursts = bursts_and_gaps(lost.iter().copied(), GMIN);
        prop_assert_eq!((summary.lost, summary.periods), (runs.lost(), runs.periods.len() as u64));
        let lengths = runs.periods.iter().map(|one| i64::try_from(one.length).unwrap());
        prop_assert_eq!(summary.lengths, Percentiles::of(lengths));
        prop_assert_eq!(summary.noticeable_rate(), runs.noticeable_rate(NOTICEABLE_WITHIN));
        prop_assert_eq!(
            (summary.bursts, summary.burst_packets, summary.burst_lost, summary.gaps),
            (bursts.bursts.len() as u64, bursts.burst_packets, bursts.burst_lost, bursts.gaps)
        );
    }
}
