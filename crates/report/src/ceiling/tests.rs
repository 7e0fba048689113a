use std::time::Duration;

use culvert_pathmodel::{Carries, LossResponse, PathLink, Tunnel};
use culvert_units::{BitRate, Bytes};

use super::*;

fn row(key: &str) -> &'static Encapsulation {
    find(key).expect("a row")
}

fn hundred() -> Link {
    Link::ethernet(BitRate::from_megabits(100))
}

fn question(key: &str) -> CeilingQuestion<'static> {
    CeilingQuestion::new(hundred(), row(key))
}

fn table() -> CeilingTable {
    let rows = ["none", "wireguard", "pptp-mppe"].map(row);
    CeilingTable::new(&question("none"), None, None, rows)
}

/// 20 toward far and 100 toward near, then 90 at 60 % in turns before the tunnel.
fn two_links() -> Path {
    let line = PathLink {
        toward_far: BitRate::from_megabits(20),
        ..PathLink::new("line".to_owned(), hundred(), Carries::Outer)
    };
    let air = PathLink {
        efficiency: Fraction::of(3.0, 5.0),
        shared: true,
        ..PathLink::new(
            "air".to_owned(),
            Link::ethernet(BitRate::from_megabits(90)),
            Carries::Inner,
        )
    };
    Path::new(vec![line, air])
}

const CONNECTION: Conditions = Conditions {
    rtt: Duration::from_millis(40),
    window: Some(Bytes::new(65_536)),
    buffer: None,
    loss: None,
    control: LossResponse::Cubic,
};

fn through_wireguard(key: &str) -> CeilingQuestion<'static> {
    let around =
        Tunnel { encapsulation: row("wireguard"), outer_family: Family::Ipv4, interface_mtu: None };
    CeilingQuestion { through: vec![around], ..question(key) }
}

fn only(question: &CeilingQuestion<'_>) -> String {
    CeilingTable::new(question, None, None, [question.encapsulation]).terminal(200)
}

fn json(table: &CeilingTable) -> serde_json::Value {
    let mut bytes = Vec::new();
    table.json(&mut bytes).expect("written");
    serde_json::from_slice(&bytes).expect("JSON")
}

fn csv(table: &CeilingTable) -> String {
    let mut bytes = Vec::new();
    table.csv(&mut bytes).expect("written");
    String::from_utf8(bytes).expect("text")
}

// 100 × 1448 / (1500 + 38) = 94.15; WireGuard at MTU 1420: 100 × 1368 / (1480 + 38) = 90.12, 95.7 % of it; PPTP
// at its largest, 1460: 100 × 1408 / (1500 + 38) = 91.55, 97.2 %.
#[test]
fn shows_the_arithmetic() {
    insta::assert_snapshot!("narrow", table().terminal(80));
    insta::assert_snapshot!("wide", table().terminal(120));
}

// Toward far 20 × 1368 / 1518 = 18.02 on the line. Toward near the air is the limit: two segments of 1420 + 38 and an
// acknowledgement of 52 + 38 at 54 Mbit/s, 54 × 2 × 1368 / (2 × 1458 + 90) = 49.15. A window of 65 536 in 40 ms is 13.11.
#[test]
fn a_path_has_two_ways() {
    let rows = ["none", "wireguard", "pptp-mppe"].map(row);
    let table = CeilingTable::new(&question("none"), Some(&two_links()), Some(&CONNECTION), rows);
    insta::assert_snapshot!("two_ways", table.terminal(100));
    let ways = &json(&table)["rows"][1]["ways"];
    assert_eq!(
        (&ways[0]["toward"], &ways[1]["toward"]),
        (&"toward-far".into(), &"toward-near".into())
    );
    assert_eq!(
        (&ways[0]["tcp_bound_by"], &ways[1]["tcp_bound_by"]),
        (&"line".into(), &"air".into())
    );
    assert_eq!(ways[0]["tcp_bps"], 20_000_000_u64 * 1368 / 1518);
    assert_eq!(ways[1]["tcp_bps"], 54_000_000_u64 * 2 * 1368 / (2 * 1458 + 90));
    assert_eq!(ways[0]["outlook"]["smallest"], "window");
}

// 1368 + 32 + 20 = 1420, + 32 + 8 + 20 = 1480, + 18 + 20 = 1518: 90.12 % is payload. The largest MTU, 1440, carries 1388 in
// 1538, 90.25 Mbit/s; 1280 carries 1228 in 1378, 89.11, which is 1.25 % less.
#[test]
fn one_is_shown_in_depth() {
    let rows = [row("wireguard")];
    let only = CeilingTable::new(&question("wireguard"), None, Some(&CONNECTION), rows);
    insta::assert_snapshot!("in_depth", only.terminal(100));
    let depth = &json(&only)["in_depth"];
    assert_eq!(depth["advice"]["mtu"], 1440);
    assert_eq!(depth["anatomy"]["layers"][3]["name"], "WireGuard data message");
    assert_eq!(depth["secrecy"]["confidentiality"], "sound");
    assert!(json(&table())["in_depth"].is_null());
}

