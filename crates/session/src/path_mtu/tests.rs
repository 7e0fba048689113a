use std::collections::VecDeque;

use culvert_units::Mtu;
use proptest::prelude::*;

use super::*;

const MS: u64 = 1_000_000;

enum Reply {
    Arrived,
    TooBig(u16),
}

/// A path in virtual time that carries packets up to `mtu`.
struct Path {
    mtu: u16,
    round_trip_ns: u64,
    /// Whether a router answers what is too big, and with which size.
    answers: Option<u16>,
    /// Takes a probe that fits away.
    drops: Box<dyn FnMut(Probe, u32) -> bool>,
    /// How many probes of the same size in a row were taken away.
    in_a_row: (u16, u32),
}

impl Path {
    fn of(mtu: u16) -> Self {
        Self {
            mtu,
            round_trip_ns: 40 * MS,
            answers: None,
            drops: Box::new(|_, _| false),
            in_a_row: (0, 0),
        }
    }

    fn answering(mtu: u16, says: u16) -> Self {
        Self { answers: Some(says), ..Self::of(mtu) }
    }

    /// Runs a search to its end and gives its outcome and how long it took by the path's clock.
    fn run(&mut self, ask: PathMtuAsk) -> (PathMtuOutcome, u64) {
        let mut now = 5_000;
        let mut search = PathMtuSearch::new(ask, now);
        let mut replies: VecDeque<(u64, Probe, Reply)> = VecDeque::new();
        for _ in 0..10_000 {
            while let Some(probe) = search.poll_probe(now) {
                replies.extend(
                    self.carry(probe).map(|reply| (now + self.round_trip_ns, probe, reply)),
                );
            }
            if let Some(outcome) = search.outcome().copied() {
                assert_eq!(search.poll_timeout(), None);
                assert_eq!(search.poll_probe(now), None);
                return (outcome, now - 5_000);
            }
            let due = search.poll_timeout().expect("a search under way has a next time");
            if replies.front().is_some_and(|(at, _, _)| *at <= due)
                && let Some((at, probe, reply)) = replies.pop_front()
            {
                now = at;
                match reply {
                    Reply::TooBig(mtu) => search.on_too_big(probe.id, mtu, now),
                    Reply::Arrived => search.on_acknowledged(probe.id, now),
                }
            } else {
                now = due;
                search.handle_timeout(now);
            }
        }
        panic!("the search did not end");
    }

    /// What comes back of a probe, if anything does.
    fn carry(&mut self, probe: Probe) -> Option<Reply> {
        if probe.ip_bytes > self.mtu {
            return self.answers.map(Reply::TooBig);
        }
        let row = if self.in_a_row.0 == probe.ip_bytes { self.in_a_row.1 } else { 0 };
        let dropped = (self.drops)(probe, row);
        self.in_a_row = (probe.ip_bytes, if dropped { row + 1 } else { 0 });
        (!dropped).then_some(Reply::Arrived)
    }
}

fn ask(family: Family, interface: u16) -> PathMtuAsk {
    PathMtuAsk::new(family, Mtu::new(interface).unwrap()).unwrap()
}

fn mtus(sizes: &[u16]) -> Vec<Mtu> {
    sizes.iter().map(|size| Mtu::new(*size).unwrap()).collect()
}

/// RFC 8899 5.1.2: base 1200 for IPv4, least 68; IPv6 links carry 1280 (RFC 8200 section 5).
#[test]
fn the_constants_are_the_rfcs() {
    let first = |family, interface| {
        PathMtuSearch::new(ask(family, interface), 0).poll_probe(0).map(|p| p.ip_bytes)
    };
    assert_eq!(first(Family::Ipv4, 1500), Some(1200));
    assert_eq!(first(Family::Ipv4, 600), Some(600));
    assert_eq!(first(Family::Ipv6, 1500), Some(1280));
    assert_eq!((MAX_PROBES, LEAST_TIMEOUT_NS), (3, 1_000_000_000));
    let too_small = PathMtuAsk::new(Family::Ipv6, Mtu::new(1279).unwrap());
    assert!(too_small.is_err());
}

