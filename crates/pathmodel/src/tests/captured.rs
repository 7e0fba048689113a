//! Against packets captured from real implementations on one machine, offloads off.
//!
//! wireguard-go 0.0.20220316, OpenVPN 2.6.14 and strongSwan 5.9.8 (user-space ESP) as Debian 12 ships them; kernel ESP,
//! PPTP, L2TP, GRE and IP in IP of Linux 6.1 in Debian 12's user-mode-linux; VXLAN of Linux 6.18.

use culvert_units::BitRate;

use super::{mtu, row};
use crate::{CeilingQuestion, Family::Ipv4, Link, ceiling, ceiling_for_segment};

/// Row, implementation, MTU of the tunnel interface, inner and outer lengths as captured.
type Captured = (&'static str, &'static str, u16, &'static [(u16, u32)]);

const CAPTURED: &[Captured] = &[
    ("wireguard", WIREGUARD_GO, 1420, &[(1420, 1480), (1404, 1468), (100, 172), (96, 156)]),
    ("openvpn-udp-aead", OPENVPN, 1500, &[(1420, 1472), (99, 151)]),
    ("openvpn-udp-cbc-sha256", OPENVPN, 1500, &[(1403, 1488), (100, 192)]),
    ("esp-gcm-udp", STRONGSWAN, 1400, &[(1400, 1464), (97, 160)]),
    ("esp-chacha20-udp", STRONGSWAN, 1400, &[(1400, 1464), (97, 160)]),
    ("esp-cbc-sha256-udp", STRONGSWAN, 1400, &[(1400, 1476), (84, 164)]),
    ("esp-gcm", LINUX, 1446, &[(1400, 1456)]),
    ("esp-cbc-sha256", LINUX, 1438, &[(1400, 1468), (84, 156)]),
    ("l2tp", LINUX, 1400, &[(1400, 1438)]),
    ("l2tp-esp-gcm", LINUX, 1400, &[(1400, 1472), (84, 156)]),
    ("l2tp-esp-cbc-sha256", LINUX, 1400, &[(1380, 1468), (84, 172)]),
];

#[test]
fn outer_lengths() {
    for (key, implementation, interface, pairs) in CAPTURED {
        for (inner, outer) in *pairs {
            let length = row(key).outer_length(*inner, Ipv4, mtu(*interface));
            assert_eq!(length, *outer, "{key} ({implementation}) around {inner}");
        }
    }
}

/// Row, implementation, MTU of the tunnel interface, and the rule that the captured lengths followed.
type Followed = (&'static str, &'static str, u16, fn(u32) -> u32);

const FOLLOWED: &[Followed] = &[
    ("none", "nftables port forward", 1500, |n| n),
    ("wireguard", WIREGUARD_GO, 1420, |n| 60 + up(n, 16).min(1420)),
    ("openvpn-udp-aead", OPENVPN, 1500, |n| 52 + n),
    ("openvpn-udp-cbc-sha256", OPENVPN, 1500, |n| 80 + up(n + 5, 16)),
    ("openvpn-tcp-aead", OPENVPN, 1500, |n| 78 + n),
    ("esp-gcm-udp", STRONGSWAN, 1400, |n| 60 + up(n + 2, 4)),
    ("esp-chacha20-udp", STRONGSWAN, 1400, |n| 60 + up(n + 2, 4)),
    ("esp-cbc-sha256-udp", STRONGSWAN, 1400, |n| 68 + up(n + 2, 16)),
    ("esp-gcm", LINUX, 1446, |n| 52 + up(n + 2, 4)),
    ("esp-cbc-sha256", LINUX, 1438, |n| 60 + up(n + 2, 16)),
    ("pptp-mppe-acfc-pfc", LINUX, 1396, |n| 37 + n),
    ("pptp-mppe-acfc-pfc-ack", LINUX, 1396, |n| 41 + n),
    ("pptp-mppe-pfc", LINUX, 1396, |n| 39 + n),
    ("pptp-mppe-pfc-ack", LINUX, 1396, |n| 43 + n),
    ("l2tp", LINUX, 1400, |n| 38 + n),
    // The constants of these two are what the captured pairs above leave: 1472 - 1420 and 1468 - 1408.
    ("l2tp-esp-gcm", LINUX, 1400, |n| 52 + up(n + 20, 4)),
    ("l2tp-esp-cbc-sha256", LINUX, 1400, |n| 60 + up(n + 20, 16)),
    ("vxlan", "Linux 6.18", 1450, |n| 50 + n),
    ("gre", LINUX, 1476, |n| 24 + n),
    ("ipip", LINUX, 1480, |n| 20 + n),
];

#[test]
fn the_rules_that_captures_followed() {
    for (key, implementation, interface, rule) in FOLLOWED {
        for inner in 28..=*interface {
            let length = row(key).outer_length(inner, Ipv4, mtu(*interface));
            assert_eq!(length, rule(u32::from(inner)), "{key} ({implementation}) around {inner}");
        }
    }
}

fn up(length: u32, alignment: u32) -> u32 {
    length.div_ceil(alignment) * alignment
}

const WIREGUARD_GO: &str = "wireguard-go 0.0.20220316";
const OPENVPN: &str = "OpenVPN 2.6.14";
const STRONGSWAN: &str = "strongSwan 5.9.8";
const LINUX: &str = "Linux 6.1 in user-mode-linux";

/// With AES-CBC and HMAC-SHA256, OpenVPN split an inner packet of 1404 bytes and not one of 1403.
#[test]
fn openvpn_cbc_splits_from_1404_on() {
    let largest = row("openvpn-udp-cbc-sha256").largest_inner(mtu(1500), Ipv4);
    assert_eq!(largest, Ok(mtu(1403)));
}

/// TCP goodput in Mbit/s measured behind a shaper that counts what Ethernet counts, Cubic, timestamps: row, interface
/// MTU, observed segment payload or 0 for full packets, rate, measured, allowed difference in per mille.
///
/// The measured values are averages of short runs, so most are within half of a per mille. PPTP's shaper ran at 20
/// Mbit/s over a user-space daemon; a stream is an estimate from the start.
const MEASURED: &[(&str, u16, u16, u64, f64, f64)] = &[
    ("none", 1500, 0, 100, 94.19, 0.6),
    ("wireguard", 1420, 0, 100, 90.16, 0.6),
    ("openvpn-udp-aead", 1500, 1388, 100, 90.74, 0.6),
    ("openvpn-udp-cbc-sha256", 1500, 1351, 100, 88.56, 0.6),
    ("openvpn-tcp-aead", 1500, 1374, 100, 88.88, 3.0),
    ("esp-gcm-udp", 1400, 0, 100, 89.77, 0.6),
    ("esp-cbc-sha256-udp", 1400, 0, 100, 89.07, 0.6),
    ("esp-gcm", 1446, 0, 100, 90.64, 0.6),
    ("pptp-mppe-acfc-pfc", 1396, 0, 20, 18.24, 2.0),
    ("l2tp", 1400, 0, 100, 91.34, 0.6),
    ("l2tp-esp-gcm", 1400, 0, 100, 89.29, 0.6),
    ("vxlan", 1450, 0, 100, 90.95, 0.6),
    ("gre", 1476, 0, 100, 92.61, 0.6),
    ("ipip", 1480, 0, 100, 92.87, 0.6),
];

#[test]
fn goodput_behind_a_shaper() {
    for (key, interface, segment, megabits, measured, per_mille) in MEASURED.iter().copied() {
        let question = CeilingQuestion {
            inner_mtu: Some(mtu(interface)),
            ..CeilingQuestion::new(Link::ethernet(BitRate::from_megabits(megabits)), row(key))
        };
        let rate = if segment == 0 {
            ceiling(&question).unwrap().tcp
        } else {
            ceiling_for_segment(&question, segment).unwrap().goodput
        };
        let difference = (rate.megabits() / measured - 1.0).abs() * 1000.0;
        assert!(
            difference <= per_mille,
            "{key}: {rate} against {measured} ({difference:.2} per mille)"
        );
    }
}
