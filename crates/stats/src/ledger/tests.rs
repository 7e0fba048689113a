use std::collections::HashSet;

use proptest::prelude::*;

use super::*;

const IN_ORDER: Arrival = Arrival::New { reordered: false };
const REORDERED: Arrival = Arrival::New { reordered: true };

fn fill(sequences: impl IntoIterator<Item = u64>) -> SequenceLedger {
    let mut ledger = SequenceLedger::new(u64::MAX);
    for sequence in sequences {
        ledger.accept(sequence);
    }
    ledger
}

/// RFC 7680 4.1: of five packets one is lost, the ratio is 0.2.
#[test]
fn rfc_7680_loss_ratio() {
    let counts = fill([0, 1, 3, 4]).finish(5).unwrap();
    assert_eq!((counts.received, counts.lost), (4, 1));
    assert_eq!(counts.loss_ratio, Fraction::of(0.2, 1.0));
}

/// RFC 4737 7.1 to 7.4 and 5.3: arrival orders, and which packets are reordered.
#[test]
fn rfc_4737_reordered_packets() {
    let cases: [(&[u64], &[u64]); 5] = [
        (&[1, 2, 3, 5, 6, 7, 8, 4, 9, 10], &[4]),
        (&[1, 2, 3, 4, 7, 5, 6, 8, 9, 10], &[5, 6]),
        (&[1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11], &[4, 5, 6]),
        (&[1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16], &[4, 5, 11]),
        (&[1, 2, 3, 7, 8, 9, 4, 5, 6], &[4, 5, 6]),
    ];
    for (order, reordered) in cases {
        let mut ledger = SequenceLedger::new(100);
        let found: Vec<u64> =
            order.iter().copied().filter(|s| ledger.accept(*s) == REORDERED).collect();
        assert_eq!(found, reordered, "{order:?}");
    }
    // RFC 4737 4.1: the ratio of 7.4 is of the packets received.
    let counts = fill([1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16]).finish(17).unwrap();
    assert_eq!(counts.reordered_ratio, Fraction::of(3.0, 16.0));
}

/// RFC 4737 3.6: only the first copy is looked at, a copy is never reordered.
#[test]
fn a_duplicate_is_not_reordered() {
    let mut ledger = SequenceLedger::new(10);
    let arrivals = [5, 2, 2, 5, 6].map(|sequence| ledger.accept(sequence));
    assert_eq!(arrivals, [IN_ORDER, REORDERED, Arrival::Duplicate, Arrival::Duplicate, IN_ORDER]);
}

/// RFC 5560 5.3: the further copies per packet that arrived, in its four cases.
#[test]
fn rfc_5560_duplicates() {
    let cases: [(&[u64], f64); 4] = [
        (&[1, 2, 3, 4], 0.0),
        (&[1, 2, 3, 4, 4, 3, 2, 1], 1.0),
        (&[1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4], 2.0),
        (&[1, 1, 1, 2, 3, 3, 3, 4], 1.0),
    ];
    for (arrivals, fraction) in cases {
        let ledger = fill(arrivals.iter().copied());
        let found = ratio(ledger.duplicates(), ledger.received());
        assert_eq!(found, Fraction::of(fraction, 1.0), "{arrivals:?}");
    }
}

#[test]
fn the_window_ends_exactly() {
    let mut ledger = SequenceLedger::new(u64::MAX);
    let highest = 5 * DUPLICATE_WINDOW + 37;
    assert_eq!(ledger.accept(highest), IN_ORDER);
    let oldest = highest + 1 - DUPLICATE_WINDOW;
    assert_eq!(ledger.accept(oldest), REORDERED);
    assert_eq!(ledger.accept(oldest), Arrival::Duplicate);
    assert_eq!(ledger.accept(oldest - 1), Arrival::Late);
    assert_eq!(ledger.accept(highest), Arrival::Duplicate);
    assert_eq!(ledger.late(), 1);
}

#[test]
fn huge_jumps_are_bounded_and_do_not_wrap() {
    let mut ledger = SequenceLedger::new(u64::MAX);
    assert_eq!(ledger.accept(0), IN_ORDER);
    assert_eq!(ledger.accept(u64::MAX - 1), IN_ORDER);
    assert_eq!(ledger.accept(u64::MAX), Arrival::Beyond);
    assert_eq!(ledger.accept(0), Arrival::Late);
    assert_eq!(ledger.accept(u64::MAX - 1), Arrival::Duplicate);
    assert_eq!(ledger.finish(u64::MAX).map(|counts| counts.lost), Ok(u64::MAX - 2));
}

