//! Packets taken apart, and what to set; all values are our own arithmetic.

use culvert_units::{BitRate, Mtu};

use super::{gigabit, mtu, question, rounds_to, row};
use crate::{
    CeilingQuestion, Family, Framing, Link, Reason, Tunnel, UseOf, advice, anatomy, ceiling,
};

fn used(question: &CeilingQuestion<'_>) -> Vec<(UseOf, f64)> {
    anatomy(question).unwrap().uses.iter().map(|part| (part.on, part.bytes)).collect()
}

/// 1368 + 32 + 20 = 1420; 1420 + 32 + 8 + 20 = 1480; 1480 + 18 + 20 = 1518.
#[test]
fn wireguard_layer_by_layer() {
    let found = anatomy(&question("wireguard")).unwrap();
    let layers: Vec<_> = found
        .layers
        .iter()
        .map(|layer| (layer.name, layer.headers, layer.padding, layer.length))
        .collect();
    assert_eq!(
        layers,
        [
            ("payload", 1368, 0, 1368),
            ("TCP with timestamps", 32, 0, 1400),
            ("IP header", 20, 0, 1420),
            ("WireGuard data message", 32, 0, 1452),
            ("UDP", 8, 0, 1460),
            ("IP header", 20, 0, 1480),
        ]
    );
    let framing: Vec<_> = found.framing.iter().map(|part| part.bytes).collect();
    assert_eq!(framing, [18, 20]);
    assert!(rounds_to(found.uses[0].share.get(), 1368.0 / 1518.0, 12));
}

/// ESP with AES-CBC around 1400: 1402 is padded to 1408, around it 8 + 16 + 16; outside 20. PPPoE adds 8 to Ethernet's 38.
#[test]
fn headers_and_padding_are_told_apart() {
    let link = Link { framing: Framing::Pppoe, ..gigabit() };
    let question = CeilingQuestion {
        inner_mtu: Some(mtu(1400)),
        ..CeilingQuestion::new(link, row("esp-cbc-sha256"))
    };
    assert_eq!(
        used(&question),
        [
            (UseOf::Payload, 1348.0),
            (UseOf::InnerHeaders, 52.0),
            (UseOf::TunnelHeaders, 8.0 + 16.0 + 2.0 + 16.0 + 20.0),
            (UseOf::Padding, 6.0),
            (UseOf::Splitting, 0.0),
            (UseOf::Framing, 46.0),
        ]
    );
}

/// OpenVPN with an MTU of 1500: 1552 outside become 1500 and 72, so one IP header more, and a frame more.
#[test]
fn splitting_has_its_price() {
    let question = CeilingQuestion { inner_mtu: Some(mtu(1500)), ..question("openvpn-udp-aead") };
    assert_eq!(
        used(&question),
        [
            (UseOf::Payload, 1448.0),
            (UseOf::InnerHeaders, 52.0),
            (UseOf::TunnelHeaders, 52.0),
            (UseOf::Padding, 0.0),
            (UseOf::Splitting, 20.0),
            (UseOf::Framing, 76.0),
        ]
    );
}

/// SSTP over TLS 1.3 makes records of 1530 bytes from 1500; segments carry 1448 of the stream in 1500 + 38.
#[test]
fn a_stream_shares_its_segments() {
    let found = anatomy(&question("sstp-tls13")).unwrap();
    let share = 1530.0 / 1448.0;
    let bytes: Vec<_> = found.uses.iter().map(|part| part.bytes).collect();
    let wanted = [1448.0, 52.0, 30.0 + 52.0 * share, 0.0, 0.0, 38.0 * share];
    assert!(
        bytes.iter().zip(wanted).all(|(found, wanted)| (found - wanted).abs() < 1e-9),
        "{bytes:?}"
    );
    let last = found.layers.last().unwrap();
    assert_eq!((last.name, last.length), ("IP header", 1500));
    assert!((last.packets - share).abs() < 1e-12);
}

