use culvert_pathmodel::Family;
use culvert_stats::CostKind;
use culvert_units::{BitRate, Bytes, Mtu};
use proptest::prelude::*;

use super::*;

/// A path that takes `packet_ns + byte_ns · size` for each packet, behind a queue of so many milliseconds.
#[derive(Debug, Clone, Copy)]
struct Path {
    packet_ns: f64,
    byte_ns: f64,
    queue_ms: f64,
    /// Lost by chance, whatever the rate.
    loss: f64,
    /// The most packets per second that the transmitter reaches.
    transmitter: f64,
}

const CLEAN: Path =
    Path { packet_ns: 4_000.0, byte_ns: 8.0, queue_ms: 0.0, loss: 0.0, transmitter: 1e12 };

impl Path {
    fn carries(&self, ip_bytes: u16) -> f64 {
        1e9 / (self.packet_ns + self.byte_ns * f64::from(ip_bytes))
    }

    fn trial(&self, trial: Trial) -> TrialResult {
        let offered = trial.packets_per_second.min(self.transmitter);
        let seconds = trial.packets as f64 / trial.packets_per_second;
        let sent = whole(trial.packets as f64 * offered / trial.packets_per_second);
        let carries = self.carries(trial.ip_bytes);
        let excess = (offered - carries).max(0.0) * seconds;
        let queued = excess.min(carries * self.queue_ms / 1e3);
        let through = (sent as f64 - (excess - queued)) * (1.0 - self.loss);
        TrialResult {
            sent,
            sent_in_ns: whole(seconds * 1e9),
            received: whole(through.round()).min(sent),
            arrived_per_second: Some(offered.min(carries) * (1.0 - self.loss)),
            // Three quarters of what the whole trial piled up lie between the first quarter and the last.
            delay_rise_us: i64::try_from(whole(0.75 * queued / carries * 1e6)).ok(),
            disturbed: false,
        }
    }

    fn sweep(&self, ask: SweepAsk) -> SweepOutcome {
        let mut planner = SweepPlanner::new(ask);
        for _ in 0..500 {
            let Some(trial) = planner.next_trial() else { return planner.outcome() };
            assert_eq!(planner.next_trial(), Some(trial), "asked twice, the same");
            planner.on_result(trial.number, self.trial(trial));
        }
        panic!("the sweep did not end");
    }
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "small amounts")]
fn whole(value: f64) -> u64 {
    value as u64
}

fn sizes() -> Vec<u16> {
    sweep_sizes(Family::Ipv4, Mtu::ETHERNET, 32)
}

/// RFC 2544 9.1: frames of 64, 128, 256, 512, 1024, 1280 and 1518 bytes, of which 18 are Ethernet's.
#[test]
fn the_sizes_are_rfc_2544s() {
    let frames: Vec<u16> = SWEEP_SIZES.iter().map(|size| size + 18).collect();
    assert_eq!(frames, [64, 128, 256, 512, 1024, 1280, 1518]);
    // 20 bytes of IPv4, 8 of UDP, 32 of our own header are more than the smallest.
    assert_eq!(sizes(), [60, 110, 238, 494, 1006, 1262, 1500]);
    let tunnel = sweep_sizes(Family::Ipv6, Mtu::new(1280).unwrap(), 32);
    assert_eq!(tunnel, [80, 110, 238, 494, 1006, 1262, 1280]);
    assert_eq!(sweep_sizes(Family::Ipv4, Mtu::new(68).unwrap(), 1000), [68]);
}

#[test]
fn the_ends_come_first_and_all_take_turns() {
    let mut planner = SweepPlanner::new(SweepAsk::over(sizes()));
    let mut order = Vec::new();
    for _ in 0..7 {
        let trial = planner.next_trial().unwrap();
        order.push(trial.ip_bytes);
        planner.on_result(trial.number, CLEAN.trial(trial));
    }
    assert_eq!(order, [1500, 60, 1262, 1006, 494, 238, 110]);
}

#[test]
fn both_costs_and_a_prediction() {
    let ask = SweepAsk { check: Some(750), ..SweepAsk::over(sizes()) };
    let outcome = CLEAN.sweep(ask);
    let cost = outcome.cost.unwrap();
    assert!((cost.packet_ns.value / 4_000.0 - 1.0).abs() < 0.05, "{cost:?}");
    assert!((cost.byte_ns.value / 8.0 - 1.0).abs() < 0.05, "{cost:?}");
    let check = outcome.check.unwrap();
    assert_eq!(check.holds, Some(true), "{check:?}");
    let rate = check.measured.packets_per_second.unwrap();
    assert!((rate / CLEAN.carries(750) - 1.0).abs() < 0.011, "{check:?}");
    assert!(outcome.sizes.iter().all(|size| size.held == SizeHeld::Path));
}

/// Two seconds of one percent too much fit into a queue of 20 ms: it must count as too much all the same.
#[test]
fn a_queue_does_not_hide_the_limit() {
    let queued = Path { queue_ms: 400.0, ..CLEAN };
    let outcome = queued.sweep(SweepAsk::over(sizes()));
    for size in &outcome.sizes {
        let off = size.point(0.0).unwrap().middle() / queued.carries(size.ip_bytes) - 1.0;
        assert!(off.abs() < 0.02, "{size:?} {off}");
    }
}

#[test]
fn a_limiter_is_told() {
    let limiter = Path { packet_ns: 0.0, byte_ns: 80.0, ..CLEAN };
    assert_eq!(limiter.sweep(SweepAsk::over(sizes())).cost.unwrap().kind, CostKind::BitLimiter);
}

