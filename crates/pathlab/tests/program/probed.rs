//! Round trips over an emulated path that lets no datagram pass.

use serde_json::Value;

use crate::{
    bench::{invite, programs},
    lab::{Lab, quoted},
};

/// How often a run is tried in which this machine was late.
const ATTEMPTS: u32 = 4;

/// 20 ms each way; the near host's own filter swallows what its programs send by UDP to the listener's port (nft(8)).
#[test]
fn tcp_carries_the_probes_where_udp_is_filtered() {
    let Some(programs) = programs() else {
        eprintln!(
            "skipped: culvert and culvertd are not built; `cargo test --workspace` builds them"
        );
        return;
    };
    let lab = Lab::new(
        "[[paths]]\nname = \"tcp alone\"\nnear = \"10.90.1.1\"\nfar = \"10.90.1.2\"\n[paths.both_ways]\n\
         rate = \"20Mbit/s\"\nqueue = \"40ms\"\ndelay = \"20ms\"\n",
    );
    let state = lab.file("listener");
    invite(&programs, &state, &lab.file("invite"));
    let far = format!("exec {}/culvertd --state {}", quoted(&programs), quoted(&state));
    let near = format!(
        "nft 'add table inet near; add chain inet near out {{ type filter hook output priority 0; }}; \
         add rule inet near out udp dport 28460 drop' || exit 77; \
         exec {}/culvert bulk 10.90.1.2 --invite {} --for 3s --settle 1s --json >{}",
        quoted(&programs),
        quoted(&lab.file("invite")),
        quoted(&lab.file("record.json")),
    );
    for seed in 1..=ATTEMPTS {
        let Some(truth) = lab.run(seed.into(), &far, &near, &["--far-listens", "28460"]) else {
            return;
        };
        let run: Value = serde_json::from_str(&lab.read("record.json")).expect("a record");
        assert_eq!(run["round_trips_by"], "tcp", "{run}");
        let median =
            |key: &str| run[key]["p50"].as_f64().unwrap_or_else(|| panic!("{key}: {run}")) / 1e3;
        let (baseline, transfer) = (median("rtt_baseline_us"), median("rtt_transfer_us"));
        // What both hosts add, and how late the path itself was twice.
        let late_ms = 2.0 * truth.latest_us() / 1e3;
        if late_ms > 2.0 {
            eprintln!("disturbed: {late_ms} ms late");
            continue;
        }
        assert!((40.0..43.0 + late_ms).contains(&baseline), "{baseline} ms, {late_ms} ms late");
        // 40 ms of queue, one way: it holds something, and no more than all.
        assert!((baseline + 3.0..84.0 + late_ms).contains(&transfer), "{baseline} {transfer}");
        return;
    }
    eprintln!("skipped: this machine is too busy to be a path in time");
}
