//! `culvert ceiling` as a practitioner runs it: what it shows, and how it refuses.

use std::process::{Command, Output};

fn ceiling(options: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_culvert"));
    command.arg("ceiling").args(options).output().expect("the program starts")
}

fn text(options: &[&str]) -> String {
    let output = ceiling(options);
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!((output.status.code(), told.as_str()), (Some(0), ""), "{options:?}");
    String::from_utf8(output.stdout).expect("text")
}

fn json(options: &[&str]) -> serde_json::Value {
    let options: Vec<_> = options.iter().copied().chain(["--json"]).collect();
    serde_json::from_str(&text(&options)).expect("one JSON document")
}

/// A refusal: exit status 2, nothing on standard output, one line that says what, one that says what to try.
fn refusal(options: &[&str]) -> String {
    let output = ceiling(options);
    let told = String::from_utf8(output.stderr).expect("text");
    assert_eq!(output.status.code(), Some(2), "{options:?}: {told}");
    assert!(output.stdout.is_empty(), "{options:?}");
    let lines: Vec<_> = told.lines().collect();
    let [what, hint] = lines.as_slice() else { panic!("{options:?}: {told}") };
    assert!(what.starts_with("error: ") && hint.starts_with("hint: "), "{options:?}: {told}");
    told
}

#[test]
fn every_encapsulation_stands_beside_the_others() {
    let document = json(&["--link-rate", "1Gbit/s"]);
    let rows = document["rows"].as_array().expect("rows");
    assert_eq!(rows.len(), keys_in(&text(&["--csv"])).len());
    assert!(rows.len() > 57, "{}", rows.len());
    // 1448 of 1538 bytes, and 1368 of 1518 inside WireGuard.
    let tcp = |key: &str| {
        let row = rows.iter().find(|row| row["key"] == key).expect(key);
        row["ceiling"]["tcp_bps"].as_u64()
    };
    assert_eq!(tcp("none"), Some(1_000_000_000 * 1448 / 1538));
    assert_eq!(tcp("wireguard"), Some(1_000_000_000 * 1368 / 1518));
    assert_eq!(document["in_depth"], serde_json::Value::Null);
}

fn keys_in(csv: &str) -> Vec<&str> {
    csv.lines().skip(1).filter_map(|line| line.split(',').nth(1)).collect()
}

/// A PPP link over Ethernet leaves 1492 (RFC 2516 section 7): the tunnel's 1432 + 60 fill it, and 1280 + 60 leave 152
/// unused.
#[test]
fn one_encapsulation_is_taken_apart() {
    let options =
        ["--encapsulation", "wireguard", "--framing", "pppoe", "--link-rate", "100Mbit/s"];
    let depth = &json(&options)["in_depth"];
    assert_eq!(
        (&depth["advice"]["mtu"], &depth["advice"]["mss_clamp"]),
        (&1432.into(), &1392.into())
    );
    let shown = text(&options);
    for wanted in
        ["To set: MTU 1432", "PPPoE and PPP protocol", "Secrecy: sound", "RFC 8200 section 5"]
    {
        assert!(shown.contains(wanted), "{wanted}: {shown}");
    }
    let pptp = text(&["--encapsulation", "pptp-mppe"]);
    assert!(pptp.contains("not for anything that must stay private"), "{pptp}");
}

/// The inner tunnel's 1370 + 50 fill the outer one's 1420, which are 1480 outside and 1518 on Ethernet.
#[test]
fn layers_stack() {
    let document = json(&["--encapsulation", "vxlan", "--through", "wireguard"]);
    let full = &document["rows"][0]["ceiling"];
    assert_eq!(
        (&full["inner_mtu_bytes"], &full["wire_length_bytes"]),
        (&1370.into(), &1518.into())
    );
    assert_eq!(document["rows"][0]["confidentiality"], "sound");
    // WireGuard inside VXLAN: 1390 + 60 = 1450, + 50 = 1500.
    let document = json(&["--encapsulation", "wireguard", "--through", "vxlan"]);
    assert_eq!(document["rows"][0]["ceiling"]["largest_inner_bytes"], 1390);
    let six = json(&["--encapsulation", "vxlan", "--through", "wireguard,ipv6,mtu=1400"]);
    assert_eq!(six["through"][0]["outer_family"], "ipv6");
    assert_eq!(six["rows"][0]["ceiling"]["inner_mtu_bytes"], 1350);
}

