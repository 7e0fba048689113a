use super::*;

/// Probes every 50 ms with `there` and `back` on the path, to a far clock that is `ahead` and gains `ppm`, and that is set
/// forward by `step` at half time.
fn exchanges(count: i64, ahead: i64, ppm: i64, step: i64) -> Vec<ExchangeTimes> {
    let far = |near: i64| {
        let stepped = if near > count * 25_000_000 { step } else { 0 };
        near + ahead + near / 1_000_000 * ppm + stepped
    };
    (0..count)
        .map(|number| {
            let near_sent = number * 50_000_000;
            let queue = (number * 7_919 % 5) * 1_000_000;
            let (there, back) = (5_000_000 + queue, 9_000_000 + (4_000_000 - queue));
            ExchangeTimes {
                near_sent,
                far_received: far(near_sent + there),
                far_sent: far(near_sent + there + 20_000),
                near_received: near_sent + there + 20_000 + back,
            }
        })
        .collect()
}

/// The truth is what the exchanges were made from: the least delay there is 5 ms, back 9 ms.
#[test]
fn a_one_way_delay_lies_within_its_error() {
    for ppm in [-40, 0, 25] {
        for ahead in [-1_000_000_000, 77, 3_000_000_000_000] {
            let made = exchanges(200, ahead, ppm, 0);
            let view = ClockView::of(&made).expect("exchanges");
            assert!(view.drift_seen && view.step.is_none(), "{view:?}");
            assert!((view.drift.ratio * 1e6 - ppm as f64).abs() < 2.0, "{view:?}");
            let relation = view.relation.expect("related");
            for one in made.iter().filter(|one| one.near_sent % 250_000_000 == 0) {
                let delay = relation.toward_far(one.near_sent, one.far_received - one.near_sent);
                assert!(delay.delay_ns.abs_diff(5_000_000) <= delay.error_ns, "{delay:?}");
                // Both least delays are of use: half of 14 ms, and what the stamps and the drift may be off.
                assert!(delay.error_ns < 7_200_000, "{delay:?}");
            }
        }
    }
}

#[test]
fn a_clock_that_is_set_is_noticed() {
    for step in [30_000_000, -30_000_000, 5_000_000_000] {
        let view = ClockView::of(&exchanges(200, 1_000, 10, step)).expect("exchanges");
        let by_ns = view.step.expect("a step").by_ns;
        assert_eq!((view.relation, by_ns.signum()), (None, step.signum()));
    }
}

#[test]
fn a_new_route_is_no_step() {
    let mut made = exchanges(200, 0, 0, 0);
    for one in made.iter_mut().skip(100) {
        one.far_received += 3_000_000;
        one.far_sent += 3_000_000;
        one.near_received += 3_000_000;
    }
    let view = ClockView::of(&made).expect("exchanges");
    assert!(view.step.is_none() && view.relation.is_some(), "{view:?}");
}

#[test]
fn nothing_follows_from_nothing() {
    assert_eq!(ClockView::of(&[]), None);
    let wild = ExchangeTimes {
        near_sent: i64::MAX,
        far_received: i64::MIN,
        far_sent: i64::MAX,
        near_received: i64::MIN,
    };
    let view = ClockView::of(&[wild, wild]).expect("exchanges");
    assert!(view.relation.is_none());
}
