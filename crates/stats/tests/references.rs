//! The estimators against numpy 2.4.6 and scipy 1.17.1 on samples made from a seed.
//!
//! Both are fetched into the target folder, once; without Python or network the test says that it was skipped, and fails
//! where the variable `CI` is set.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test; clippy takes only what is marked as one for one"
)]

use std::io::Write;
use std::path::Path;
use std::process::Stdio;

use culvert_stats::{
    DelayHistogram, TimedDelay, clock_skew, lack_of_fit, linear_fit, mann_whitney, median,
    median_interval, percentile, proportion_interval, quantile_linear, student_quantile,
};
use serde_json::{Value, json};

#[path = "../../../tests/shared/python.rs"]
mod python;

const SCRIPTS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/python");
const SHARES: [f64; 6] = [0.1, 0.5, 0.9, 0.95, 0.99, 0.999];

#[test]
fn numpy_and_scipy_agree() {
    let requirements = format!("{SCRIPTS}/requirements.txt");
    let python = match python::python_with("numpy-2.4.6-scipy-1.17.1", Path::new(&requirements)) {
        Ok(python) => python,
        Err(reason) => return python::skip(&reason),
    };
    let asked = asked();
    let answered = ask(&python, &asked);
    let pairs = |key: &str| {
        let [asked, answered] =
            [&asked, &answered].map(|all| all[key].as_array().expect(key).clone());
        assert_eq!(asked.len(), answered.len(), "{key}");
        assert!(!asked.is_empty(), "{key}");
        asked.into_iter().zip(answered)
    };
    pairs("quantiles").for_each(|(case, found)| quantiles_agree(&case, &found));
    pairs("mann_whitney").for_each(|(case, found)| mann_whitney_agrees(&case, &found));
    pairs("median_ranks").for_each(|(n, found)| median_ranks_agree(&n, &found));
    pairs("student").for_each(|(case, found)| student_agrees(&case, &found));
    pairs("lines").for_each(|(case, found)| line_agrees(&case, &found));
    pairs("proportions").for_each(|(case, found)| proportion_agrees(&case, &found));
    pairs("skews").for_each(|(case, found)| skew_agrees(&case, &found));
}

fn quantiles_agree(case: &Value, found: &Value) {
    let mut values: Vec<u64> =
        case["values"].as_array().unwrap().iter().map(|v| v.as_u64().unwrap()).collect();
    let mut histogram = DelayHistogram::new();
    for micros in &values {
        histogram.record(*micros);
    }
    values.sort_unstable();
    let exact: Vec<f64> = values.iter().map(|value| *value as f64).collect();
    for (i, share) in SHARES.into_iter().enumerate() {
        let reference = found["inverted_cdf"][i].as_u64().unwrap();
        assert_eq!(percentile(&values, share), Some(reference), "{share}");
        // The histogram claims: never below, and at most 0.1 % above.
        let coarse = histogram.percentile(share).unwrap().unsigned_abs();
        assert!(
            coarse >= reference && coarse - reference <= reference / 1000,
            "{share}: {coarse} {reference}"
        );
        near(quantile_linear(&exact, share).unwrap(), &found["linear"][i], 1e-12);
    }
    near(median(&exact).unwrap(), &found["median"], 1e-12);
}

fn mann_whitney_agrees(case: &Value, found: &Value) {
    let outcome = mann_whitney(&numbers(&case["a"]), &numbers(&case["b"])).unwrap();
    assert_eq!(Value::from(outcome.exact), case["exact"]);
    near(outcome.u_first, &found["u"], 1e-12);
    near(outcome.p, &found["p"], 1e-9);
}

fn median_ranks_agree(n: &Value, found: &Value) {
    let values: Vec<f64> = (1..=n.as_u64().unwrap()).map(|i| i as f64).collect();
    let interval = median_interval(&values);
    assert_eq!(interval.is_some(), !found.is_null(), "{n}");
    if let Some(interval) = interval {
        assert_eq!(Value::from(interval.low_rank), found[0], "{n}");
        near(interval.coverage, &found[1], 1e-10);
    }
}

fn student_agrees(case: &Value, found: &Value) {
    near(
        student_quantile(case[0].as_f64().unwrap(), case[1].as_u64().unwrap()).unwrap(),
        found,
        1e-9,
    );
}

fn line_agrees(case: &Value, found: &Value) {
    let points: Vec<(f64, f64)> =
        numbers(&case["x"]).into_iter().zip(numbers(&case["y"])).collect();
    let fit = linear_fit(&points).unwrap();
    near(fit.slope, &found["slope"], 1e-9);
    near(fit.intercept, &found["intercept"], 1e-8);
    near(fit.slope_error(), &found["slope_error"], 1e-9);
    near(fit.intercept_error(), &found["intercept_error"], 1e-9);
    let predicted = fit.predict(case["at"].as_f64().unwrap(), 0.95).unwrap();
    near(predicted.value, &found["predicted"], 1e-9);
    near(predicted.high - predicted.value, &found["reach"], 1e-8);
    let lack = lack_of_fit(&fit, &points).unwrap();
    near(lack.f, &found["f"], 1e-7);
    near(lack.p, &found["p"], 1e-7);
}