/// RFC 9293 3.7.1: the default MSS is 536 for IPv4 and 1220 for IPv6, the MTUs that every host takes (576, 1280) less the
/// fixed headers; RFC 879 section 7 has 536 for the 576 too. RFC 8085 3.2: the payload is the PMTU less IP header and 8.
#[test]
fn what_an_mtu_allows() {
    assert_eq!((tcp_mss(Family::Ipv4, 576), tcp_mss(Family::Ipv6, 1280)), (Some(536), Some(1220)));
    assert_eq!(udp_payload(Family::Ipv4, 1500), Some(1472));
    assert_eq!(Probe { id: 0, ip_bytes: 1500 }.udp_payload(Family::Ipv6), Some(1452));
    assert_eq!((tcp_mss(Family::Ipv4, 39), udp_payload(Family::Ipv6, 47)), (None, None));
}

/// A path of Ethernet alone is found in two probes and a confirmation.
#[test]
fn an_open_path_is_quick() {
    let (outcome, took) = Path::of(1500).run(ask(Family::Ipv4, 1500));
    assert_eq!((outcome.verdict, outcome.largest_passing), (PathMtuVerdict::AtCeiling, Some(1500)));
    assert_eq!((outcome.smallest_failing, outcome.above), (None, Above::Unknown));
    assert_eq!((outcome.probes, took), (3, 120 * MS));
}

/// The tunnel's MTU as the model predicts it, here `WireGuard`'s default of 1420 bytes: one size fails and is confirmed.
#[test]
fn a_right_prediction_saves_the_search() {
    let (outcome, took) = Path::of(1420).run(ask(Family::Ipv4, 9000).likely_first(&mtus(&[1420])));
    assert_eq!((outcome.verdict, outcome.largest_passing), (PathMtuVerdict::Exact, Some(1420)));
    assert_eq!((outcome.smallest_failing, outcome.above), (Some(1421), Above::Vanish));
    assert_eq!(outcome.probes, 1 + 1 + 3 + 3 + 1);
    assert_eq!(took, 6_000 * MS + 3 * 40 * MS);
}

/// RFC 8899 4.6.2: a router's size is probed at once, and never taken without a probe.
#[test]
fn an_honest_router_is_a_short_cut() {
    let (outcome, took) = Path::answering(1437, 1437).run(ask(Family::Ipv4, 1500));
    assert_eq!((outcome.verdict, outcome.largest_passing), (PathMtuVerdict::Exact, Some(1437)));
    assert_eq!(outcome.above, Above::Answered { mtu: 1437 });
    let (_, silent) = Path::of(1437).run(ask(Family::Ipv4, 1500));
    assert!(took < silent / 2, "{took} {silent}");
}

/// A router that says less, or more, or nonsense leads nowhere: the result is what passes.
#[test]
fn a_lying_router_does_not_decide() {
    for says in [0, 67, 68, 500, 1200, 1300, 1399, 1401, 1450, 1499, 1500, u16::MAX] {
        let (outcome, _) = Path::answering(1400, says).run(ask(Family::Ipv4, 1500));
        assert_eq!(outcome.largest_passing, Some(1400), "says {says}: {outcome:?}");
        assert_eq!(outcome.smallest_failing, Some(1401), "says {says}");
        assert_eq!(outcome.verdict, PathMtuVerdict::Exact, "says {says}");
        assert_eq!(
            outcome.hints_rejected > 0,
            !(68..1500).contains(&says) || says > 1400,
            "says {says}: {outcome:?}"
        );
    }
}

#[test]
fn a_host_that_refuses_is_told_from_a_black_hole() {
    let mut search = PathMtuSearch::new(ask(Family::Ipv4, 1500), 0);
    let mut now = 0;
    while search.outcome().is_none() {
        now += MS;
        if let Some(probe) = search.poll_probe(now) {
            if probe.ip_bytes > 1480 {
                search.on_refused_here(probe.id, now);
            } else {
                search.on_acknowledged(probe.id, now);
            }
        }
    }
    let outcome = search.outcome().unwrap();
    assert_eq!((outcome.largest_passing, outcome.above), (Some(1480), Above::RefusedHere));
    assert_eq!((outcome.verdict, outcome.lost), (PathMtuVerdict::Exact, 0));
}

