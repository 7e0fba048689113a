//! What a paced run tells beyond counts, and what a transfer does to round trips, each in a line.

use culvert_record::{Direction, QueueDelay};

use crate::{figures::ms, run_text::spread};

pub(crate) fn loss_runs(direction: &Direction) -> Option<String> {
    let runs = direction.loss_runs.filter(|runs| runs.runs > 0)?;
    let mut text = runs.runs.to_string();
    text.extend(runs.lengths.map(|lengths| {
        format!(", half within {} datagrams, longest {}", lengths.p50, lengths.max)
    }));
    let bursts = (runs.bursts > 0).then(|| {
        format!(
            "; {} of {} datagrams lost in {} bursts",
            runs.burst_lost, runs.burst_datagrams, runs.bursts
        )
    });
    text.extend(bursts);
    Some(text)
}

pub(crate) fn reordering(direction: &Direction) -> Option<String> {
    let order = direction.reordering?;
    let extents = order.extents?;
    let [_, _, three, ..] = order.n_reordered;
    Some(format!(
        "half by at most {} arrivals, most {}; {three} are 3-reordered",
        extents.p50, extents.max
    ))
}

pub(crate) fn duplicates(direction: &Direction) -> Option<String> {
    let mut text = direction.duplicates?.to_string();
    let replicated = direction.replicated.filter(|replicated| *replicated > 0);
    text.extend(replicated.map(|replicated| format!(", of {replicated} datagrams")));
    Some(text)
}

/// Nothing where the delays do not show one.
pub(crate) fn skew(direction: &Direction) -> Option<String> {
    let skew = direction.clock_skew.filter(|skew| skew.supported)?;
    let mut text = format!("the receiver's clock gains {:.1} ppm", skew.ppm);
    text.extend(skew.pdv_us.map(|pdv| format!("; PDV without that: {}", spread(&pdv))));
    Some(text)
}

/// Never without its error.
pub(crate) fn one_way(direction: &Direction) -> Option<String> {
    let delay = direction.one_way_delay?;
    let [half, least, error] =
        [ms(delay.p50_us as f64), ms(delay.least_us as f64), ms(delay.error_us as f64)];
    Some(format!("half within {half}, least {least}, both wrong by at most {error}"))
}

pub(crate) fn queue(delay: &QueueDelay) -> String {
    let mut text = ms(delay.queue_delay_us as f64);
    text.extend(
        delay.buffer_delay.map(|share| format!(", a buffer delay of {:.1} %", share * 100.0)),
    );
    text
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use crate::{run_text, samples};

    #[test]
    fn each_in_a_line() {
        let mut run = serde_json::to_value(samples::paced()).expect("JSON");
        let pdv = json!({"n": 67_898, "min": 0, "p50": 140, "p95": 390, "p99": 690, "max": 1_490});
        let way = &mut run["toward_near"];
        way["loss_runs"] = json!({"runs": 60, "noticeable": 42, "noticeable_within": 16,
            "lengths": {"n": 60, "min": 1, "p50": 1, "p95": 3, "p99": 9, "max": 12},
            "noticeable_rate": 0.4117, "bursts": 4, "burst_datagrams": 70, "burst_lost": 46,
            "burst_density": 0.657, "gaps": 5, "gap_density": 0.0008});
        way["reordering"] = json!({"extents": {"n": 17, "min": 1, "p50": 3, "p95": 9, "p99": 11, "max": 11},
            "extents_unknown": 0, "n_reordered": [9, 8, 7, 3, 2, 1, 1, 0]});
        way["duplicates"] = json!(12);
        way["replicated"] = json!(10);
        way["clock_skew"] = json!({"ppm": 11.04, "supported": true, "pdv_us": pdv, "one_in": 1});
        way["one_way_delay"] = json!({"least_us": 9_800, "p50_us": 9_940, "error_us": 410});
        run["queue_delay"] = json!({"queue_delay_us": 11_500, "buffer_delay": 0.575});
        let run = serde_json::from_value(run).expect("a run");
        insta::assert_snapshot!(run_text(&run, 100));
    }
}