#[test]
fn a_range_is_counted_apart() {
    let mut ledger = SequenceLedger::with_range(100, Some(10..20));
    for sequence in [0, 9, 10, 11, 11, 19, 20, 15] {
        ledger.accept(sequence);
    }
    assert_eq!(ledger.received_in_range(), Some(4));
    let counts = ledger.finish(50).unwrap();
    assert_eq!(
        counts.range,
        Some(RangeLoss { sent: 10, received: 4, lost: 6, loss_ratio: Fraction::of(0.6, 1.0) })
    );
    assert_eq!(SequenceLedger::with_range(100, None).received_in_range(), None);
    // The transmitter stopped before the range began.
    let none = SequenceLedger::with_range(100, Some(50..60)).finish(10).unwrap().range.unwrap();
    assert_eq!((none.sent, none.lost, none.loss_ratio), (0, 0, None));
}

#[test]
fn ends_that_contradict_each_other_are_an_error() {
    let mut ledger = SequenceLedger::new(10);
    ledger.accept(5);
    assert_eq!(ledger.finish(5), Err(LedgerContradiction::NeverSent { sent: 5, highest: 5 }));
    assert_eq!(
        ledger.finish(11),
        Err(LedgerContradiction::MoreThanPlanned { sent: 11, planned: 10 })
    );
    assert!(ledger.finish(6).is_ok());
}

#[test]
fn nothing_sent_has_no_ratio() {
    let counts = SequenceLedger::new(0).finish(0).unwrap();
    assert_eq!((counts.lost, counts.loss_ratio, counts.reordered_ratio), (0, None, None));
}

/// The same account kept naively, with a set that never forgets.
#[derive(Default)]
struct Model {
    seen: HashSet<u64>,
    next_expected: u64,
}

impl Model {
    fn accept(&mut self, planned: u64, sequence: u64) -> Arrival {
        if sequence >= planned {
            return Arrival::Beyond;
        }
        if u128::from(sequence) + u128::from(DUPLICATE_WINDOW) < u128::from(self.next_expected) {
            return Arrival::Late;
        }
        if !self.seen.insert(sequence) {
            return Arrival::Duplicate;
        }
        let reordered = sequence < self.next_expected;
        self.next_expected = self.next_expected.max(sequence + 1);
        Arrival::New { reordered }
    }
}

/// Steps that stay near, go around the window's edge, or jump anywhere; taken from the highest number so far.
fn step() -> impl Strategy<Value = (u64, bool)> {
    let window = DUPLICATE_WINDOW;
    prop_oneof![
        6 => (0_u64..100, any::<bool>()),
        3 => (window - 200..window + 200, any::<bool>()),
        1 => (any::<u64>(), any::<bool>()),
        1 => (0_u64..40).prop_map(move |n| (n * 64 * WORDS, true)),
    ]
}

proptest! {
    #[test]
    fn agrees_with_a_set_that_never_forgets(
        steps in prop::collection::vec(step(), 1..400),
        planned in prop_oneof![Just(u64::MAX), 1_u64..3_000_000],
    ) {
        let mut ledger = SequenceLedger::with_range(planned, Some(50..90));
        let mut model = Model::default();
        let mut counts = [0_u64; 5];
        for (distance, forward) in steps {
            let at = model.next_expected;
            let sequence =
                if forward { at.saturating_add(distance) } else { at.saturating_sub(distance) };
            let expected = model.accept(planned, sequence);
            prop_assert_eq!(ledger.accept(sequence), expected);
            let kind = match expected {
                IN_ORDER => 0,
                Arrival::New { .. } => 1,
                Arrival::Duplicate => 2,
                Arrival::Late => 3,
                Arrival::Beyond => 4,
            };
            counts[kind] += 1;
        }
        prop_assert_eq!(ledger.received(), model.seen.len() as u64);
        prop_assert_eq!(ledger.received(), counts[0] + counts[1]);
        prop_assert_eq!(ledger.reordered(), counts[1]);
        prop_assert_eq!(ledger.duplicates(), counts[2]);
        prop_assert_eq!(ledger.late(), counts[3]);
        prop_assert_eq!(ledger.beyond(), counts[4]);
        let in_range = model.seen.iter().filter(|s| (50..90).contains(*s)).count() as u64;
        prop_assert_eq!(ledger.received_in_range(), Some(in_range));
        let sent = model.next_expected;
        let balance = ledger.finish(sent).unwrap();
        prop_assert_eq!(balance.received + balance.lost, sent);
    }
}