#[test]
fn a_silent_peer_is_bounded_and_says_nothing_of_sizes() {
    let mut silent = Path { drops: Box::new(|_, _| true), ..Path::of(1500) };
    let (outcome, took) = silent.run(ask(Family::Ipv4, 1500));
    assert_eq!((outcome.verdict, outcome.largest_passing), (PathMtuVerdict::Silent, None));
    assert_eq!((outcome.probes, took), (6, 6_000 * MS));
    assert_eq!(outcome.above, Above::Unknown);
}

#[test]
fn the_bounds_end_a_search_and_what_is_known_is_kept() {
    let (outcome, took) = Path::of(1333).run(ask(Family::Ipv4, 9000).at_most(1000, 5_000 * MS));
    assert_eq!((outcome.verdict, took), (PathMtuVerdict::Unfinished, 5_000 * MS));
    assert_eq!(outcome.largest_passing, Some(1200));
    assert_eq!(outcome.smallest_failing, Some(9000));
    let (outcome, _) = Path::of(1333).run(ask(Family::Ipv4, 9000).at_most(8, u64::MAX));
    assert_eq!((outcome.verdict, outcome.probes), (PathMtuVerdict::Unfinished, 8));
    let mut stopped = PathMtuSearch::new(ask(Family::Ipv4, 1500), 0);
    stopped.stop(9);
    assert_eq!(stopped.outcome().map(|outcome| outcome.elapsed_ns), Some(9));
}

/// RFC 8899 4.3: when the largest size stops passing the search begins again at the base.
#[test]
fn a_path_that_shrinks_is_searched_again() {
    let mut shrinks = Path::of(1500);
    shrinks.drops = Box::new(|probe, _| probe.id >= 2 && probe.ip_bytes > 1290);
    let (outcome, _) = shrinks.run(ask(Family::Ipv4, 1500));
    assert_eq!((outcome.verdict, outcome.largest_passing), (PathMtuVerdict::Exact, Some(1290)));
    assert_eq!(outcome.restarts, 1);
}

/// Each size passes once, then not three times, and so on: no size can be trusted.
#[test]
fn a_path_that_flaps_is_unstable() {
    let mut flaps = Path::of(1500);
    let mut probes_of = std::collections::HashMap::<u16, u32>::new();
    flaps.drops = Box::new(move |probe, _| {
        let probes = probes_of.entry(probe.ip_bytes).or_default();
        *probes += 1;
        *probes % 4 != 1
    });
    let (outcome, _) = flaps.run(ask(Family::Ipv4, 1500));
    assert_eq!((outcome.verdict, outcome.largest_passing), (PathMtuVerdict::Unstable, None));
    assert!((1..=MOST_RESTARTS + 1).contains(&outcome.restarts), "{outcome:?}");
}

/// One of the smallest links there are, and one below the base.
#[test]
fn small_paths_are_found_too() {
    for mtu in [68, 69, 576, 1006, 1199, 1200, 1201] {
        let (outcome, _) = Path::of(mtu).run(ask(Family::Ipv4, 1500));
        assert_eq!((outcome.largest_passing, outcome.smallest_failing), (Some(mtu), Some(mtu + 1)));
        assert_eq!(outcome.verdict, PathMtuVerdict::Exact, "{mtu}");
    }
    let (outcome, _) = Path::of(1100).run(ask(Family::Ipv6, 1500));
    assert_eq!(
        outcome.verdict,
        PathMtuVerdict::Silent,
        "a link below 1280 carries no IPv6 of full size"
    );
}

#[test]
fn acknowledgments_that_come_late_count() {
    // A round trip of 2.5 s, longer than the time waited for.
    let mut slow = Path { round_trip_ns: 2_500 * MS, ..Path::of(1407) };
    let (outcome, _) = slow.run(ask(Family::Ipv4, 1500).wait_for(1_200 * MS));
    assert_eq!((outcome.verdict, outcome.largest_passing), (PathMtuVerdict::Exact, Some(1407)));
}

