//! From the figures of one direction to what they mean for a call.

use culvert_record::{CallOutcome, CallRatingFacts, Direction, Percentiles};
use culvert_session::calls::{CallMeasure, LONGEST_LOSS_RUN};
use culvert_stats::QUALITY_CLASSES;

/// So many are needed before a 99th percentile is more than the largest (RFC 2330 11.3).
const LEAST_FOR_P99: u64 = 100;

/// Where the E-model's formulas are from.
const FROM_MEMORY: &str =
    "E-model of ITU-T G.107, simplified for calls over IP: formulas and constants from memory";

/// What one direction means; `None` when nothing was counted.
pub(super) fn of(direction: &Direction, rtt: Option<&Percentiles>) -> Option<CallOutcome> {
    let (sent, lost) = direction.sent.zip(direction.lost)?;
    let lost_on_path = lost.saturating_sub(direction.host_dropped.unwrap_or(0));
    let pdv = direction.pdv_us.filter(|_| direction.delay_of_burst_heads != Some(true));
    let enough = pdv.filter(|pdv| pdv.n >= LEAST_FOR_P99);
    let measure = CallMeasure {
        sent,
        lost: lost_on_path,
        longest_loss_run: longest_run(direction, lost_on_path),
        // The median stands in for the mean.
        mean_delay_ms: direction
            .one_way_delay
            .map(|delay| (milliseconds(delay.p50_us), delay.error_us as f64 / 1e3)),
        mean_round_trip_ms: rtt.map(|rtt| milliseconds(rtt.p50)),
        pdv_p99_ms: enough.map(|pdv| milliseconds(pdv.p99)),
        pdv_p999_ms: enough.and_then(|pdv| p999_bound(&pdv)),
    };
    let found = measure.assess();
    let (delay, delay_from_round_trip) = measure.delay();
    Some(CallOutcome {
        fit: found.fit(),
        delay_good: found.delay_good,
        delay_bearable: found.delay_bearable,
        loss: found.loss,
        loss_run: found.loss_run,
        variation: found.variation,
        classes: found.classes.to_vec(),
        sent,
        lost_on_path,
        timed: pdv.map(|pdv| pdv.n),
        delay_ms: delay.map(|(delay, _)| delay),
        delay_error_ms: delay.map(|(_, error)| error),
        delay_from_round_trip,
        e_model: found.rating.map(|rating| CallRatingFacts {
            rating: rating.rating,
            opinion: rating.opinion,
            source: FROM_MEMORY.to_owned(),
        }),
    })
}

/// The longest run of packets that the path lost. Those that the host dropped lie among the lost: where there are any, a
/// long run may be theirs, and only a short one tells.
fn longest_run(direction: &Direction, lost_on_path: u64) -> Option<u64> {
    if lost_on_path == 0 {
        return Some(0);
    }
    let longest = u64::try_from(direction.loss_runs?.lengths?.max).ok()?;
    let all_the_paths = direction.host_dropped == Some(0);
    Some(longest).filter(|longest| all_the_paths || *longest <= LONGEST_LOSS_RUN)
}

/// What is known of the 99.9th percentile without having it: it lies between the 99th and the largest. Where both are on
/// one side of the bound that the classes set, either decides; else nothing does.
fn p999_bound(pdv: &Percentiles) -> Option<f64> {
    let mut bounds = QUALITY_CLASSES.iter().filter_map(|class| class.delay_variation_ms);
    let decides =
        bounds.all(|bound| (milliseconds(pdv.p99) > bound) == (milliseconds(pdv.max) > bound));
    decides.then(|| milliseconds(pdv.max))
}

fn milliseconds(microseconds: i64) -> f64 {
    microseconds as f64 / 1e3
}

#[cfg(test)]
mod tests {
    use culvert_record::{LossRuns, OneWay};
    use culvert_stats::Kept;

    use super::*;

