mod bottleneck;
mod path;

use proptest::prelude::*;

use super::*;

fn report(sequence_errors: u64, delay_ms: u64) -> LoadReport {
    LoadReport { sequence_errors, delay_range_us: delay_ms * 1000, delivered: None }
}

fn rows(load: &mut LoadAdjustment, reports: &[LoadReport]) -> Vec<u32> {
    let parameters = CapacityParameters::default();
    let after = |report: &LoadReport| {
        load.on_report(*report, &parameters);
        load.row()
    };
    reports.iter().map(after).collect()
}

/// RFC 9097 Table 1.
#[test]
fn the_defaults_are_the_rfcs() {
    let p = CapacityParameters::default();
    assert_eq!((p.search_ms, p.sub_interval_ms, p.feedback_ms), (10_000, 1_000, 50));
    assert_eq!((p.low_delay_us, p.high_delay_us, p.sequence_errors), (30_000, 90_000, 10));
    assert_eq!((p.bad_reports, p.fast_rows, p.back_rows), (3, 10, 30));
    assert_eq!(p.feedback_timeout_ms, 20 * p.feedback_ms);
    assert_eq!(p.ip_bytes, 1222 + 8 + 20);
    assert_eq!(p.fast_below_bps, BitRate::from_megabits(1000));
    assert_eq!(p.ramp, Ramp::TenRows);
}

/// RFC 9097 Appendix A, its pseudo-code followed by hand from row 0.
#[test]
fn the_pseudo_code_step_by_step() {
    let mut load = LoadAdjustment::new(&CapacityParameters::default());
    assert_eq!(rows(&mut load, &[report(0, 0); 5]), [10, 20, 30, 40, 50]);
    assert_eq!(rows(&mut load, &[report(0, 50)]), [50], "between the thresholds nothing changes");
    assert_eq!(rows(&mut load, &[report(20, 0); 3]), [49, 48, 18], "congestion is confirmed once");
    assert_eq!(rows(&mut load, &[report(10, 29); 2]), [19, 20], "ten errors are not too many");
    assert_eq!(rows(&mut load, &[report(0, 91), report(11, 0)]), [19, 18]);
    assert_eq!(rows(&mut load, &[report(0, 30), report(0, 90)]), [18, 18]);
}

/// RFC 9097 8.1: a clean rise to 1 Gbit/s takes 100 reports, 5 s; from there one row, 100 Mbit/s, at a time. The
/// pseudo-code compares the row with "1 Gbps"; the text means the rate.
#[test]
fn a_clean_rise() {
    let mut load = LoadAdjustment::new(&CapacityParameters::default());
    assert_eq!(rows(&mut load, &[report(0, 0); 100]).last(), Some(&1000));
    assert_eq!(rows(&mut load, &[report(0, 0); 3]), [1001, 1002, 1003]);
    assert_eq!(rows(&mut load, &[report(99, 0); 3]), [1002, 1001, 1000], "no jump back up here");
    let mut low = LoadAdjustment::new(&CapacityParameters::default());
    assert_eq!(rows(&mut low, &[report(99, 0); 2]), [0, 0]);
}

/// RFC 9097 8.1: with FT 50 ms and UDRT 90 ms a lost report is declared 190 ms after the last message, again at 240.
#[test]
fn lost_reports_are_bad_reports() {
    let ms = 1_000_000;
    let mut search = CapacitySearch::new(CapacityParameters::default(), 0);
    for number in 1..=6 {
        let at = u64::from(number) * 50 * ms;
        search.on_feedback(Feedback { number, elapsed_ns: at, ..Feedback::default() }, at);
    }
    let row = |search: &CapacitySearch| search.load.row();
    assert_eq!((row(&search), search.poll_timeout()), (60, Some((300 + 190) * ms)));
    search.handle_timeout((300 + 189) * ms);
    assert_eq!(row(&search), 60);
    search.handle_timeout((300 + 190) * ms);
    assert_eq!((row(&search), search.poll_timeout()), (59, Some((300 + 240) * ms)));
    search.handle_timeout((300 + 240) * ms);
    search.handle_timeout((300 + 290) * ms);
    assert_eq!(row(&search), 28, "the third confirms congestion");
    search.handle_timeout((300 + 1000) * ms);
    let outcome = search.outcome().unwrap();
    assert_eq!((outcome.end, outcome.maximum), (CapacityEnd::PeerSilent, None));
    assert!(outcome.congestion_seen);
}