proptest! {
    /// To the byte wherever at most two probes in a row of a size that fits are lost, and in bounded time and number.
    #[test]
    fn exact_when_losses_are_bounded(
        ipv6: bool, mtu in 68_u16..=9000, interface in 576_u16..=9000, seed: u64,
        most in 0_u32..=2, answers: Option<u16>, likely in prop::collection::vec(68_u16..9000, 0..6),
    ) {
        let (family, mtu, interface) = if ipv6 {
            (Family::Ipv6, mtu.max(1280), interface.max(1280))
        } else {
            (Family::Ipv4, mtu, interface)
        };
        let mut path = Path { answers, ..Path::of(mtu) };
        path.drops = Box::new(move |probe, row| row < most && (seed >> (probe.id % 64)) & 1 == 1);
        let (outcome, took) = path.run(ask(family, interface).likely_first(&mtus(&likely)));
        let truth = mtu.min(interface);
        prop_assert_eq!(outcome.largest_passing, Some(truth), "{:?}", outcome);
        let verdict = if mtu < interface { PathMtuVerdict::Exact } else { PathMtuVerdict::AtCeiling };
        prop_assert_eq!(outcome.verdict, verdict);
        prop_assert_eq!(outcome.smallest_failing, (mtu < interface).then_some(mtu + 1));
        // Fourteen halvings, four likely sizes and four hints twice each, two confirmations: each at most three probes.
        prop_assert!(outcome.probes <= 3 * (14 + 8 + 8 + 4), "{:?}", outcome);
        prop_assert!(took <= outcome.probes * LEAST_TIMEOUT_NS);
    }

    /// A size that lost all three probes by chance is found out by the three that confirm it.
    #[test]
    fn three_lost_by_chance_are_found_out(mtu in 1280_u16..=1500, unlucky in 1201_u16..=1500, seed: u64) {
        let mut path = Path::of(mtu);
        let mut taken = 0;
        path.drops = Box::new(move |probe, row| {
            let take = probe.ip_bytes == unlucky && taken < 3 && row < 5;
            taken += u32::from(take);
            take || (row < 2 && (seed >> (probe.id % 64)) & 1 == 1 && probe.ip_bytes != unlucky)
        });
        let (outcome, _) = path.run(ask(Family::Ipv4, 1500));
        prop_assert_eq!((outcome.largest_passing, outcome.verdict), (Some(mtu), match mtu {
            1500 => PathMtuVerdict::AtCeiling,
            _ => PathMtuVerdict::Exact,
        }), "{:?}", outcome);
    }

    /// Losses without a bound: it never claims more than passes, and ends.
    #[test]
    fn never_claims_more_than_passes(mtu in 68_u16..=9000, loss in 0.0_f64..1.0, seed: u64, answers: Option<u16>) {
        let mut path = Path { answers, ..Path::of(mtu) };
        let mut state = seed | 1;
        path.drops = Box::new(move |_, _| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((state >> 33) as f64 / f64::from(1_u32 << 31)) < loss
        });
        let (outcome, took) = path.run(ask(Family::Ipv4, 9000).at_most(150, 90_000 * MS));
        prop_assert!(outcome.largest_passing.is_none_or(|passing| passing <= mtu), "{:?}", outcome);
        prop_assert!(outcome.probes <= 150 && took <= 90_000 * MS + LEAST_TIMEOUT_NS);
        if let (Some(passing), Some(failing)) = (outcome.largest_passing, outcome.smallest_failing) {
            prop_assert!(passing < failing);
        }
    }

    /// Whatever is called, in whatever order, with whatever times: no panic, and an end.
    #[test]
    fn absurd_calls_do_not_panic(
        calls in prop::collection::vec((0_u8..6, any::<u32>(), any::<u16>(), any::<u64>()), 0..300),
    ) {
        let mut search = PathMtuSearch::new(ask(Family::Ipv4, 1500), 0);
        for (call, id, size, now) in calls {
            let id = if id % 3 == 0 { id } else { id % 40 };
            let now = if now % 2 == 0 { now } else { now % 100_000_000_000 };
            match call {
                0 => { let _ = search.poll_probe(now); }
                1 => search.on_acknowledged(id, now),
                2 => search.on_too_big(id, size, now),
                3 => search.on_refused_here(id, now),
                4 => search.handle_timeout(now),
                _ => { let _ = search.poll_timeout(); }
            }
        }
        search.handle_timeout(u64::MAX);
        prop_assert!(search.outcome().is_some());
    }
}
