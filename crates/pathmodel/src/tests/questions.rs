//! Questions the model refuses, and tunnels inside tunnels.

use culvert_units::{BitRate, ExitStatus, Explain};

use super::{mtu, question, row};
use crate::{
    CeilingQuestion, Confidentiality, Encapsulation, Family, Layer, Link, ModelError, Tunnel, all,
    ceiling, ceiling_for_segment, ceiling_for_udp_payload, find,
};

fn refused(question: &CeilingQuestion<'_>) -> (ModelError, String) {
    let error = ceiling(question).unwrap_err();
    assert_eq!(error.exit_status(), ExitStatus::Usage);
    assert!(error.hint().is_some_and(|hint| !hint.ends_with('.')));
    let text = error.to_string();
    (error, text)
}

#[test]
fn impossible_questions_are_explained() {
    let (_, text) =
        refused(&CeilingQuestion { outer_family: Family::Ipv6, ..question("pptp-mppe") });
    assert_eq!(text, "pptp-mppe does not run over IPv6");

    let (_, text) = refused(&question("6in4"));
    assert_eq!(text, "6in4 over IPv4 does not carry IPv4 packets");

    let (_, text) = refused(&CeilingQuestion {
        underlay_mtu: mtu(1280),
        inner_family: Family::Ipv6,
        ..question("esp-gcm")
    });
    assert_eq!(text, "an MTU of 1226 bytes inside esp-gcm is below 1280, the least IPv6 allows");

    let (_, text) = refused(&CeilingQuestion { underlay_mtu: mtu(100), ..question("esp-gcm") });
    assert_eq!(text, "esp-gcm over IPv4 leaves no room for an inner packet in an MTU of 100 bytes");

    let (_, text) = refused(&CeilingQuestion {
        underlay_mtu: mtu(1000),
        outer_family: Family::Ipv6,
        ..question("wireguard")
    });
    assert_eq!(text, "an MTU of 1000 bytes under wireguard is below 1280, the least IPv6 allows");

    let (_, text) = refused(&CeilingQuestion {
        underlay_mtu: mtu(1000),
        inner_family: Family::Ipv6,
        ..question("none")
    });
    assert_eq!(text, "an MTU of 1000 bytes on the plain path is below 1280, the least IPv6 allows");

    let silent = Link::ethernet(BitRate::from_bits_per_second(0));
    assert_eq!(refused(&CeilingQuestion::new(silent, row("none"))).0, ModelError::NoRate);
}

#[test]
fn impossible_payloads_are_explained() {
    let wireguard = question("wireguard");
    assert_eq!(ceiling_for_udp_payload(&wireguard, 0), Err(ModelError::NoPayload));
    let error = ceiling_for_udp_payload(&wireguard, 65_535).unwrap_err();
    assert_eq!(error, ModelError::PayloadTooLong { payload: 65_535, length: 65_563 });
    assert_eq!(error.hint().unwrap(), "give a payload of at most 65507 bytes");
    assert!(ceiling_for_udp_payload(&wireguard, 65_507).is_ok());
    let error = ceiling_for_segment(&wireguard, 1369).unwrap_err();
    assert_eq!(
        error.to_string(),
        "a TCP segment of 1369 bytes needs an inner MTU of 1421 bytes, it is 1420"
    );
    assert!(ceiling_for_segment(&wireguard, 1368).is_ok());
}

/// Our own arithmetic: 1420 bytes inside hold 1392 of UDP; 1200 make 1228 inside, padded to 1232, 1292 outside.
#[test]
fn paced_payloads() {
    let answer = ceiling_for_udp_payload(&question("wireguard"), 1200).unwrap();
    assert_eq!(
        (answer.inner_lengths.as_slice(), answer.packets_on_link.as_slice()),
        ([1228].as_slice(), [1292].as_slice())
    );
    assert_eq!((answer.wire_length, answer.payloads_per_second), (1330, 93_984));
    assert_eq!(answer.goodput, BitRate::from_bits_per_second(902_255_639));

    assert!(!ceiling_for_udp_payload(&question("wireguard"), 1392).unwrap().fragments());
    let split = ceiling_for_udp_payload(&question("wireguard"), 1393).unwrap();
    // 1401 bytes behind the IP header: 1400 is a multiple of 8, so one byte is left for the second piece.
    assert_eq!(split.inner_lengths, [1420, 21]);
    assert_eq!(split.packets_on_link, [1480, 92]);
    assert_eq!(split.wire_length, 1480 + 38 + 92 + 38);
    assert!(split.fragments());
}

/// Our own arithmetic: WireGuard's customary 1420 over IPv6 needs 1500, which PPPoE does not have.
#[test]
fn a_customary_mtu_that_does_not_fit_is_reported() {
    let answer = ceiling(&CeilingQuestion {
        underlay_mtu: mtu(1492),
        outer_family: Family::Ipv6,
        ..question("wireguard")
    })
    .unwrap();
    assert_eq!((answer.inner_mtu, answer.largest_inner), (mtu(1420), mtu(1412)));
    assert_eq!(answer.outer_length, 1500);
    // 1460 bytes behind the IP header: 1440 with 48 in front, then 20 with 48.
    assert_eq!(answer.packets_on_link, [1488, 68]);
    assert!(answer.fragments());
    assert_eq!(answer.mss_clamp, 1408 - 40);
}

