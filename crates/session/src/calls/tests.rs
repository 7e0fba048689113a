use proptest::prelude::*;

use super::*;
use crate::pacing::Pacer;

const GOOD: CallMeasure = CallMeasure {
    sent: 6_000,
    lost: 0,
    longest_loss_run: Some(0),
    mean_delay_ms: Some((40.0, 2.0)),
    mean_round_trip_ms: Some(81.0),
    pdv_p99_ms: Some(8.0),
    pdv_p999_ms: Some(20.0),
};

/// RFC 3551 4.5.14 and 4.2: G.711 has 8000 samples of a byte a second, 160 in 20 ms; RFC 3550 5.1: 12 bytes of RTP.
#[test]
fn a_packet_is_200_bytes_every_20_ms() {
    assert_eq!(u64::from(CALL_PAYLOAD) - 12, 8000 / CALL_PACKETS_PER_SECOND);
    assert_eq!(CALL_PAYLOAD + 8 + 20, 200);
    let pacer = Pacer::new(CALL_PACE.bits_per_second(), CALL_PAYLOAD, 1, 0);
    let mut taken = pacer.clone();
    for packet in 0..3_000_u64 {
        assert_eq!(taken.next_due_ns(), packet * 20_000_000);
        assert_eq!(taken.take(packet * 20_000_000, 9).map(|departure| departure.count), Some(1));
    }
}

#[test]
fn the_parts_and_their_volume() {
    let parts = call_parts(60_000);
    assert_eq!(parts.map(|part| part.packets), [3_000; 3]);
    assert_eq!(parts[0].beside, Beside::Alone);
    // 9000 packets of 200 bytes each way.
    assert_eq!(call_bytes(&parts, 28), Bytes::new(3_600_000));
}

#[test]
fn a_good_path_is_fit_and_each_fault_is_named() {
    let good = GOOD.assess();
    assert_eq!(good.fit(), Kept::Yes);
    assert!(!good.delay_from_round_trip);
    // 48 ms by Id = 0.024 d: 93.2 − 1.152; the formula is from memory.
    assert!((good.rating.unwrap().rating - 92.048).abs() < 1e-9);
    // 1.5 % of 6000 is above 1 % beyond doubt, 1.02 % is not, and neither is nothing lost of 100 below it.
    let lossy = CallMeasure { lost: 90, ..GOOD }.assess();
    assert_eq!((lossy.loss, lossy.fit()), (Kept::No, Kept::No));
    let unsure = CallMeasure { lost: 61, ..GOOD }.assess();
    assert_eq!((unsure.loss, unsure.fit()), (Kept::Unknown, Kept::Unknown));
    assert_eq!(CallMeasure { sent: 100, ..GOOD }.assess().loss, Kept::Unknown);
    let uncounted = CallMeasure { longest_loss_run: None, ..GOOD }.assess();
    assert_eq!((uncounted.loss_run, uncounted.fit()), (Kept::Unknown, Kept::Unknown));
    let bursty = CallMeasure { lost: 4, longest_loss_run: Some(4), ..GOOD }.assess();
    assert_eq!((bursty.loss, bursty.loss_run), (Kept::Yes, Kept::No));
    let uneven = CallMeasure { pdv_p99_ms: Some(41.0), ..GOOD }.assess();
    assert_eq!((uneven.variation, uneven.fit()), (Kept::No, Kept::No));
    let far = CallMeasure { mean_delay_ms: Some((160.0, 5.0)), ..GOOD }.assess();
    assert_eq!((far.delay_good, far.delay_bearable), (Kept::No, Kept::Yes));
}

/// Half a round trip says only that one way took no more than all of it.
#[test]
fn without_clocks_half_the_round_trip_stands_in() {
    let unsure = CallMeasure { mean_delay_ms: None, mean_round_trip_ms: Some(100.0), ..GOOD };
    assert_eq!(unsure.assess().delay_good, Kept::Yes);
    assert!(unsure.assess().delay_from_round_trip);
    let longer = CallMeasure { mean_round_trip_ms: Some(200.0), ..unsure }.assess();
    assert_eq!((longer.delay_good, longer.fit()), (Kept::Unknown, Kept::Unknown));
    let nothing = CallMeasure { mean_round_trip_ms: None, ..unsure }.assess();
    assert_eq!((nothing.delay_good, nothing.rating), (Kept::Unknown, None));
    let silent = CallMeasure { sent: 0, pdv_p99_ms: None, ..GOOD }.assess();
    assert_eq!(
        (silent.loss, silent.loss_run, silent.variation),
        (Kept::Unknown, Kept::Unknown, Kept::Unknown)
    );
}

proptest! {
    #[test]
    fn absurd_figures_do_not_panic(
        sent: u64, lost: u64, longest_loss_run: Option<u64>, mean_delay_ms in any::<Option<(f64, f64)>>(),
        mean_round_trip_ms: Option<f64>, pdv_p99_ms: Option<f64>, pdv_p999_ms: Option<f64>, for_ms: u64,
    ) {
        let measure = CallMeasure {
            sent, lost, longest_loss_run, mean_delay_ms, mean_round_trip_ms, pdv_p99_ms, pdv_p999_ms,
        };
        let _ = measure.assess().fit();
        let _ = call_bytes(&call_parts(for_ms), u16::MAX);
    }
}