/// RFC 9097 5.1: one packet of 1222 bytes of payload over IPv4 is 10 000 IP-layer bits.
#[test]
fn a_sub_interval_counts_ip_layer_bits() {
    let mut gauge = Gauge::new(1000, Feedback::default());
    let at = |seconds: u64, received: u64, lost: u64| Feedback {
        number: 1,
        elapsed_ns: seconds * 1_000_000_000,
        ip_bytes: received * 1250,
        received,
        lost,
        delay_us: Some((5_000, 9_000)),
        ..Feedback::default()
    };
    gauge.accept(&at(1, 10_000, 0), 4_000);
    gauge.accept(&at(2, 19_998, 2), 4_000);
    let [first, second] = gauge.done() else { panic!("two sub-intervals") };
    assert_eq!(first.rate_bps, BitRate::from_megabits(100));
    assert_eq!(second.loss_ratio, culvert_units::Fraction::of(2.0, 10_000.0));
    assert_eq!((second.least_delay_us, second.longest_delay_us), (Some(1_000), Some(5_000)));
}

#[test]
fn the_volume_is_known_beforehand() {
    assert_eq!(CapacityParameters::default().most_bytes(), None);
    let capped = CapacityParameters {
        rate_cap_bps: Some(BitRate::from_megabits(8)),
        verify_attempts: 1,
        ..CapacityParameters::default()
    };
    // 1 MB/s for twice 10 s and twice a second's patience.
    assert_eq!(capped.most_bytes(), Some(Bytes::new(22_000_000)));
    let budget = CapacityParameters { byte_budget: Some(Bytes::new(5)), ..capped };
    assert_eq!(budget.most_bytes(), Some(Bytes::new(5)));
}

prop_compose! {
    fn any_feedback()(
        number: u32, elapsed_ns: u64, ip_bytes: u64, received: u64, lost: u64, reordered: u64,
        duplicates: u64, delay_us: Option<(i64, i64)>,
    ) -> Feedback {
        Feedback { number, elapsed_ns, ip_bytes, received, lost, reordered, duplicates, delay_us }
    }
}

proptest! {
    #[test]
    fn absurd_calls_do_not_panic(
        doubling: bool,
        cap in any::<Option<u64>>(), budget in any::<Option<u64>>(),
        calls in prop::collection::vec((0_u8..4, any_feedback(), any::<u64>()), 0..200),
    ) {
        let base = if doubling { CapacityParameters::faster() } else { CapacityParameters::default() };
        let parameters = CapacityParameters {
            rate_cap_bps: cap.map(BitRate::from_bits_per_second),
            byte_budget: budget.map(Bytes::new),
            ..base
        };
        let mut search = CapacitySearch::new(parameters, 0);
        for (call, feedback, now) in calls {
            let now = now % 20_000_000_000;
            match call {
                0 => search.on_feedback(feedback, now),
                1 => search.on_sent(feedback.ip_bytes, now),
                2 => search.handle_timeout(now),
                _ => search.on_feedback(Feedback { number: search.last.number + 1, elapsed_ns: now, ..search.last }, now),
            }
            let order = search.order();
            prop_assert!(order.rate.zip(cap).is_none_or(|(rate, cap)| rate.bits_per_second() <= cap));
            prop_assert!(order.most_bytes.zip(budget).is_none_or(|(left, budget)| left.get() <= budget));
        }
        // A rest and a verification may follow, each bounded.
        for _ in 0..40 {
            if let Some(due) = search.poll_timeout() {
                search.handle_timeout(due.max(search.now_ns));
            }
        }
        prop_assert!(search.outcome().is_some());
    }
}