/// WireGuard (1420) around ESP in transport mode: the IP header of 20 moves outside, so ESP adds 8 + 8 + 2 + 16 and its
/// padding; 1384 inside, 1364 + 2 is padded to 1368, + 32, + 20 = 1420, + 60 = 1480.
#[test]
fn a_header_that_moves_is_negative() {
    let question = CeilingQuestion {
        through: vec![Tunnel {
            encapsulation: row("wireguard"),
            outer_family: Family::Ipv4,
            interface_mtu: None,
        }],
        ..question("esp-transport-gcm")
    };
    let full = ceiling(&question).unwrap();
    assert_eq!((full.inner_mtu, full.outer_length), (mtu(1386), 1420));
    let found = anatomy(&question).unwrap();
    let esp: Vec<_> = found
        .layers
        .iter()
        .filter(|layer| layer.tunnel.as_deref() == Some("esp-transport-gcm"))
        .map(|layer| layer.headers)
        .collect();
    assert_eq!(esp, [-20, 34, 20]);
    assert_eq!(found.layers.last().unwrap().length, 1480);
}

/// WireGuard in PPPoE's 1492: 1432 fits over IPv4, 1412 over IPv6; TCP loses 8 of 1380 bytes and 8 of 1538 on the wire when
/// 1424 is chosen, and at 1280 carries 1228 in 1340 + 46.
#[test]
fn what_to_set_for_wireguard_on_pppoe() {
    let link = Link { rate: BitRate::from_megabits(100), framing: Framing::Pppoe, ..gigabit() };
    let found = advice(&CeilingQuestion::new(link, row("wireguard"))).unwrap();
    assert_eq!((found.mtu, found.mss_clamp), (mtu(1432), 1392));
    let mtus: Vec<_> = found.choices.iter().map(|choice| choice.mtu.get()).collect();
    assert_eq!(mtus, [1432, 1420, 1412, 1400, 1280]);
    assert_eq!(found.choices[2].reasons, [Reason::EitherFamily]);
    assert!(found.choices.iter().all(|choice| !choice.splits));
    let least = found.choices.last().unwrap();
    let lost = 1.0 - (1228.0 / 1386.0) / (1380.0 / 1538.0);
    assert!((least.lost.get() - lost).abs() < 1e-7, "{:?}", least.lost);
    assert_eq!(least.mss_clamp, 1240);
    assert!(found.choices[0].lost.get().abs() < f64::EPSILON);
    // 1492 inside: 1400 and 92 + 20 at the customary 1420; 92 of data is 1472 - 1400 + 20.
    let plain = found.plain_datagram.unwrap();
    assert_eq!((plain.payload, plain.inner_lengths.as_slice()), (1464, [1420, 92].as_slice()));
    assert!(!found.full_datagram.fragments());
}

/// Over IPv6 WireGuard's customary 1420 does not fit PPPoE: the advice is 1412, and 1420 splits.
#[test]
fn a_customary_mtu_that_splits_is_advised_against() {
    let link = Link { framing: Framing::Pppoe, ..gigabit() };
    let question = CeilingQuestion {
        outer_family: Family::Ipv6,
        ..CeilingQuestion::new(link, row("wireguard"))
    };
    let found = advice(&question).unwrap();
    assert_eq!(found.mtu, mtu(1412));
    let customary = &found.choices[0];
    assert_eq!((customary.mtu, customary.splits), (mtu(1420), true));
    assert!(found.full_datagram.fragments());
    assert_eq!(found.full_datagram.packets_on_link, [1488, 68]);
}

/// A stream binds no MTU: the advice keeps the customary one. A plain path has no datagram of a plain path to compare.
#[test]
fn advice_for_a_stream_and_for_the_plain_path() {
    let stream = advice(&question("openvpn-tcp-aead")).unwrap();
    assert_eq!(stream.mtu, Mtu::ETHERNET);
    assert!(stream.choices.iter().all(|choice| choice.mtu <= Mtu::ETHERNET));
    let plain = advice(&question("none")).unwrap();
    assert_eq!((plain.mtu, plain.plain_datagram), (Mtu::ETHERNET, None));
}