fn proportion_agrees(case: &Value, found: &Value) {
    let [hits, trials] = ["hits", "trials"].map(|key| case[key].as_u64().unwrap());
    let interval = proportion_interval(hits, trials, 0.95).unwrap();
    near(interval.low, &found[0], 1e-8);
    near(interval.high, &found[1], 1e-8);
}

fn skew_agrees(case: &Value, found: &Value) {
    let delays: Vec<TimedDelay> = numbers(&case["t"])
        .into_iter()
        .zip(numbers(&case["d"]))
        .map(|(t, d)| TimedDelay { at_ns: whole(t * 1e9), delay_ns: whole(d * 1e6) })
        .collect();
    let skew = clock_skew(&delays, 0).unwrap();
    // The script has seconds and milliseconds.
    near(skew.ratio * 1e3, &found["slope"], 1e-6);
    near(skew.floor_ns / 1e6, &found["floor"], 1e-7);
}

fn asked() -> Value {
    let mut random = Random(20_261_127);
    let sample = |random: &mut Random, n: usize, spread: f64| -> Vec<u64> {
        // Exponential above a floor, as queues are.
        (0..n)
            .map(|_| whole(9_000.0 - spread * (1.0 - random.share()).ln()).unsigned_abs())
            .collect()
    };
    let quantiles: Vec<Value> = [(1, 10.0), (7, 300.0), (100, 5e3), (1001, 4e4), (5000, 2e6)]
        .map(|(n, spread)| json!({ "values": sample(&mut random, n, spread), "shares": SHARES }))
        .into();
    let mann_whitney: Vec<Value> = [(5, 5, 0.4), (8, 11, 0.0), (20, 25, 0.2), (40, 45, 0.1)]
        .map(|(n, m, apart)| {
            let mut draw = |count: usize, by: f64| {
                (0..count).map(|_| random.share() + by).collect::<Vec<f64>>()
            };
            json!({ "a": draw(n, 0.0), "b": draw(m, apart), "exact": n + m <= 60 })
        })
        .into();
    let student: Vec<Value> = [0.6, 0.9, 0.975, 0.9995, 0.025]
        .into_iter()
        .flat_map(|p| [1_u64, 2, 5, 12, 33, 200, 5000].map(|n| json!([p, n])))
        .collect();
    let lines: Vec<Value> = [(900.0, 8.0), (20_000.0, 0.5), (5_000.0, 5.0)]
        .map(|(a, b)| {
            let x: Vec<f64> = [46, 110, 238, 494, 1006, 1262, 1500]
                .repeat(3)
                .into_iter()
                .map(f64::from)
                .collect();
            let y: Vec<f64> =
                x.iter().map(|x| (a + b * x) * (0.98 + 0.04 * random.share())).collect();
            json!({ "x": x, "y": y, "at": 750.0 })
        })
        .into();
    let proportions =
        [(0, 1), (0, 3000), (3, 3000), (1, 2), (999, 1000), (50, 1_000_000), (40, 40)]
            .map(|(hits, trials)| json!({ "hits": hits, "trials": trials }));
    let skews: Vec<Value> = [100.0, -35.0, 0.0]
        .map(|ppm| {
            let t: Vec<f64> = (0..301).map(|i| f64::from(i) / 10.0).collect();
            let d: Vec<f64> = t
                .iter()
                .map(|t| {
                    ((20.0 + ppm / 1e3 * t - 3.0 * (1.0 - random.share()).ln()) * 1e6).round() / 1e6
                })
                .collect();
            json!({ "t": t, "d": d })
        })
        .into();
    json!({
        "quantiles": quantiles, "mann_whitney": mann_whitney, "student": student, "lines": lines,
        "median_ranks": [1, 5, 6, 9, 17, 40, 101, 500], "proportions": proportions, "skews": skews,
    })
}

fn ask(python: &Path, asked: &Value) -> Value {
    let mut script = python::bounded(120, python);
    script.arg("-B").arg(format!("{SCRIPTS}/references.py"));
    script.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut running = script.spawn().expect("the script starts");
    let mut stdin = running.stdin.take().expect("its standard input");
    stdin.write_all(asked.to_string().as_bytes()).expect("the samples are taken");
    drop(stdin);
    let output = running.wait_with_output().expect("the script ends");
    assert!(output.status.success(), "the script failed: {}", python::stderr(&output));
    serde_json::from_slice(&output.stdout).expect("JSON")
}

fn numbers(values: &Value) -> Vec<f64> {
    values.as_array().unwrap().iter().map(|value| value.as_f64().unwrap()).collect()
}

#[expect(clippy::cast_possible_truncation, reason = "a few seconds in nanoseconds")]
fn whole(value: f64) -> i64 {
    value.round() as i64
}

fn near(found: f64, reference: &Value, relative: f64) {
    let reference = reference.as_f64().expect("a number");
    let bound = relative * reference.abs().max(1e-6);
    assert!((found - reference).abs() <= bound, "{found} is not {reference}");
}

/// `SplitMix64` (from memory): the same samples at every run.
struct Random(u64);

impl Random {
    /// Uniform in 0..1.
    fn share(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}
