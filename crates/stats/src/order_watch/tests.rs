use proptest::prelude::*;

use super::*;
use crate::{ArrivedPacket, OrderAnalysis, analyse_order};

fn watched(order: &[u64]) -> OrderWatch {
    let mut watch = OrderWatch::new();
    for (place, sequence) in (0..).zip(order) {
        watch.accept(*sequence, place);
    }
    watch
}

fn analysed(order: &[u64]) -> OrderAnalysis {
    let arrivals: Vec<_> = order
        .iter()
        .map(|&sequence| ArrivedPacket { sequence, arrived_us: 0, payload_bytes: 1 })
        .collect();
    analyse_order(&arrivals)
}

/// The order of RFC 4737 7.3 (as in the tests of the whole stream): by 4.2.3 the extents of 4, 5 and 6 are 4, 5 and 6; by 5.3
/// only 4 has larger numbers just before it, four of them.
#[test]
fn a_block_that_comes_late() {
    let watch = watched(&[1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11]);
    let extents = watch.extents().expect("three are reordered");
    assert_eq!((extents.n, extents.min, extents.p50, extents.max), (3, 4, 5, 6));
    assert_eq!(watch.n_reordered(), [1, 1, 1, 1, 0, 0, 0, 0]);
}

#[test]
fn what_is_in_order_has_no_extent() {
    let watch = watched(&[0, 1, 2, 5, 6, 9]);
    assert_eq!((watch.extents(), watch.n_reordered(), watch.beyond()), (None, [0; MOST_N], 0));
}

#[test]
fn what_was_overtaken_too_long_ago_is_told_apart() {
    let mut order: Vec<u64> = (1..10_000).map(|number| number * 2).collect();
    order.push(1);
    let watch = watched(&order);
    assert_eq!((watch.extents(), watch.beyond()), (None, 1));
    assert_eq!(watch.n_reordered(), [1; MOST_N]);
}

proptest! {
    /// The analysis of the whole stream holds RFC 4737's own examples.
    #[test]
    fn agrees_with_the_whole_stream(
        kept in proptest::collection::vec(any::<bool>(), 1..300),
        swaps in proptest::collection::vec((0_usize..300, 0_usize..40), 0..60),
    ) {
        let mut order: Vec<u64> =
            (0_u64..).zip(&kept).filter(|(_, kept)| **kept).map(|(number, _)| number).collect();
        for (from, by) in swaps {
            if from + by < order.len() {
                let moved = order.remove(from);
                order.insert(from + by, moved);
            }
        }
        let (watch, whole) = (watched(&order), analysed(&order));
        let extents = whole.reordered.iter().map(|one| i64::try_from(one.extent).unwrap());
        prop_assert_eq!(watch.extents(), Percentiles::of(extents));
        for (n, count) in (1_u64..).zip(watch.n_reordered()) {
            let reached = whole.reordered.iter().filter(|one| one.n_reordering >= Some(n)).count();
            prop_assert_eq!(count, reached as u64, "n = {}", n);
        }
    }
}
