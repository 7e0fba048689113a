//! A gateway whose one core serves both directions.

use std::num::{NonZeroU32, NonZeroU64};

use culvert_units::Bytes;
use proptest::prelude::*;

use super::*;
use crate::{Gateway, Path, PathConfig, QueueLimit};

const ENDLESS: QueueLimit = QueueLimit::Time(Duration::MAX);

/// One millisecond a packet.
fn gateway(shared: bool, queue: QueueLimit) -> Gateway {
    let packets_per_second = NonZeroU32::new(1_000);
    Gateway { packets_per_second, bits_per_second: None, queue, shared }
}

fn path(gateway: Gateway) -> Path<u32> {
    let conditions = Conditions { gateway: Some(gateway), ..Conditions::default() };
    let changes = vec![Change { at_ns: 0, conditions }];
    let config =
        PathConfig { toward_far: changes.clone(), toward_near: changes, ..PathConfig::default() };
    Path::new(&config, 1, 0)
}

fn due(verdict: Verdict) -> u64 {
    let Verdict::Kept { due_ns } = verdict else { panic!("{verdict:?}") };
    due_ns
}

#[test]
fn both_directions_have_one_core_between_them() {
    for (shared, last_ms) in [(true, 20), (false, 10)] {
        let mut path = path(gateway(shared, ENDLESS));
        let mut last = (0, 0);
        for _ in 0..10 {
            last.0 = due(path.toward_far.offer(0, packet(100), 0));
            last.1 = due(path.toward_near.offer(0, packet(100), 0));
        }
        assert_eq!(last.1, last_ms * MILLISECOND, "shared: {shared}");
        assert_eq!(last.0, last.1 - if shared { MILLISECOND } else { 0 });
    }
}

#[test]
fn a_direction_has_the_whole_core_while_the_other_is_silent() {
    let mut path = path(gateway(true, ENDLESS));
    assert_eq!(
        (1..=5).map(|_| due(path.toward_near.offer(0, packet(100), 0))).max(),
        Some(5_000_000)
    );
    assert_eq!(due(path.toward_far.offer(9 * MILLISECOND, packet(100), 0)), 10 * MILLISECOND);
}

#[test]
fn packets_of_both_directions_wait_in_one_queue() {
    let mut path = path(gateway(true, QueueLimit::Bytes(Bytes::new(400))));
    // One is handled at once, four wait.
    for _ in 0..2 {
        assert!(kept(&path.toward_far.offer(0, packet(100), 0)));
        assert!(kept(&path.toward_near.offer(0, packet(100), 0)));
    }
    assert!(kept(&path.toward_far.offer(0, packet(100), 0)));
    let dropped = Verdict::Dropped { cause: Cause::GatewayQueue, answer: None };
    assert_eq!(path.toward_near.offer(0, packet(100), 0), dropped);
    assert_eq!(path.toward_far.offer(0, packet(100), 0), dropped);
    assert!(kept(&path.toward_near.offer(MILLISECOND, packet(100), 0)));
}

#[test]
fn one_that_is_offered_later_than_it_came_takes_the_time_that_was_idle() {
    let mut path = path(gateway(true, ENDLESS));
    assert_eq!(due(path.toward_far.offer(5 * MILLISECOND, packet(100), 0)), 6 * MILLISECOND);
    assert_eq!(due(path.toward_near.offer(2 * MILLISECOND, packet(100), 0)), 3 * MILLISECOND);
    // Two milliseconds are left before the first one, one of them not enough for what comes at 4.5 ms.
    assert_eq!(due(path.toward_near.offer(4_500_000, packet(100), 0)), 7 * MILLISECOND);
    // It does not overtake that one, though there would be time.
    assert_eq!(due(path.toward_near.offer(4_500_000, packet(100), 0)), 8 * MILLISECOND);
}

/// Two directions whose threads take turns: each offers what came in during some time, the other one afterwards.
fn in_turns(offers: &[(bool, u64, u32)], turn_ns: u64) -> Vec<(bool, u64, u64, u64)> {
    let bits_per_second = NonZeroU64::new(80_000_000);
    let gateway = Gateway { bits_per_second, ..gateway(true, ENDLESS) };
    let gateway = Gateway { packets_per_second: NonZeroU32::new(20_000), ..gateway };
    let mut path = path(gateway);
    let mut order = offers.to_vec();
    order.sort_by_key(|(is_far, at, _)| (at / turn_ns, *is_far, *at));
    order
        .into_iter()
        .map(|(is_far, at, length)| {
            let way = if is_far { &mut path.toward_far } else { &mut path.toward_near };
            // 50 us for the packet and 0.1 us for each byte.
            let work = 50_000 + u64::from(length) * 100;
            (is_far, at, work, due(way.offer(at, packet(length), 0)))
        })
        .collect()
}

proptest! {
    #[test]
    fn a_shared_core_does_one_thing_at_a_time_and_is_never_idle_for_nothing(
        offers in prop::collection::vec((any::<bool>(), 0_u64..20_000_000, 20_u32..1_500), 1..150),
        turn_ns in 1_u64..300_000,
    ) {
        let served = in_turns(&offers, turn_ns);
        let mut times: Vec<(u64, u64)> =
            served.iter().map(|(_, _, work, done)| (done - work, *done)).collect();
        times.sort_unstable();
        for pair in times.windows(2) {
            // Each end is rounded down by less than a nanosecond.
            prop_assert!(pair[0].1 <= pair[1].0 + 1, "{:?}", pair);
        }
        for is_far in [true, false] {
            let ours = || served.iter().filter(|one| one.0 == is_far);
            prop_assert!(ours().map(|one| one.3).is_sorted());
            prop_assert!(ours().all(|(_, at, work, done)| done - work + 1 >= *at));
        }
        // No later than a core would be that waited out each turn before it did anything.
        let mut latest: Vec<(u64, u64)> = served.iter().map(|one| (one.1, one.2)).collect();
        latest.sort_unstable();
        let bound = latest.iter().fold(0, |free: u64, (at, work)| free.max(at / turn_ns * turn_ns + turn_ns) + work);
        let last = served.iter().map(|one| one.3).max().unwrap();
        prop_assert!(last <= bound, "{} {}", last, bound);
    }
}
