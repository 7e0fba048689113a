//! Bounds beside each other; all values are our own arithmetic.

use std::time::Duration;

use culvert_units::{BitRate, Bytes, Explain};
use proptest::prelude::*;

use super::{question, rounds_to};
use crate::{
    BoundKind, Conditions, LossPattern, LossRatio, LossResponse, ModelError, Outlook, ceiling,
    cubic_window, outlook, reno_bound, reno_loss, reno_window,
};

const BARE: Conditions = Conditions {
    rtt: Duration::from_millis(50),
    window: None,
    buffer: None,
    loss: None,
    control: LossResponse::Cubic,
};

fn wireguard(conditions: &Conditions) -> Outlook {
    let headers = ceiling(&question("wireguard")).unwrap();
    let segment = Bytes::new(headers.tcp_payload.into());
    outlook(headers.tcp, BitRate::from_megabits(1000), segment, conditions).unwrap()
}

/// WireGuard at 1420 on 1 Gbit/s Ethernet with timestamps, 50 ms: headers leave 901.186 Mbit/s, a window of 4 MiB
/// 671.089, a loss of 1e-5 with CUBIC 137.152 in 626.61 segments of 1368.
#[test]
fn the_smallest_bound_is_named() {
    let headers = wireguard(&BARE);
    assert_eq!(headers.smallest, BoundKind::Headers);
    assert!(rounds_to(headers.tcp.megabits(), 901.186, 3));
    assert_eq!(headers.bandwidth_delay_product, Bytes::new(6_250_000));
    assert_eq!((headers.window_scale, headers.connections_to_fill), (Some(7), None));

    let windowed = Conditions { window: Some(Bytes::new(4 << 20)), ..BARE };
    let window = wireguard(&windowed);
    assert_eq!((window.smallest, window.connections_to_fill), (BoundKind::Window, Some(2)));
    assert!(rounds_to(window.tcp.megabits(), 671.089, 3));

    let lossy = Conditions { loss: LossRatio::new(1e-5), ..windowed };
    let loss = wireguard(&lossy);
    assert_eq!(loss.smallest, BoundKind::LossCubic);
    assert!(rounds_to(loss.tcp.megabits(), 137.152, 3));
    assert!(rounds_to(cubic_window(LossRatio::new(1e-5).unwrap(), BARE.rtt), 626.61, 2));
    // What would do no harm does not depend on the loss there is.
    assert_eq!(loss.loss_without_harm, window.loss_without_harm);

    let small = wireguard(&Conditions { buffer: Some(Bytes::new(65_536)), ..lossy });
    assert_eq!(small.smallest, BoundKind::Buffer);
}

/// The same path with Reno and a loss of 1e-5: 0.93 * 1368 * 8 / (0.05 * sqrt(1e-5)) is 64.37 Mbit/s; with the square root
/// of 3/2, cut to 1.22, 84.443; with 379.47 segments of RFC 3649, 83.059. That window stops being the limit below a loss
/// of 1.532e-7.
#[test]
fn reno_on_the_same_path() {
    let lossy = Conditions { loss: LossRatio::new(1e-5), control: LossResponse::Reno, ..BARE };
    let found = wireguard(&lossy);
    assert_eq!(found.smallest, BoundKind::LossReno);
    assert!(rounds_to(found.tcp.megabits(), 64.37, 2), "{}", found.tcp);
    let (segment, loss) = (Bytes::new(1368), LossRatio::new(1e-5).unwrap());
    let periodic = reno_bound(segment, BARE.rtt, loss, LossPattern::PeriodicImmediate).unwrap();
    assert!(rounds_to(periodic.megabits() / 1.5_f64.sqrt() * 1.22, 84.443, 3));
    assert!(rounds_to(reno_window(loss), 379.47, 2));
    assert!(rounds_to(reno_window(loss) * 1368.0 * 8.0 / 0.05 / 1e6, 83.059, 3));
    let window = 671.088_64e6 * 0.05 / (8.0 * 1368.0);
    assert!(rounds_to(reno_loss(window).unwrap().get() * 1e7, 1.532, 3));
}

/// Loss that the outlook calls harmless leaves the other bounds as the smallest, and twice as much does not.
#[test]
fn harmless_loss_does_no_harm() {
    for control in [LossResponse::Cubic, LossResponse::Reno] {
        let windowed = Conditions { window: Some(Bytes::new(4 << 20)), control, ..BARE };
        let harmless = wireguard(&windowed).loss_without_harm.unwrap().get();
        let with = |ratio| wireguard(&Conditions { loss: LossRatio::new(ratio), ..windowed });
        assert_eq!(with(harmless * 0.999).smallest, BoundKind::Window, "{control:?}");
        assert_ne!(with(harmless * 1.001).smallest, BoundKind::Window, "{control:?}");
    }
}

#[test]
fn frequent_loss_counts_timeouts() {
    let found = wireguard(&Conditions { loss: LossRatio::new(0.05), ..BARE });
    assert_eq!(found.smallest, BoundKind::LossTimeouts);
    assert!(found.bounds.iter().all(|bound| bound.holds || !bound.counts));
}

#[test]
fn no_round_trip_time_is_refused() {
    let (rate, segment) = (BitRate::from_megabits(1), Bytes::new(1368));
    let error = outlook(rate, rate, segment, &Conditions { rtt: Duration::ZERO, ..BARE });
    assert_eq!(error, Err(ModelError::NoRoundTrip));
    assert!(error.unwrap_err().hint().is_some());
}

#[test]
fn times_are_written_in_microseconds() {
    let text = serde_json::to_value(wireguard(&BARE)).unwrap();
    assert_eq!(text["conditions"]["rtt_us"], 50_000.0);
    assert!(text["slow_start_us"].as_f64().is_some_and(|time| time > 400_000.0));
    assert_eq!(text["smallest"], "headers");
}

proptest! {
    #[test]
    fn no_conditions_panic(
        headers: u64, bottleneck: u64, segment: u64, micros: u64,
        window: Option<u64>, buffer: Option<u64>, loss: f64, reno: bool,
    ) {
        let conditions = Conditions {
            rtt: Duration::from_micros(micros),
            window: window.map(Bytes::new),
            buffer: buffer.map(Bytes::new),
            loss: LossRatio::new(loss),
            control: if reno { LossResponse::Reno } else { LossResponse::Cubic },
        };
        let rate = BitRate::from_bits_per_second;
        if let Ok(found) = outlook(rate(headers), rate(bottleneck), Bytes::new(segment), &conditions) {
            prop_assert!(found.tcp <= rate(headers));
        }
    }
}
