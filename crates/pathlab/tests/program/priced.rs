//! Sweeps over paths whose cost per packet and per byte is known: what they find is what was configured.

use serde_json::Value;

use crate::{
    bench::{invite, programs},
    lab::{Lab, quoted},
};

/// How often a sweep is made in which this machine, not the path, was the limit.
const ATTEMPTS: u32 = 4;

/// 1 ms a packet, and a byte as long as at 48 Mbit/s: of 1500 bytes a packet's own share is 80 %.
#[test]
#[ignore = "minutes long, and needs a machine that does nothing else: scripts/test --strict"]
fn a_gateway_that_counts_packets() {
    let gateway = r#"gateway = { packets_per_second = 1000, rate = "48Mbit/s", queue = "40ms" }"#;
    let Some(sweep) = swept(gateway, is_all_the_paths) else { return };
    assert_eq!(sweep["cost"]["limited_by"], "per_packet", "{sweep}");
    costs(&sweep, 1e6, 8e9 / 48e6);
}

/// 300 µs a packet, and a byte as long as at 10 Mbit/s: of 1500 bytes a packet's own share is 20 %.
#[test]
#[ignore = "minutes long, and needs a machine that does nothing else: scripts/test --strict"]
fn a_gateway_that_counts_bytes() {
    let gateway = r#"gateway = { packets_per_second = 3333, rate = "10Mbit/s", queue = "40ms" }"#;
    let Some(sweep) = swept(gateway, is_all_the_paths) else { return };
    assert_eq!(sweep["cost"]["limited_by"], "per_byte", "{sweep}");
    costs(&sweep, 1e9 / 3333.0, 800.0);
}

/// A token bucket over whole IP packets (RFC 2697 section 2) lets the same bits through at every size.
#[test]
#[ignore = "minutes long, and needs a machine that does nothing else: scripts/test --strict"]
fn a_policer_is_a_limiter() {
    let policer = r#"policer = { rate = "10Mbit/s", burst = "15kB" }"#;
    // What is no limiter to a sweep that this machine disturbed is swept again.
    let found = |sweep: &Value| {
        is_all_the_paths(sweep) && sweep["cost"]["farthest_off"].as_f64() < Some(0.01)
    };
    let Some(sweep) = swept(policer, found) else { return };
    // What passes in a trial is the rate and, once, the bucket: 15 kB in 800 ms are 1.5 % of 10 Mbit/s.
    for size in sweep["sizes"].as_array().expect("sizes") {
        let rate = size["ip_bps"].as_f64().expect("a rate");
        assert!((10e6 * 0.985..10e6 * 1.026).contains(&rate), "{size}");
    }
    eprintln!("{}", sweep["sizes"]);
    assert_eq!(sweep["cost"]["limited_by"], "bit_limiter", "{sweep}");
}

/// Within 5 % of what was configured.
fn costs(sweep: &Value, packet_ns: f64, byte_ns: f64) {
    for (key, true_ns) in [("packet_ns", packet_ns), ("byte_ns", byte_ns)] {
        let found = sweep["cost"][key]["value"].as_f64().expect("a cost");
        eprintln!("{key}: {found:.1} of {true_ns:.1}; prediction {}", sweep["prediction"]);
        assert!((found / true_ns - 1.0).abs() <= 0.05, "{key}: {found} of {true_ns}: {sweep}");
    }
    assert_ne!(sweep["prediction"]["holds"], false, "{sweep}");
}

fn is_all_the_paths(sweep: &Value) -> bool {
    let sizes = sweep["sizes"].as_array().expect("sizes");
    sizes.iter().all(|size| size["held"] == "path")
}

/// A sweep toward far; `None` where none can be made here. One that the machine disturbed is made again.
fn swept(condition: &str, is_undisturbed: impl Fn(&Value) -> bool) -> Option<Value> {
    let Some(programs) = programs() else {
        eprintln!(
            "skipped: culvert and culvertd are not built; `cargo test --workspace` builds them"
        );
        return None;
    };
    let lab = Lab::new(&format!(
        "[[paths]]\nname = \"priced\"\nnear = \"10.90.1.1\"\nfar = \"10.90.1.2\"\n[paths.both_ways]\n{condition}\n\
         delay = \"2ms\"\n"
    ));
    let state = lab.file("listener");
    invite(&programs, &state, &lab.file("invite"));
    let far = format!("exec {}/culvertd --state {}", quoted(&programs), quoted(&state));
    let near = format!(
        "exec {}/culvert sweep 10.90.1.2 --invite {} --sizes 100,500,1000,1500 --trial 800ms --json >{}",
        quoted(&programs),
        quoted(&lab.file("invite")),
        quoted(&lab.file("sweep.json")),
    );
    for seed in 1..=ATTEMPTS {
        lab.run(seed.into(), &far, &near, &["--far-listens", "28460"])?;
        let sweep: Value = serde_json::from_str(&lab.read("sweep.json")).expect("a document");
        assert_eq!(sweep["complete"], true, "{sweep}");
        if is_undisturbed(&sweep) {
            return Some(sweep);
        }
        eprintln!("disturbed: {} {}", sweep["sizes"], sweep["caveats"]);
    }
    panic!("this machine is too busy: {ATTEMPTS} sweeps found the hosts' limit");
}