/// Our own arithmetic: WireGuard at 1420 leaves VXLAN 1370; 1370 + 50 = 1420, + 60 = 1480.
#[test]
fn vxlan_inside_wireguard() {
    let through = vec![Tunnel {
        encapsulation: row("wireguard"),
        outer_family: Family::Ipv4,
        interface_mtu: None,
    }];
    let answer = ceiling(&CeilingQuestion { through, ..question("vxlan") }).unwrap();
    assert_eq!((answer.inner_mtu, answer.largest_inner), (mtu(1370), mtu(1370)));
    assert_eq!((answer.outer_length, answer.packets_on_link.as_slice()), (1420, [1480].as_slice()));
    assert_eq!((answer.tcp_payload, answer.wire_length), (1318, 1518));
}

/// Our own arithmetic: an outer TCP segment inside WireGuard holds 1420 - 52 bytes of stream and costs 1518.
#[test]
fn a_stream_inside_a_tunnel() {
    let through = vec![Tunnel {
        encapsulation: row("wireguard"),
        outer_family: Family::Ipv4,
        interface_mtu: None,
    }];
    let answer = ceiling(&CeilingQuestion { through, ..question("openvpn-tcp-aead") }).unwrap();
    let share = 1448.0 / (1526.0 * 1518.0 / 1368.0);
    assert!((answer.tcp_share.get() - share).abs() < 1e-12);

    let twice = vec![Tunnel {
        encapsulation: row("sstp-tls13"),
        outer_family: Family::Ipv4,
        interface_mtu: None,
    }];
    let (error, _) = refused(&CeilingQuestion { through: twice, ..question("openvpn-tcp-aead") });
    assert_eq!(error, ModelError::ImpossibleStack { count: 2, streams: 2 });
}

#[test]
fn every_row_names_its_sources_and_its_verdict() {
    for (at, row) in all().iter().enumerate() {
        assert!(!row.name().is_empty() && !row.source().is_empty());
        assert!(!row.protection().reason.is_empty());
        assert!(
            row.layers().iter().all(|layer| !layer.source().is_empty() && !layer.name().is_empty())
        );
        assert_eq!(find(row.key()).unwrap().key(), row.key());
        assert!(all().iter().skip(at + 1).all(|later| later.key() != row.key()), "{}", row.key());
        assert!(row.layers().first().is_none_or(|layer| layer.name() == "IP header"));
        assert!(row.layers().iter().filter(|layer| Layer::is_stream(layer)).count() <= 1);
    }
}

/// No encapsulation without encryption, and never PPTP (RFC 3078 section 3 and 7), may count as keeping secrets.
#[test]
fn verdicts_on_secrecy() {
    for row in all() {
        let wanted = match row.key().split('-').next() {
            Some("none" | "gre" | "ipip" | "6in4" | "vxlan" | "geneve") => Confidentiality::None,
            Some("l2tp") if !row.key().contains("esp") => Confidentiality::None,
            Some("pptp") => Confidentiality::Broken,
            _ => Confidentiality::Sound,
        };
        assert_eq!(row.protection().confidentiality, wanted, "{}", row.key());
        assert_eq!(row.keeps_secrets(), wanted == Confidentiality::Sound);
    }
}

/// A stack is as secret as its best tunnel.
#[test]
fn a_stack_keeps_secrets_where_one_tunnel_does() {
    let through = |inner: &'static str, outer: &'static str| CeilingQuestion {
        through: vec![Tunnel {
            encapsulation: row(outer),
            outer_family: Family::Ipv4,
            interface_mtu: None,
        }],
        ..question(inner)
    };
    for (inner, outer, verdict, decides) in [
        ("vxlan", "wireguard", Confidentiality::Sound, "wireguard"),
        ("wireguard", "vxlan", Confidentiality::Sound, "wireguard"),
        ("l2tp", "gre", Confidentiality::None, "l2tp"),
        ("gre", "pptp-mppe", Confidentiality::Broken, "pptp-mppe"),
        ("pptp-mppe", "esp-gcm", Confidentiality::Sound, "esp-gcm"),
    ] {
        let question = through(inner, outer);
        let (protection, decisive) = question.protection();
        assert_eq!((protection.confidentiality, decisive.key()), (verdict, decides));
    }
}

#[test]
fn keys_travel_as_strings() {
    for row in all() {
        let text = serde_json::to_string(row).unwrap();
        assert_eq!(text, format!("\"{}\"", row.key()));
        assert_eq!(&serde_json::from_str::<Encapsulation>(&text).unwrap(), row);
    }
    let custom: Encapsulation = serde_json::from_str("\"custom:60:16\"").unwrap();
    assert_eq!(custom.outer_length(100, Family::Ipv4, mtu(1500)), 172);
    let error = serde_json::from_str::<Encapsulation>("\"wiregard\"").unwrap_err();
    assert!(error.to_string().starts_with("'wiregard' is not an encapsulation the model knows"));
    assert_eq!(serde_json::to_string(&Family::Ipv6).unwrap(), "\"ipv6\"");
}
