//! The path MTU each way over an emulated path whose own is known, with and without a router's answer.

use serde_json::Value;

use crate::{
    bench::{invite, programs},
    lab::{Lab, Truth, quoted},
};

/// What a path takes each way, and what must be found.
struct Case {
    toward_far: &'static str,
    toward_near: &'static str,
    /// Largest size, verdict, and what becomes of larger ones, toward far and toward near.
    expected: [(u64, &'static str, &'static str); 2],
}

/// Whole IP packets, as the path counts them.
const CASES: &[Case] = &[
    Case {
        toward_far: "longest_packet = 1412\ntoo_long = \"silence\"",
        toward_near: "longest_packet = 1377\ntoo_long = \"silence\"",
        expected: [(1_412, "exact", "vanish"), (1_377, "exact", "vanish")],
    },
    Case {
        toward_far: "longest_packet = 1412\ntoo_long = \"answer\"",
        toward_near: "longest_packet = 1280\ntoo_long = \"answer\"",
        expected: [(1_412, "exact", "answered"), (1_280, "exact", "answered")],
    },
    Case {
        toward_far: "longest_packet = 576\ntoo_long = \"silence\"",
        toward_near: "longest_packet = 1499\ntoo_long = \"answer\"",
        expected: [(576, "exact", "vanish"), (1_499, "exact", "answered")],
    },
    Case {
        toward_far: "",
        toward_near: "longest_packet = 1420\ntoo_long = \"silence\"\nloss = { ratio = 0.02 }",
        expected: [(1_500, "at_ceiling", "unknown"), (1_420, "exact", "vanish")],
    },
];

#[test]
fn both_ways_swallow_what_is_too_long() {
    finds_to_the_byte(1, &CASES[0]);
}

#[test]
fn both_ways_answer_what_is_too_long() {
    finds_to_the_byte(2, &CASES[1]);
}

#[test]
fn one_way_swallows_and_one_answers() {
    finds_to_the_byte(3, &CASES[2]);
}

#[test]
fn one_way_is_whole_and_one_loses_packets() {
    finds_to_the_byte(4, &CASES[3]);
}

fn finds_to_the_byte(seed: u64, case: &Case) {
    let Some((document, truth)) = preflight(seed, &config(case, ""), 0) else { return };
    assert_eq!(document["complete"], true, "{document:#}");
    for (toward, (size, verdict, above)) in ["far", "near"].into_iter().zip(case.expected) {
        let found = &document[format!("toward_{toward}")]["path_mtu"];
        let shown = (&found["largest_passing"], &found["verdict"], &found["above"]["kind"]);
        assert_eq!(shown, (&size.into(), &verdict.into(), &above.into()), "{toward}: {found:#}");
        if above == "answered" {
            // RFC 1191 section 4: the router names the MTU of the next hop.
            assert_eq!(found["above"]["mtu"], size, "{toward}: {found:#}");
        }
        // The path's own list: nothing longer came out, and something of this length did.
        let delivered = truth
            .packets
            .iter()
            .filter(|line| line["toward"] == toward && line["fate"] == "delivered")
            .filter_map(|line| line["length"].as_u64());
        assert_eq!(delivered.max(), Some(size), "{toward}");
    }
    // 5 ms each way: no shorter round trip can be true.
    let shortest = document["rtt_baseline_us"]["min"].as_i64().expect("a round trip");
    assert!(shortest >= 10_000, "{shortest} us");
}

/// What passed while the path lived is no path MTU.
#[test]
fn a_path_that_dies_during_the_search_leaves_no_figure_that_looks_whole() {
    let case = &CASES[0];
    // The round trips take two seconds, the searches more than ten.
    let dies =
        "[[paths.changes]]\nat = \"6s\"\n[paths.changes.both_ways]\nloss = { ratio = 1.0 }\n";
    let Some((document, _)) = preflight(9, &config(case, dies), 3) else { return };
    assert_eq!(document["complete"], false, "{document:#}");
    assert_eq!(document["failure"]["exit_status"], 3);
    for way in ["toward_far", "toward_near"] {
        let verdict = document[way]["path_mtu"]["verdict"].as_str().expect("a verdict");
        assert!(["unfinished", "unstable", "silent"].contains(&verdict), "{way}: {verdict}");
    }
    let codes: Vec<&str> = document["remarks"]
        .as_array()
        .expect("remarks")
        .iter()
        .filter_map(|one| one["code"].as_str())
        .collect();
    assert!(
        !codes.iter().any(|code| code.starts_with("mss_") || *code == "black_hole"),
        "{codes:?}"
    );
}

fn config(case: &Case, changes: &str) -> String {
    let Case { toward_far, toward_near, .. } = case;
    format!(
        "[[paths]]\nname = \"odd\"\nnear = \"10.90.1.1\"\nfar = \"10.90.1.2\"\n[paths.toward_far]\ndelay = \"5ms\"\n{toward_far}\n\
         [paths.toward_near]\ndelay = \"5ms\"\n{toward_near}\n{changes}"
    )
}

/// The document of a preflight over the path, which must end with this status.
fn preflight(seed: u64, config: &str, status: u8) -> Option<(Value, Truth)> {
    let Some(programs) = programs() else {
        eprintln!(
            "skipped: culvert and culvertd are not built; `cargo test --workspace` builds them"
        );
        return None;
    };
    let lab = Lab::new(config);
    let (state, invite_file) = (lab.file("listener"), lab.file("invite"));
    invite(&programs, &state, &invite_file);
    let far = format!("exec {}/culvertd --state {}", quoted(&programs), quoted(&state));
    let near = format!(
        "{}/culvert preflight 10.90.1.2 --invite {} --json >{} 2>{}; test $? = {status}",
        quoted(&programs),
        quoted(&invite_file),
        quoted(&lab.file("document.json")),
        quoted(&lab.file("said")),
    );
    let truth = lab.run(seed, &far, &near, &["--far-listens", "28460"])?;
    Some((serde_json::from_str(&lab.read("document.json")).expect("a document"), truth))
}
