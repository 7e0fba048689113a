//! Paths of several links; all values are our own arithmetic.

use std::num::NonZeroU16;

use culvert_units::{BitRate, Explain, Fraction};
use proptest::prelude::*;

use super::{mtu, question, row};
use crate::{
    Carries, CeilingQuestion, Counted, Framing, Link, ModelError, PathLink, ceiling, path_ceiling,
};

fn ethernet(name: &str, megabits: u64, carries: Carries) -> PathLink {
    PathLink::new(name.to_owned(), Link::ethernet(BitRate::from_megabits(megabits)), carries)
}

/// 100 Mbit/s Ethernet before the tunnel carries 1368 of 1458 bytes, a 95 Mbit/s line under it 1368 of 1518.
#[test]
fn the_smallest_link_is_named() {
    let links = [
        ethernet("local network", 100, Carries::Inner),
        ethernet("upload line", 95, Carries::Outer),
        ethernet("backbone", 1000, Carries::Outer),
    ];
    let answer = path_ceiling(&question("wireguard"), &links).unwrap();
    let rates: Vec<u64> = answer.links.iter().map(|link| link.tcp.bits_per_second()).collect();
    assert_eq!(rates, [93_827_160, 85_612_648, 901_185_770]);
    assert_eq!(
        (answer.tcp_bound_by.as_str(), answer.udp_bound_by.as_str()),
        ("upload line", "upload line")
    );
    assert_eq!(answer.tcp, answer.links[1].tcp);
    assert_eq!(answer.udp, BitRate::from_bits_per_second(95_000_000 * 1392 / 1518));
}

/// A local link of 90 Mbit/s carries 84.44 of TCP; a line of 95 under the tunnel carries 85.61.
#[test]
fn the_smallest_link_may_lie_before_the_tunnel() {
    let links =
        [ethernet("line", 95, Carries::Outer), ethernet("local network", 90, Carries::Inner)];
    let answer = path_ceiling(&question("wireguard"), &links).unwrap();
    assert_eq!(answer.tcp_bound_by, "local network");
    assert_eq!(answer.tcp, BitRate::from_bits_per_second(90_000_000 * 1368 / 1458));
}

/// On a shared medium two segments of 1538 bytes wait for one acknowledgement of 52 + 38.
#[test]
fn acknowledgements_take_their_share_of_a_shared_medium() {
    let mut link = ethernet("shared", 100, Carries::Outer);
    link.shared = NonZeroU16::new(2);
    let answer = path_ceiling(&question("none"), &[link.clone()]).unwrap();
    let expected = 100_000_000_u64 * 2 * 1448 / (2 * 1538 + 52 + 38);
    assert_eq!(answer.tcp, BitRate::from_bits_per_second(expected));
    assert_eq!(answer.udp, BitRate::from_bits_per_second(100_000_000 * 1472 / 1538));
    // Inside WireGuard the acknowledgement is padded to 64 and has 60 bytes around it.
    let answer = path_ceiling(&question("wireguard"), &[link]).unwrap();
    let expected = 100_000_000_u64 * 2 * 1368 / (2 * 1518 + 64 + 60 + 38);
    assert_eq!(answer.tcp, BitRate::from_bits_per_second(expected));
}

#[test]
fn a_stated_efficiency_scales_the_rate() {
    let mut link = ethernet("Wi-Fi", 100, Carries::Inner);
    link.efficiency = Fraction::of(3.0, 5.0);
    let answer = path_ceiling(&question("none"), &[link.clone()]).unwrap();
    assert_eq!(answer.tcp, BitRate::from_bits_per_second(60_000_000 * 1448 / 1538));
    for share in [0.0, -0.5, 1.5] {
        link.efficiency = Fraction::of(share, 1.0);
        let error = path_ceiling(&question("none"), &[link.clone()]).unwrap_err();
        assert!(matches!(error, ModelError::Efficiency { .. }) && error.hint().is_some());
    }
    assert_eq!(path_ceiling(&question("none"), &[]), Err(ModelError::NoLinks));
}

/// PPPoE over ATM: a plain packet of 1492 bytes and WireGuard's outer packet of 1480 both take 32 cells.
#[test]
fn a_tunnel_over_cells() {
    let line = Link {
        rate: BitRate::from_megabits(10),
        framing: Framing::PppoeAtm,
        counted: Counted::Line,
    };
    let plain = ceiling(&CeilingQuestion::new(line, row("none"))).unwrap();
    assert_eq!((plain.wire_length, plain.tcp_payload), (32 * 53, 1440));
    let tunnel = ceiling(&CeilingQuestion {
        inner_mtu: Some(mtu(1420)),
        ..CeilingQuestion::new(line, row("wireguard"))
    })
    .unwrap();
    // 1480 + 32 + 8 = 1520 bytes fill 31.7 cells.
    assert_eq!(tunnel.wire_length, 32 * 53);
}

proptest! {
    #[test]
    fn no_link_gives_more_than_its_rate(
        rate: u64, share in 0.001_f64..=1.0, turns in 0_u16..9, outer: bool, row in proptest::sample::select(crate::all()),
    ) {
        let link = PathLink {
            efficiency: Fraction::of(share, 1.0),
            shared: NonZeroU16::new(turns),
            ..PathLink::new(
                "line".to_owned(),
                Link::ethernet(BitRate::from_bits_per_second(rate)),
                if outer { Carries::Outer } else { Carries::Inner },
            )
        };
        if let Ok(answer) = path_ceiling(&question(row.key()), &[link]) {
            let most = rate as f64 * share * (1.0 + 1e-6);
            prop_assert!(answer.tcp.bits_per_second() as f64 <= most);
            prop_assert!(answer.udp.bits_per_second() as f64 <= most);
        }
    }
}