#[test]
fn what_did_not_find_the_path_is_no_part_of_the_fit() {
    let capped =
        SweepAsk { rate_cap_bps: Some(BitRate::from_megabits(50)), ..SweepAsk::over(sizes()) };
    let outcome = CLEAN.sweep(capped);
    let held = |size: u16| outcome.sizes.iter().find(|one| one.ip_bytes == size).unwrap().held;
    assert_eq!((held(1500), held(60)), (SizeHeld::RateCap, SizeHeld::RateCap));
    assert_eq!(outcome.cost, None);
    let weak = Path { transmitter: 90_000.0, ..CLEAN };
    let outcome = weak.sweep(SweepAsk::over(sizes()));
    assert_eq!(outcome.sizes[0].held, SizeHeld::Transmitter);
    assert_eq!(outcome.sizes[6].held, SizeHeld::Path);
    let cap = SweepAsk { packet_rate_cap: Some(1_000.0), ..SweepAsk::over(sizes()) };
    assert!(CLEAN.sweep(cap).sizes.iter().all(|size| size.held == SizeHeld::RateCap));
}

#[test]
fn a_path_that_loses_by_chance_ends_without_a_figure() {
    let outcome = Path { loss: 0.05, ..CLEAN }.sweep(SweepAsk::over(sizes()));
    assert!(outcome.sizes.iter().all(|size| size.packets_per_second.is_none()));
    assert_eq!(outcome.cost, None);
}

/// A path that slows down after the first trials takes the figure of a size that had passed at more with it.
#[test]
fn a_path_that_slows_down_gives_no_point() {
    let mut planner = SweepPlanner::new(SweepAsk::over(vec![1000]));
    while let Some(trial) = planner.next_trial() {
        let byte_ns = if trial.number < 4 { 8.0 } else { 200.0 };
        planner.on_result(trial.number, Path { byte_ns, ..CLEAN }.trial(trial));
    }
    let figure = planner.outcome().sizes[0];
    assert_eq!((figure.held, figure.point(0.0)), (SizeHeld::Inconsistent, None), "{figure:?}");
}

/// A processor that drops half of what it is offered too much of carries the lower rate all the same.
#[test]
fn a_path_that_carries_less_the_more_it_is_offered_is_enclosed() {
    let mut planner = SweepPlanner::new(SweepAsk::over(vec![1000]));
    while let Some(trial) = planner.next_trial() {
        let overrun = trial.packets_per_second > CLEAN.carries(1000);
        let loss = if overrun { 0.5 } else { 0.0 };
        planner.on_result(trial.number, Path { loss, ..CLEAN }.trial(trial));
    }
    let figure = planner.outcome().sizes[0];
    let rate = figure.point(0.0).unwrap().middle();
    assert!((rate / CLEAN.carries(1000) - 1.0).abs() < 0.01, "{figure:?}");
}

#[test]
fn the_budget_holds() {
    for budget in [0, 100_000, 50_000_000, 200_000_000] {
        let ask = SweepAsk { byte_budget: Some(Bytes::new(budget)), ..SweepAsk::over(sizes()) };
        let outcome = CLEAN.sweep(ask);
        assert!(outcome.sent_bytes <= budget, "{budget}: {}", outcome.sent_bytes);
        assert!(outcome.sizes.iter().all(|size| size.held != SizeHeld::Pending), "{outcome:?}");
    }
}

proptest! {
    #[test]
    fn both_costs_are_found(
        packet_ns in 800.0_f64..40_000.0, byte_ns in 1.0_f64..80.0, queue_ms in 0.0_f64..300.0, first in 10_u64..1000,
    ) {
        prop_assume!(packet_ns > 0.2 * byte_ns * 1500.0 && byte_ns * 1500.0 > 0.2 * packet_ns);
        let path = Path { packet_ns, byte_ns, queue_ms, ..CLEAN };
        let ask = SweepAsk { first_bps: BitRate::from_megabits(first), resolution: 0.005, ..SweepAsk::over(sizes()) };
        let most = ask.trials_per_size;
        let outcome = path.sweep(ask);
        prop_assert!(outcome.sizes.iter().all(|size| size.trials <= most && size.held == SizeHeld::Path), "{:?}", outcome);
        let cost = outcome.cost.unwrap();
        prop_assert!((cost.packet_ns.value / packet_ns - 1.0).abs() < 0.05, "{:?}", cost);
        prop_assert!((cost.byte_ns.value / byte_ns - 1.0).abs() < 0.05, "{:?}", cost);
    }

    #[test]
    fn absurd_results_do_not_panic(
        sizes in prop::collection::vec(any::<u16>(), 0..8), check: Option<u16>, cap in any::<Option<f64>>(),
        results in prop::collection::vec((any::<u64>(), any::<u64>(), any::<u64>(), any::<Option<f64>>(), any::<Option<i64>>()), 0..200),
    ) {
        let ask = SweepAsk { check, packet_rate_cap: cap, ..SweepAsk::over(sizes) };
        let bound = (ask.sizes.len() + 1) * ask.trials_per_size as usize;
        let mut planner = SweepPlanner::new(ask);
        for (sent, sent_in_ns, received, arrived_per_second, delay_rise_us) in results {
            let Some(trial) = planner.next_trial() else { break };
            prop_assert!(trial.packets_per_second > 0.0);
            planner.on_result(trial.number.wrapping_add(1), TrialResult::default());
            planner.on_result(trial.number, TrialResult { sent, sent_in_ns, received, arrived_per_second, delay_rise_us, disturbed: false });
        }
        let _ = planner.outcome();
        prop_assert!(planner.trials().len() <= bound);
    }
}