/// 50 toward far, 250 toward near: the air at 150 of 300 in turns is the limit toward near alone.
#[test]
fn the_limiting_link_is_named() {
    let options = [
        "--encapsulation",
        "wireguard",
        "--link-rate-up",
        "50Mbit/s",
        "--link-rate-down",
        "250Mbit/s",
        "--link",
        "air,rate=300Mbit/s,carries=inner,efficiency=50%,shared",
    ];
    let document = json(&options);
    let ways = &document["rows"][0]["ways"];
    assert_eq!(ways[0]["tcp_bound_by"], "line");
    assert_eq!(ways[0]["tcp_bps"], 50_000_000_u64 * 1368 / 1518);
    assert_eq!(ways[1]["tcp_bound_by"], "air");
    // Two packets of 1420 + 38, then an acknowledgement of 52 + 38.
    assert_eq!(ways[1]["tcp_bps"], 150_000_000_u64 * 2 * 1368 / (2 * 1458 + 90));
    assert!(text(&options).contains("air is the limit"));
}

/// 4 MiB in 50 ms are 671.089 Mbit/s.
#[test]
fn the_smallest_bound_is_named() {
    let options = ["--encapsulation", "wireguard", "--rtt", "50ms", "--window", "4MiB"];
    let outlook = &json(&options)["rows"][0]["ways"][0]["outlook"];
    assert_eq!(
        (&outlook["smallest"], &outlook["tcp_bps"]),
        (&"window".into(), &671_088_640.into())
    );
    let lossy: Vec<_> = options.into_iter().chain(["--loss", "0.001%"]).collect();
    let shown = text(&lossy);
    assert!(shown.contains("at most 137.15 Mbit/s, bound by loss (CUBIC)"), "{shown}");
    assert!(
        shown.contains("RFC 8312")
            && shown.contains("RFC 5348")
            && shown.contains("regular rare loss"),
        "{shown}"
    );
}

#[test]
fn what_cannot_be_is_refused() {
    for (options, said) in [
        (&["--mtu", "60"][..], "below 68"),
        (&["--encapsulation", "esp-gcm", "--mtu", "100"], "leaves no room"),
        (&["--encapsulation", "wireguard", "--mtu", "1000", "--outer", "ipv6"], "below 1280"),
        (&["--encapsulation", "esp-gcm", "--mtu", "1280", "--inner", "ipv6"], "below 1280"),
        (
            &["--encapsulation", "wireguard", "--tunnel-mtu", "1200", "--inner", "ipv6"],
            "below 1280",
        ),
        (&["--encapsulation", "pptp-mppe", "--outer", "ipv6"], "does not run over IPv6"),
        (&["--encapsulation", "6in4"], "does not carry IPv4"),
        (&["--encapsulation", "gre", "--through", "6in4"], "does not carry IPv4"),
        (
            &["--encapsulation", "openvpn-tcp-aead", "--through", "sstp-tls13"],
            "more than the model holds",
        ),
        (
            &["--through", "gre", "--through", "gre", "--through", "gre", "--through", "gre"],
            "more than",
        ),
        (&["--through", "none"], "no tunnel to go through"),
        (&["--encapsulation", "wiregaurd"], "'wireguard'"),
        (&["--encapsulation", "custom:0"], "does not describe a custom"),
        (&["--encapsulation", "geneve:6"], "Geneve's options"),
        (&["--link-rate", "100Mbps"], "'Mbps'"),
        (&["--link-rate", "100"], "100Mbit/s"),
        (&["--link-rate", "0Mbit/s"], "carries nothing"),
        (&["--link-rate-up", "0Mbit/s"], "carries nothing"),
        (&["--link", "air,rate=300"], "unit"),
        (&["--link", "air,rate=300Mbit/s", "--link", "air,rate=1Mbit/s"], "air"),
        (&["--efficiency", "0"], "above 0"),
        (&["--framing", "pppo"], "'pppoe'"),
        (&["--rtt", "0ms"], "sets no bound"),
        (&["--loss", "1%"], "--rtt"),
        (&["--rtt", "40ms", "--loss", "0"], "above 0"),
        (&["--rtt", "40ms", "--window", "4M"], "4MiB"),
        (&["--segments-per-acknowledgement", "0"], "0"),
        (&["--json", "--csv"], "--csv"),
    ] {
        let told = refusal(options);
        assert!(told.contains(said), "{options:?}: {told}");
    }
}

/// What the model refuses for some is a note among the others.
#[test]
fn a_refusal_among_many_is_a_note() {
    let shown = text(&["--outer", "ipv6"]);
    assert!(shown.contains("! pptp-mppe: pptp-mppe does not run over IPv6"), "{shown}");
}
