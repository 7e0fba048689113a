use proptest::prelude::*;

use super::*;

const MS: u64 = 1_000_000;

/// 1250 bytes at 10 Mbit/s: one datagram a millisecond.
fn pacer() -> Pacer {
    Pacer::new(10_000_000, 1250, 1, 1_000)
}

#[test]
fn a_burst_is_what_the_pace_carries_meanwhile() {
    // 100 µs at 1 Gbit/s are 12,500 bytes.
    assert_eq!(burst(1_000_000_000, 1250, DEFAULT_BURST_NS), 10);
    assert_eq!(burst(1_000_000_000, 1251, DEFAULT_BURST_NS), 9);
    // At 100 Mbit/s they are 1250.
    assert_eq!(burst(100_000_000, 1200, DEFAULT_BURST_NS), 1);
    assert_eq!(burst(1, 65_507, 0), 1, "at least one packet");
    assert_eq!(burst(u64::MAX, 0, u64::MAX), u64::MAX);
}

#[test]
fn one_a_millisecond_without_drift() {
    let mut pacer = pacer();
    for number in 0..100_000_u64 {
        let due = 1_000 + number * MS;
        assert_eq!(pacer.next_due_ns(), due);
        assert_eq!(pacer.take(due - 1, 64), None);
        assert_eq!(pacer.take(due, 64), Some(Departure { count: 1, due_ns: due }));
    }
    assert_eq!(pacer.dropped_ns(), 0);
}

#[test]
fn a_burst_leaves_together_when_its_first_is_due() {
    // Ten a burst, one burst each 10 ms.
    let mut pacer = Pacer::new(10_000_000, 1250, 10, 0);
    for number in 0..1_000_u64 {
        let due_ns = number * 10 * MS;
        assert_eq!(pacer.take(due_ns, 64), Some(Departure { count: 10, due_ns }));
        assert_eq!(pacer.take(due_ns, 64), None);
    }
    // What a call does not take is the rest of the same burst: late by its half time at most.
    assert_eq!(pacer.take(10_000 * MS, 4).map(|departure| departure.count), Some(4));
    assert_eq!(pacer.next_due_ns(), 10_002 * MS);
    let rest = Departure { count: 6, due_ns: 10_000 * MS };
    assert_eq!(pacer.take(10_002 * MS, 64), Some(rest));
    assert_eq!(pacer.next_due_ns(), 10_010 * MS);
}

#[test]
fn a_short_stall_is_caught_up_at_twice_the_pace() {
    let mut pacer = pacer();
    assert!(pacer.take(1_000, 64).is_some());
    // Eight are owed after 8 ms; one may leave each half millisecond, and the debt is gone after eight more.
    let mut now = 8 * MS + 1_000;
    let mut caught_up = 0;
    while pacer.next_due_ns() <= now {
        assert_eq!(pacer.take(now, 64).map(|departure| departure.count), Some(1));
        assert_eq!(pacer.take(now, 64), None, "no two at one instant");
        caught_up += 1;
        now += MS / 2;
    }
    assert_eq!(caught_up, 15);
    assert_eq!((pacer.next_due_ns(), pacer.dropped_ns()), (16 * MS + 1_000, 0));
}

#[test]
fn a_long_stall_is_dropped_but_for_ten_milliseconds() {
    let mut pacer = pacer();
    assert!(pacer.take(1_000, 64).is_some());
    let after = 501 * MS + 1_000;
    let owed = Departure { count: 1, due_ns: after - LARGEST_DEBT_NS };
    assert_eq!(pacer.take(after, 1_000), Some(owed));
    assert_eq!(pacer.dropped_ns(), 490 * MS);
    assert_eq!(pacer.next_due_ns(), after + MS / 2);
}

/// Eight are owed at the end: as much time is dropped as they stood for.
#[test]
fn what_is_given_up_at_the_end_is_told() {
    let mut pacer = pacer();
    assert!(pacer.take(1_000, 64).is_some());
    pacer.give_up_before(9 * MS + 1_000);
    assert_eq!(pacer.dropped_ns(), 8 * MS);
    let mut complete = self::pacer();
    assert!(complete.take(1_000, 64).is_some());
    complete.give_up_before(MS);
    assert_eq!(complete.dropped_ns(), 0);
}

#[test]
fn what_could_not_leave_is_owed_again() {
    let mut pacer = pacer();
    assert!(pacer.take(1_000, 64).is_some());
    pacer.put_back(1);
    assert_eq!(pacer.next_due_ns(), 1_000);
}

/// A transmitter in virtual time: it asks when something is due, and now and then it is kept from running.
fn departures(pacer: &mut Pacer, stalls: &[(u64, u64)], until: u64) -> Vec<(u64, u64)> {
    let mut left = Vec::new();
    let mut now = 0;
    let mut stalls = stalls.iter().copied().peekable();
    while now < until {
        while let Some((_, length)) = stalls.next_if(|(at, _)| *at <= now) {
            now += length;
        }
        if let Some(departure) = pacer.take(now, u64::MAX) {
            left.push((now, departure.count));
        }
        now = pacer.next_due_ns().max(now + 1);
    }
    left
}

proptest! {
    #[test]
    fn never_ahead_of_the_schedule(
        pace in 1_u64..u64::MAX,
        payload in 32_u16..=65_507,
        burst in 1_u64..1_000,
        waits in prop::collection::vec(0_u64..50_000_000, 1..50),
    ) {
        let mut pacer = Pacer::new(pace, payload, burst, 0);
        let (mut now, mut taken) = (0_u64, 0_u128);
        for wait in waits {
            now += wait;
            taken += u128::from(pacer.take(now, u64::MAX).map_or(0, |departure| departure.count));
            let due = u128::from(now) * u128::from(pace) / (u128::from(payload) * NS_BITS) + 1;
            prop_assert!(taken <= due.next_multiple_of(u128::from(burst)));
        }
    }

    /// Whatever stalls: in no stretch of time does more leave than twice the pace carries, and one burst; and what did
    /// not leave is exactly what was dropped, and told.
    #[test]
    fn stalls_are_caught_up_at_no_more_than_twice_the_pace(
        burst in 1_u64..20,
        stalls in prop::collection::vec((0_u64..900_000_000, 0_u64..40_000_000), 0..12),
    ) {
        let mut stalls = stalls;
        stalls.sort_unstable();
        // One a millisecond.
        let mut pacer = Pacer::new(10_000_000, 1250, burst, 0);
        let left = departures(&mut pacer, &stalls, 3_000 * MS);
        for (index, (from, _)) in left.iter().enumerate() {
            let mut count = 0;
            for (to, some) in &left[index..] {
                count += some;
                prop_assert!(count <= (to - from).div_ceil(MS / 2) + burst);
            }
        }
        let total: u64 = left.iter().map(|(_, count)| count).sum();
        let owed = (3_000 * MS - pacer.dropped_ns()) / MS;
        // The last stall is long over, so that nothing is owed but what is told.
        prop_assert!(total.abs_diff(owed) <= burst + 1, "{total} of {owed}");
        let stalled: u64 = stalls.iter().map(|(_, length)| length).sum();
        prop_assert!(pacer.dropped_ns() <= stalled);
    }
}
