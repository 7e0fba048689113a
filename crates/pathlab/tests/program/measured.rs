//! The measuring programs over an emulated path: what they report is what was true.

use serde_json::Value;

use crate::{
    bench::Bench,
    lab::{Found, Truth, expected, number, percentile},
};

const V4: [&str; 2] = ["10.90.1.1", "10.90.1.2"];
const V6: [&str; 2] = ["fd90::1", "fd90::2"];

#[test]
fn a_paced_run_counts_single_losses_as_the_path_did() {
    let conditions = r#"
loss = { ratio = 0.02 }
duplicate = { ratio = 0.01 }
reorder = { ratio = 0.03, by = "3ms" }
"#;
    counts_are_true(V4, "none", conditions, [1, 2, 3]);
}

#[test]
fn a_paced_run_counts_bursts_as_the_path_did_over_ipv6() {
    let conditions = r#"
loss = { bursts = { enter = 0.01, leave = 0.3, loss_in_good = 0.001, loss_in_bad = 0.9 } }
duplicate = { ratio = 0.03 }
reorder = { one_in = 40, by = "7ms" }
"#;
    counts_are_true(V6, "none", conditions, [4, 5]);
}

#[test]
fn a_paced_run_counts_every_nth_as_the_path_did_through_a_tunnel() {
    let conditions = r#"
jitter = { uniform = "500us" }
loss = { one_in = 50 }
duplicate = { one_in = 30 }
reorder = { one_in = 20, by = "2ms" }
"#;
    counts_are_true(V4, "wireguard", conditions, [6, 7]);
}

fn counts_are_true<const N: usize>(
    addresses: [&'static str; 2],
    encapsulation: &str,
    conditions: &str,
    seeds: [u64; N],
) {
    let conditions = format!("rate = \"100Mbit/s\"\ndelay = \"5ms\"\n{conditions}");
    for seed in seeds {
        let bench = Bench::new(addresses, encapsulation, &conditions);
        let Some((truth, record)) = bench.run(
            seed,
            "paced --toward both --pace 10Mbit/s --payload 1200 --for 2s --settle 500ms",
        ) else {
            return;
        };
        for toward in ["far", "near"] {
            let way = &record[format!("toward_{toward}")];
            let found = Found {
                sent: number(way, "sent"),
                lost: number(way, "lost"),
                duplicates: number(way, "duplicates"),
                reordered: number(way, "reordered"),
            };
            let packets = truth.datagrams_of_length(toward, bench.length(1_200));
            assert_eq!(found, expected(&packets), "seed {seed} toward {toward}");
            assert!(found.lost > 0 && found.duplicates > 0 && found.reordered > 0, "{found:?}");
            let ratio = found.reordered as f64 / (found.sent - found.lost) as f64;
            let told = way["reordered_ratio"].as_f64().expect("a ratio");
            assert!((told - ratio).abs() < 1e-12, "{told}, {ratio}");
        }
    }
}

/// How often a run is tried that this machine disturbed.
const ATTEMPTS: u32 = 3;

/// RFC 5481 section 4.2: the delay of each packet that arrived above the least.
#[test]
fn delay_variation_is_what_the_path_did() {
    for (seed, jitter) in [
        (1, r#"{ uniform = "8ms" }"#),
        (2, r#"{ normal = { mean = "6ms", deviation = "1ms" } }"#),
        (3, r#"{ uniform = "2ms" }"#),
    ] {
        let bench = Bench::new(V4, "none", &format!("delay = \"10ms\"\njitter = {jitter}"));
        let mut calm = false;
        for _ in 0..ATTEMPTS {
            let session =
                "paced --toward both --pace 1Mbit/s --payload 500 --for 3s --settle 500ms";
            let Some((truth, record)) = bench.run(seed, session) else { return };
            // On a busy machine the hosts' clocks tell of delays that they made themselves.
            calm = truth.latest_us() < 500.0;
            if calm {
                variation_is_true(&bench, &truth, &record);
                break;
            }
        }
        assert!(calm || !crate::is_strict(), "this machine is too busy");
        if !calm {
            eprintln!("skipped: this machine is too busy to tell delays of the path from its own");
        }
    }
}

fn variation_is_true(bench: &Bench, truth: &Truth, record: &Value) {
    for toward in ["far", "near"] {
        let packets = truth.datagrams_of_length(toward, bench.length(500));
        let delay = |line: &&Value| Some(line["delay_ns"].as_u64()? as f64 / 1e3);
        let mut delays: Vec<f64> = packets.iter().filter_map(delay).collect();
        delays.sort_by(f64::total_cmp);
        let told = &record[format!("toward_{toward}")]["pdv_us"];
        assert_eq!(number(told, "n"), delays.len() as u64);
        for (key, percent) in [("p50", 50), ("p99", 99)] {
            let true_us = percentile(&delays, percent) - delays[0];
            let told_us = told[key].as_f64().expect("a number");
            eprintln!("toward {toward} {key}: {told_us} us told, {true_us:.0} us true");
            assert!((told_us - true_us).abs() < 300.0, "{toward} {key}: {told_us}, {true_us}");
        }
    }
}
