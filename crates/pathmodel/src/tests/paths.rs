//! Paths of several links; all values are our own arithmetic.

use std::num::NonZeroU16;

use culvert_units::{BitRate, Explain, Fraction};
use proptest::prelude::*;

use super::{mtu, question, row};
use crate::{
    Carries, CeilingQuestion, Counted,
    Direction::{self, TowardFar, TowardNear},
    Framing, Link, ModelError, Path, PathCeiling, PathLink, ceiling, path_ceiling,
};

fn ethernet(name: &str, megabits: u64, carries: Carries) -> PathLink {
    PathLink::new(name.to_owned(), Link::ethernet(BitRate::from_megabits(megabits)), carries)
}

fn ask(key: &str, links: &[PathLink], direction: Direction) -> Result<PathCeiling, ModelError> {
    path_ceiling(&question(key), &Path::new(links.to_vec()), direction)
}

/// 100 Mbit/s Ethernet before the tunnel carries 1368 of 1458 bytes, a 95 Mbit/s line under it 1368 of 1518.
#[test]
fn the_smallest_link_is_named() {
    let links = [
        ethernet("local network", 100, Carries::Inner),
        ethernet("upload line", 95, Carries::Outer),
        ethernet("backbone", 1000, Carries::Outer),
    ];
    let answer = ask("wireguard", &links, TowardFar).unwrap();
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
    let answer = ask("wireguard", &links, TowardFar).unwrap();
    assert_eq!(answer.tcp_bound_by, "local network");
    assert_eq!(answer.tcp, BitRate::from_bits_per_second(90_000_000 * 1368 / 1458));
}

/// On a shared medium two segments of 1538 bytes wait for one acknowledgement of 52 + 38.
#[test]
fn acknowledgements_take_their_share_of_a_shared_medium() {
    let mut link = ethernet("shared", 100, Carries::Outer);
    link.shared = true;
    let answer = ask("none", std::slice::from_ref(&link), TowardFar).unwrap();
    let expected = 100_000_000_u64 * 2 * 1448 / (2 * 1538 + 52 + 38);
    assert_eq!(answer.tcp, BitRate::from_bits_per_second(expected));
    assert_eq!(answer.udp, BitRate::from_bits_per_second(100_000_000 * 1472 / 1538));
    // Inside WireGuard the acknowledgement is padded to 64 and has 60 bytes around it.
    let answer = ask("wireguard", std::slice::from_ref(&link), TowardFar).unwrap();
    let expected = 100_000_000_u64 * 2 * 1368 / (2 * 1518 + 64 + 60 + 38);
    assert_eq!(answer.tcp, BitRate::from_bits_per_second(expected));
}

#[test]
fn a_stated_efficiency_scales_the_rate() {
    let mut link = ethernet("Wi-Fi", 100, Carries::Inner);
    link.efficiency = Fraction::of(3.0, 5.0);
    let answer = ask("none", std::slice::from_ref(&link), TowardFar).unwrap();
    assert_eq!(answer.tcp, BitRate::from_bits_per_second(60_000_000 * 1448 / 1538));
    for share in [0.0, -0.5, 1.5] {
        link.efficiency = Fraction::of(share, 1.0);
        let error = ask("none", std::slice::from_ref(&link), TowardFar).unwrap_err();
        assert!(matches!(error, ModelError::Efficiency { .. }) && error.hint().is_some());
    }
    assert_eq!(ask("none", &[], TowardFar), Err(ModelError::NoLinks));
    let twice = [ethernet("line", 1, Carries::Outer), ethernet("line", 2, Carries::Outer)];
    let error = ask("none", &twice, TowardFar).unwrap_err();
    assert!(error.to_string().contains("'line'") && error.hint().is_some());
}

