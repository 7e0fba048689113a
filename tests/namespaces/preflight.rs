//! The preflight through a gateway and a real tunnel, and its sentence for each broken set-up.

use std::time::Duration;

use serde_json::Value;

use crate::lab::{Lab, Ran, Wish, output};

/// Where somebody answers, nothing but the searches takes longer.
const SOON: Duration = Duration::from_secs(12);

/// `WireGuard`'s interface has 1420 bytes: 1500 less IPv6's 40, UDP's 8 and its own 32 (wg-quick(8)); 20 and 20 less for
/// IPv4 and TCP leave 1380 (RFC 9293 3.7.1).
#[test]
fn path_mtu_and_segments_through_a_real_tunnel_are_as_modelled() {
    let Some(lab) = Lab::build("preflight-inside") else { return };
    lab.does("wireguard-up", &[]);
    let document =
        whole(&lab.measure(&["preflight", lab.inside(), "--encapsulation", "wireguard", "--json"]));
    assert_eq!(
        (&document["model"]["tunnel_mtu"], &document["model"]["tcp_mss"]),
        (&1420.into(), &1380.into())
    );
    for way in ["toward_far", "toward_near"] {
        let way = &document[way];
        assert_eq!(way["path_mtu"]["largest_passing"], 1420, "{way:#}");
        assert_eq!(way["tcp_mss"], 1380, "{way:#}");
    }
    assert_eq!(document["near"]["interface_mtu"], 1420);
    assert!(codes(&document).contains(&"as_modelled"), "{document:#}");
}

/// `IPsec`'s interface has what was set on it, and TCP's segments 40 bytes less (RFC 9293 3.7.1). `OpenVPN`'s has 1500, whose
/// outer packets a line of 1500 cannot carry whole, and it lowers the MSS that passes (`--mssfix`, openvpn(8)).
#[test]
fn path_mtu_and_segments_of_other_tunnels() {
    let Some(lab) = Lab::build("preflight-tunnels") else { return };
    for (key, encapsulation) in
        [("ipsec-udp-gcm", "esp-gcm-udp"), ("openvpn-udp-gcm", "openvpn-udp-aead")]
    {
        lab.does("tunnel-up", &[key]);
        let options = ["preflight", lab.inside(), "--encapsulation", encapsulation, "--json"];
        let document = whole(&lab.measure(&options));
        let mtu = document["near"]["interface_mtu"].as_u64().expect("an MTU");
        let codes = codes(&document);
        for way in ["toward_far", "toward_near"] {
            let way = &document[way];
            assert_eq!(way["path_mtu"]["largest_passing"], mtu, "{key}: {document:#}");
            let mss = way["tcp_mss"].as_u64().expect("a segment");
            if key == "openvpn-udp-gcm" {
                assert!(mss < mtu - 40, "{key}: {document:#}");
            } else {
                assert_eq!(mss, mtu - 40, "{key}: {document:#}");
            }
        }
        let clamped = codes.iter().filter(|code| **code == "mss_clamped").count();
        let fragmented = codes.iter().filter(|code| **code == "outer_fragmentation").count();
        let expected = if key == "openvpn-udp-gcm" { (2, 2) } else { (0, 0) };
        assert_eq!((clamped, fragmented), expected, "{key}: {document:#}");
        lab.does("tunnel-down", &[key]);
    }
}

#[test]
fn the_line_outside_and_the_addresses_inside() {
    let Some(lab) = Lab::build("preflight-outside") else { return };
    let document = whole(&lab.measure(&["preflight", lab.outside(), "--json", "--find-inside"]));
    for way in ["toward_far", "toward_near"] {
        // The lab's links are Ethernet's.
        assert_eq!(document[way]["path_mtu"]["largest_passing"], 1500, "{document:#}");
        assert_eq!(document[way]["tcp_mss"], 1460);
    }
    assert_eq!(document["dialled"], "10.81.2.2");
    assert!(codes(&document).contains(&"forwarded"), "{document:#}");
    let (inside, _) = lab.inside().split_once(':').unwrap_or_else(|| (lab.inside(), ""));
    assert_eq!(document["far"]["address"], inside);
    assert_eq!(found_at(&document, inside), "not_reached");
    assert!(codes(&document).contains(&"inside_none"));

    lab.does("wireguard-up", &[]);
    let document = whole(&lab.measure(&["preflight", lab.outside(), "--json", "--find-inside"]));
    assert_eq!(found_at(&document, inside), "same_listener");
    assert!(!codes(&document).contains(&"inside_none"));

    // Both sites have the same addresses: nothing to them enters the tunnel.
    lab.does("wireguard-down", &[]);
    let make = ["link", "add", "home", "type", "veth", "peer", "name", "home-peer"];
    lab.run("cabin", "ip", &make);
    lab.run("cabin", "ip", &["addr", "add", &format!("{}/24", neighbour(inside)), "dev", "home"]);
    for end in ["home", "home-peer"] {
        lab.run("cabin", "ip", &["link", "set", end, "up"]);
    }
    let document = whole(&lab.measure(&["preflight", lab.outside(), "--json", "--find-inside"]));
    assert_eq!(found_at(&document, inside), "in_own_network");
    assert!(codes(&document).contains(&"same_addresses"), "{document:#}");
}