    const PDV: Percentiles =
        Percentiles { n: 1_050, min: 0, p50: 100, p95: 400, p99: 900, max: 4_000 };
    const RTT: Percentiles =
        Percentiles { n: 50, min: 20_000, p50: 21_000, p95: 22_000, p99: 23_000, max: 24_000 };

    fn direction() -> Direction {
        Direction { sent: Some(1_050), lost: Some(0), pdv_us: Some(PDV), ..Direction::default() }
    }

    #[test]
    fn a_clean_direction_is_fit_and_says_what_stood_in() {
        let found = of(&direction(), Some(&RTT)).unwrap();
        assert_eq!(found.fit, Kept::Yes);
        assert_eq!((found.delay_ms, found.delay_from_round_trip), (Some(10.5), true));
        // Y.1541 class 0 by RFC 5976 2.1 asks for a loss of 10⁻³, which no loss of 1050 packets leaves open.
        assert_eq!(found.classes[0].delay_variation, Kept::Yes);
        assert_eq!(found.classes[0].loss, Kept::Unknown);
    }

    #[test]
    fn what_the_host_dropped_is_not_the_paths() {
        let dropped = Direction { lost: Some(40), host_dropped: Some(40), ..direction() };
        let found = of(&dropped, Some(&RTT)).unwrap();
        assert_eq!((found.lost_on_path, found.loss), (0, Kept::Yes));
    }

    fn lost(count: u64, longest: i64) -> Direction {
        let lengths =
            Percentiles { n: 2, min: 1, p50: 1, p95: longest, p99: longest, max: longest };
        Direction {
            lost: Some(count),
            host_dropped: Some(0),
            loss_runs: Some(LossRuns { runs: 2, lengths: Some(lengths), ..LossRuns::default() }),
            ..direction()
        }
    }

    /// Three in a row are borne, four are heard (common practice).
    #[test]
    fn the_longest_run_decides_however_few_were_lost() {
        for (longest, kept) in [(3, Kept::Yes), (4, Kept::No)] {
            assert_eq!(of(&lost(5, longest), Some(&RTT)).unwrap().loss_run, kept);
        }
        let dropped = Direction { host_dropped: Some(1), ..lost(5, 3) };
        assert_eq!(of(&dropped, Some(&RTT)).unwrap().loss_run, Kept::Yes);
    }

    /// A delay of 140 ms is good (G.114: 150) only as far as the clocks tell it: within 20 ms it may be more.
    #[test]
    fn a_one_way_delay_stands_before_half_the_round_trip() {
        for (error_us, kept) in [(5_000, Kept::Yes), (20_000, Kept::Unknown)] {
            let delay = OneWay { least_us: 139_000, p50_us: 140_000, error_us };
            let known = Direction { one_way_delay: Some(delay), ..direction() };
            let found = of(&known, Some(&RTT)).unwrap();
            assert_eq!((found.delay_ms, found.delay_from_round_trip), (Some(140.0), false));
            assert_eq!(found.delay_good, kept);
        }
    }

    #[test]
    fn what_is_not_known_stays_unknown() {
        let some = Direction { lost: Some(5), ..direction() };
        assert_eq!(of(&some, Some(&RTT)).unwrap().loss_run, Kept::Unknown);
        let unsure = Direction { host_dropped: Some(1), ..lost(5, 4) };
        assert_eq!(of(&unsure, Some(&RTT)).unwrap().loss_run, Kept::Unknown);
        let few = Direction { pdv_us: Some(Percentiles { n: 99, ..PDV }), ..direction() };
        assert_eq!(of(&few, Some(&RTT)).unwrap().variation, Kept::Unknown);
        let open = Direction { pdv_us: Some(Percentiles { max: 60_000, ..PDV }), ..direction() };
        assert_eq!(of(&open, Some(&RTT)).unwrap().classes[0].delay_variation, Kept::Unknown);
        assert_eq!(of(&direction(), None).unwrap().fit, Kept::Unknown);
        assert_eq!(of(&Direction::default(), Some(&RTT)), None);
    }
}