/// 1448 bytes of payload in 1538: 50 Mbit/s toward near, 10 toward far carry 47.07 and 9.41. Toward near every second
/// segment makes an acknowledgement of 52 + 38 bytes: 47 074 122 / (2 * 1448) * 90 bit/s of the 10 Mbit/s.
#[test]
fn each_direction_has_its_rate() {
    let mut line = ethernet("line", 50, Carries::Outer);
    line.toward_far = BitRate::from_megabits(10);
    let near = ask("none", std::slice::from_ref(&line), TowardNear).unwrap();
    let far = ask("none", std::slice::from_ref(&line), TowardFar).unwrap();
    assert_eq!(near.tcp, BitRate::from_bits_per_second(50_000_000 * 1448 / 1538));
    assert_eq!(far.tcp, BitRate::from_bits_per_second(10_000_000 * 1448 / 1538));
    let acknowledgements = near.links[0].acknowledgements.bits_per_second();
    assert_eq!(acknowledgements, 47_074_122 * 90 / (2 * 1448));
    assert_eq!(near.links[0].opposite, line.toward_far);
    // A line of 100 to 1 cannot bring back what it would have to.
    line.toward_far = BitRate::from_bits_per_second(500_000);
    let near = ask("none", std::slice::from_ref(&line), TowardNear).unwrap();
    assert!(near.links[0].acknowledgements > near.links[0].opposite);
    line.toward_far = BitRate::from_bits_per_second(0);
    assert_eq!(ask("none", &[line], TowardFar), Err(ModelError::NoRate));
}

/// On a medium that takes turns, the time of two segments of 1538 at 100 Mbit/s and of an acknowledgement of 90 at 20.
#[test]
fn turns_at_two_rates_add_up_in_time() {
    let mut air = ethernet("air", 100, Carries::Inner);
    (air.shared, air.toward_near) = (true, BitRate::from_megabits(20));
    let answer = ask("none", &[air], TowardFar).unwrap();
    let microseconds = 2.0 * 1538.0 * 8.0 / 100.0 + 90.0 * 8.0 / 20.0;
    assert!((answer.tcp.megabits() - 2.0 * 1448.0 * 8.0 / microseconds).abs() < 1e-6);
}

/// PPPoE takes 8 of 1500 bytes (RFC 2516 section 7); links that carry inner packets do not bind the outer MTU.
#[test]
fn the_narrowest_outer_link_sets_the_underlay() {
    let mut links =
        vec![ethernet("local", 1000, Carries::Inner), ethernet("line", 100, Carries::Outer)];
    links[0].mtu = Some(mtu(576));
    assert_eq!(Path::new(links.clone()).underlay_mtu(), Some(mtu(1500)));
    links.push(PathLink { framing: Framing::Pppoe, ..ethernet("far line", 100, Carries::Outer) });
    assert_eq!(Path::new(links.clone()).underlay_mtu(), Some(mtu(1492)));
    links[1].mtu = Some(mtu(1400));
    assert_eq!(Path::new(links.clone()).underlay_mtu(), Some(mtu(1400)));
    assert_eq!(Path::new(vec![links[0].clone()]).underlay_mtu(), None);
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
        rate: u64, opposite: u64, share in 0.001_f64..=1.0, turns in 1_u16..9, outer: bool, shared: bool, row in proptest::sample::select(crate::all()),
    ) {
        let turns = NonZeroU16::new(turns).unwrap();
        let link = PathLink {
            toward_far: BitRate::from_bits_per_second(opposite),
            efficiency: Fraction::of(share, 1.0),
            shared,
            ..PathLink::new(
                "line".to_owned(),
                Link::ethernet(BitRate::from_bits_per_second(rate)),
                if outer { Carries::Outer } else { Carries::Inner },
            )
        };
        let path = Path { links: vec![link], segments_per_acknowledgement: turns };
        if let Ok(answer) = path_ceiling(&question(row.key()), &path, TowardNear) {
            let most = rate as f64 * share * (1.0 + 1e-6);
            prop_assert!(answer.tcp.bits_per_second() as f64 <= most);
            prop_assert!(answer.udp.bits_per_second() as f64 <= most);
        }
    }
}