#[test]
fn each_broken_set_up_has_its_own_sentence() {
    let Some(lab) = Lab::build("preflight-broken") else { return };
    lab.does("filter-udp", &[]);
    let ran = lab.measure(&["preflight", lab.outside(), "--json"]);
    let document = partial(&ran, 3);
    let (error, hint) = ran.complaint();
    assert!(error.contains("answers by TCP") && error.contains("UDP is filtered"), "{error}");
    assert!(hint.contains("UDP"), "{hint}");
    assert_eq!((&document["tcp_reached"], &document["udp_reached"]), (&true.into(), &false.into()));
    assert_eq!(document["toward_far"]["path_mtu"], Value::Null);
    lab.does("mend", &[]);

    lab.does("unforward", &[]);
    let ran = lab.measure(&["preflight", lab.outside(), "--json"]);
    let document = partial(&ran, 3);
    let (error, hint) = ran.complaint();
    assert!(error.contains("cannot connect to 10.81.2.2:28460"), "{error}");
    assert!(hint.contains("port forward"), "{hint}");
    // Two networks lie between: it is nobody's own gateway.
    assert_eq!(document["dialled_is_own_gateway"], false, "{document:#}");

    // From the network behind the gateway its outside address is its own.
    let invite = lab.scratch("invite");
    let ran = output(
        lab.command("workshop", env!("CARGO_BIN_EXE_culvert"))
            .args(["preflight", lab.outside(), "--json", "--invite"])
            .arg(invite),
    );
    let document = partial(&ran, 3);
    assert_eq!(document["dialled_is_own_gateway"], true, "{document:#}");
    assert!(codes(&document).contains(&"hairpin"), "{document:#}");
}

#[test]
fn the_wrong_family_is_told() {
    let wish = Wish { listener: &["--listen", "0.0.0.0:28460"], ..Wish::default() };
    let Some(lab) = Lab::build_as("preflight-family", &wish) else { return };
    let ran = lab.measure(&["preflight", lab.outside(), "--family", "ipv6", "--json"]);
    partial(&ran, 3);
    let (error, hint) = ran.complaint();
    assert!(error.contains("10.81.2.2") && error.contains("IPv6"), "{error}");
    assert!(hint.contains("--family ipv4"), "{hint}");
}

fn whole(ran: &Ran) -> Value {
    assert_eq!(ran.status, Some(0), "{}\n{}", ran.stderr, ran.stdout);
    let document: Value = serde_json::from_str(&ran.stdout).expect("a document");
    assert_eq!(document["complete"], true, "{document:#}");
    document
}

fn partial(ran: &Ran, status: i32) -> Value {
    assert_eq!(ran.status, Some(status), "{}\n{}", ran.stderr, ran.stdout);
    assert!(ran.took < SOON, "{:?}", ran.took);
    let document: Value = serde_json::from_str(&ran.stdout).expect("a document");
    assert_eq!(document["complete"], false, "{document:#}");
    document
}

fn codes(document: &Value) -> Vec<&str> {
    let remarks = document["remarks"].as_array().expect("remarks");
    remarks.iter().filter_map(|remark| remark["code"].as_str()).collect()
}

fn found_at<'d>(document: &'d Value, address: &str) -> &'d str {
    let tried = document["inside"].as_array().expect("addresses that were tried");
    let one = tried.iter().find(|one| one["address"] == address).expect("the listener's own");
    one["found"].as_str().expect("a finding")
}

/// Another address of the same /24.
fn neighbour(address: &str) -> String {
    let (network, _) = address.rsplit_once('.').expect("an IPv4 address");
    format!("{network}.201")
}