// OpenVPN at 1500: 1552 outside become 1500 + 72. Toward near 50 Mbit/s need 1.4 Mbit/s of acknowledgements.
#[test]
fn what_is_split_and_what_is_short_is_said() {
    let mut path = Path::new(vec![PathLink::new("line".to_owned(), hundred(), Carries::Outer)]);
    path.links[0].toward_far = BitRate::from_megabits(1);
    let question =
        CeilingQuestion { inner_mtu: Some(Mtu::ETHERNET), ..question("openvpn-udp-aead") };
    let table = CeilingTable::new(&question, Some(&path), None, [row("openvpn-udp-aead")]);
    let text = table.terminal(200);
    assert!(text.contains("split into 1500 + 72"), "{text}");
    assert!(text.contains("SPLIT on the link into 1500 + 72"), "{text}");
    assert!(text.contains("asked for, SPLITS full-size packets"), "{text}");
    assert!(text.contains("! acknowledgements take"), "{text}");
}

/// What must never be recommended says so, whatever else is said of it, and a tunnel around it that keeps secrets counts.
#[test]
fn nothing_unsafe_is_recommended() {
    const WARNING: &str = "not for anything that must stay private";
    for key in ["none", "gre", "l2tp", "vxlan", "pptp-mppe", "pptp-mppe-compressed-ack"] {
        assert!(only(&question(key)).contains(WARNING), "{key}");
    }
    for row in culvert_pathmodel::all() {
        // 6in4 does not carry the IPv4 that is asked for.
        let warned = only(&question(row.key())).contains(WARNING) || row.key() == "6in4";
        assert_eq!(warned, !row.keeps_secrets(), "{}", row.key());
    }
    let text = only(&through_wireguard("vxlan"));
    assert!(text.contains("Secrecy: sound") && text.contains("wireguard: ChaCha20"), "{text}");
}

#[test]
fn streams_say_that_they_are_estimates() {
    for row in culvert_pathmodel::all() {
        let text = only(&question(row.key()));
        let said = text.contains("an estimate: the tunnel is a TCP connection");
        assert_eq!(said, row.is_stream(), "{}", row.key());
    }
}

/// Plain means without any tunnel, so what others are carried through is in the share: 1368 / 1518 of 1448 / 1538.
#[test]
fn the_share_counts_the_tunnels_around() {
    let rows = [row("none"), row("vxlan")];
    let table = CeilingTable::new(&through_wireguard("none"), None, None, rows);
    let share = table.rows()[0].share_of_plain.expect("a share").get();
    assert!((share - (1368.0 / 1518.0) / (1448.0 / 1538.0)).abs() < 1e-6, "{share}");
    assert!(table.terminal(100).contains("through wireguard"));
}

#[test]
fn csv_has_numbers_without_units_and_empty_cells() {
    let mut table = table();
    table.rows[2].ceiling = None;
    table.rows[2].ways = Vec::new();
    let text = csv(&table);
    let mut reader = ::csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
    let lines: Vec<_> =
        reader.records().map(|line| line.expect("as many cells as columns")).collect();
    let column = |name: &str| lines[0].iter().position(|column| column == name).expect(name);
    assert_eq!(&lines[2][column("toward_far_tcp_bps")], "90118577");
    assert_eq!(&lines[2][column("toward_near_tcp_bps")], "90118577");
    assert_eq!(&lines[2][column("mss_clamp_bytes")], "1380");
    assert_eq!(&lines[2][column("toward_far_limit_link")], "");
    assert_eq!(&lines[3][column("toward_far_tcp_bps")], "");
    assert_eq!(&lines[3][column("inner_mtu_bytes")], "");
}

#[test]
fn csv_keeps_the_ways_apart() {
    let rows = [row("none"), row("wireguard")];
    let table = CeilingTable::new(&question("none"), Some(&two_links()), Some(&CONNECTION), rows);
    let text = csv(&table);
    let line = text.lines().nth(2).expect("wireguard");
    assert!(line.contains(&format!(",{},", 20_000_000_u64 * 1368 / 1518)), "{line}");
    assert!(line.contains(",line,") && line.contains(",air,") && line.contains(",window,"));
}

#[test]
fn json_carries_its_version_and_the_question() {
    let document = json(&table());
    assert_eq!(document["schema"], CEILING_SCHEMA);
    assert_eq!(document["link"]["rate_bps"], 100_000_000);
    assert_eq!(document["rows"][1]["ceiling"]["tcp_bps"], 90_118_577);
    assert_eq!(document["rows"][1]["ways"][0]["tcp_bps"], 90_118_577);
    assert!(document["rows"][1]["ways"][0]["toward"].is_null());
    assert_eq!(document["rows"][2]["confidentiality"], "broken");
}

#[test]
fn a_refusal_is_a_row_too() {
    let question = CeilingQuestion { outer_family: Family::Ipv6, ..question("pptp-mppe") };
    let table = CeilingTable::new(&question, None, None, [row("pptp-mppe")]);
    assert_eq!(table.rows()[0].ceiling, None);
    assert!(table.terminal(100).contains("pptp-mppe does not run over IPv6"));
}

/// Names of links are typed by people.
#[test]
fn names_cannot_steer_the_terminal() {
    let mut path = two_links();
    path.links[1].name = "a\u{1b}[2Jb".to_owned();
    for rows in [vec![row("wireguard")], vec![row("wireguard"), row("none")]] {
        let text = CeilingTable::new(&question("none"), Some(&path), None, rows).terminal(100);
        assert!(text.contains("[2Jb") && !text.contains('\u{1b}'));
    }
}
