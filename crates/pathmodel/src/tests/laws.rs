//! What holds for every encapsulation, link and size.

use culvert_units::{BitRate, Mtu};
use proptest::prelude::*;

use super::mtu;
use crate::{
    CeilingQuestion, Counted, Encapsulation, Family, Framing, Link, Tunnel, UseOf, advice, all,
    anatomy, ceiling, ceiling_for_segment, ceiling_for_udp_payload,
};

fn any_row() -> impl Strategy<Value = Encapsulation> {
    prop_oneof![
        9 => proptest::sample::select(all()),
        1 => (1_u16..=1000, 1_u16..=256).prop_map(|(bytes, alignment)| {
            Encapsulation::custom(bytes, alignment).unwrap()
        }),
        1 => (1_u16..=63).prop_map(|words| Encapsulation::geneve(words * 4).unwrap()),
    ]
}

fn any_mtu() -> impl Strategy<Value = Mtu> {
    prop_oneof![(68_u16..=u16::MAX), (1280_u16..=1600)].prop_map(mtu)
}

fn any_family() -> impl Strategy<Value = Family> {
    proptest::sample::select(Family::ALL.as_slice())
}

fn any_link() -> impl Strategy<Value = Link> {
    let counted = vec![Counted::Line, Counted::Frame, Counted::IpLayer];
    (
        any::<u64>(),
        proptest::sample::select(Framing::ALL.as_slice()),
        proptest::sample::select(counted),
    )
        .prop_map(|(bits, framing, counted)| Link {
            rate: BitRate::from_bits_per_second(bits),
            framing,
            counted,
        })
}

fn any_through() -> impl Strategy<Value = Vec<(Encapsulation, Family, Option<Mtu>)>> {
    proptest::collection::vec((any_row(), any_family(), proptest::option::of(any_mtu())), 0..=4)
}

proptest! {
    #[test]
    fn outer_length_never_falls(row in any_row(), family in any_family(), tunnel in any_mtu(), inner in 0_u16..u16::MAX) {
        let (shorter, longer) =
            (row.outer_length(inner, family, tunnel), row.outer_length(inner + 1, family, tunnel));
        prop_assert!(shorter <= longer);
        prop_assert!(row.layers().is_empty() || longer > u32::from(inner));
    }

    #[test]
    fn the_breakdown_adds_up(row in any_row(), family in any_family(), tunnel in any_mtu(), inner in 40_u16..) {
        let wrapped = row.breakdown(inner, family, tunnel);
        let added: i64 = wrapped.iter().map(|part| part.headers + i64::from(part.padding)).sum();
        let outer = row.outer_length(inner, family, tunnel);
        prop_assert_eq!(i64::from(outer), i64::from(inner) + added);
        prop_assert_eq!(wrapped.last().map_or_else(|| u32::from(inner), |part| part.length), outer);
    }

    #[test]
    fn the_largest_inner_fits_and_one_more_does_not(row in any_row(), family in any_family(), underlay in any_mtu()) {
        if let Ok(largest) = row.largest_inner(underlay, family) && !row.is_stream() {
            let limit = u32::from(underlay.get());
            prop_assert!(row.outer_length(largest.get(), family, largest) <= limit);
            if let Some(more) = largest.get().checked_add(1) && more <= row.longest_inner {
                prop_assert!(row.outer_length(more, family, mtu(more)) > limit);
            }
        }
    }

    #[test]
    fn the_largest_inner_within_an_mtu_fits_and_one_more_does_not(
        row in any_row(), family in any_family(), underlay in any_mtu(), tunnel in any_mtu(),
    ) {
        if let Ok(largest) = row.largest_inner_within(underlay, family, tunnel) && !row.is_stream() {
            let limit = u32::from(underlay.get());
            prop_assert!(largest <= tunnel);
            prop_assert!(row.outer_length(largest.get(), family, tunnel) <= limit);
            if largest < tunnel && largest.get() < row.longest_inner {
                prop_assert!(row.outer_length(largest.get() + 1, family, tunnel) > limit);
            }
        }
    }

    #[test]
    fn ceilings_never_exceed_the_link(
        (row, link, through) in (any_row(), any_link(), any_through()),
        (underlay, inner) in (any_mtu(), proptest::option::of(any_mtu())),
        (outer_family, inner_family, timestamps, payload) in (any_family(), any_family(), any::<bool>(), any::<u16>()),
    ) {
        let question = CeilingQuestion {
            link, underlay_mtu: underlay, encapsulation: &row, outer_family, inner_family, inner_mtu: inner, timestamps,
            through: through.iter().map(|(row, family, mtu)| Tunnel {
                encapsulation: row, outer_family: *family, interface_mtu: *mtu,
            }).collect(),
        };
        if let Ok(answer) = ceiling(&question) {
            prop_assert!(answer.tcp <= link.rate && answer.udp <= link.rate);
            prop_assert!(answer.tcp_share.get() < 1.0 && answer.udp_share.get() < 1.0);
            prop_assert!(answer.tcp < answer.udp || link.rate < BitRate::from_megabits(1));
            prop_assert!(answer.wire_length > u64::from(answer.udp_payload));
            prop_assert!(answer.mss_clamp >= 28);
        }
        // The parts of the rate are all of it.
        if let (Ok(answer), Ok(anatomy)) = (ceiling(&question), anatomy(&question)) {
            let share: f64 = anatomy.uses.iter().map(|part| part.share.get()).sum();
            prop_assert!((share - 1.0).abs() < 0.001, "{share}");
            prop_assert!(anatomy.uses.iter().all(|part| part.on == UseOf::TunnelHeaders || part.bytes >= 0.0));
            let split = anatomy.uses.iter().any(|part| part.on == UseOf::Splitting && part.bytes > 0.0);
            prop_assert!(answer.is_estimate || split == answer.fragments());
        }
        if let Ok(advice) = advice(&question) {
            let best = advice.choices.iter().find(|choice| choice.mtu == advice.mtu);
            prop_assert!(best.is_some_and(|best| answer_is_whole(best.splits, &question)));
            prop_assert!(advice.choices.iter().all(|choice| choice.tcp <= link.rate));
        }
        for sized in [ceiling_for_udp_payload(&question, payload), ceiling_for_segment(&question, payload)].into_iter().flatten() {
            prop_assert!(sized.goodput <= link.rate && sized.share.get() < 1.0);
        }
    }

    /// The parts a link names are the bytes it takes.
    #[test]
    fn a_link_accounts_for_its_bytes(link in any_link(), length in 0_u32..200_000) {
        let parts: u32 = link.parts(length).iter().map(|part| part.bytes).sum();
        prop_assert_eq!(length + parts, link.wire_length(length));
    }

    #[test]
    fn full_size_packets_agree_with_their_payload_given(
        row in any_row(), outer_family in any_family(), inner_family in any_family(), underlay in any_mtu(),
    ) {
        let question = CeilingQuestion {
            outer_family, inner_family, underlay_mtu: underlay, ..CeilingQuestion::new(super::gigabit(), &row)
        };
        if let Ok(full) = ceiling(&question) {
            let udp = ceiling_for_udp_payload(&question, u16::try_from(full.udp_payload).unwrap()).unwrap();
            let tcp = ceiling_for_segment(&question, u16::try_from(full.tcp_payload).unwrap()).unwrap();
            prop_assert_eq!((udp.goodput, tcp.goodput), (full.udp, full.tcp));
            prop_assert_eq!(udp.fragments(), full.fragments());
        }
    }

    /// Putting b around a and c around both is the same as putting c around b and both around a.
    #[test]
    fn stacking_is_associative(
        a in any_row(), b in any_row(), c in any_row(), link_mtu in 1280_u16..=9000, inner in 68_u16..=9000,
    ) {
        let family = Family::Ipv4;
        let fits = |outer: &Encapsulation, limit| outer.largest_inner(mtu(limit), family).ok().map(Mtu::get);
        let (Some(in_c), false) = (fits(&c, link_mtu), [&a, &b, &c].iter().any(|row| row.is_stream())) else {
            return Ok(());
        };
        let (Some(in_bc), wide) = (fits(&b, in_c), mtu(u16::MAX)) else { return Ok(()) };
        let Some(in_abc) = fits(&a, in_bc) else { return Ok(()) };
        let around = |row: &Encapsulation, n: u32| {
            row.outer_length(u16::try_from(n).unwrap(), family, wide)
        };
        let (ab, bc) = (|n| around(&b, around(&a, n)), |n| around(&c, around(&b, n)));
        prop_assert_eq!(around(&c, ab(u32::from(inner))), bc(around(&a, u32::from(inner))));

        let tunnel = |row| Tunnel { encapsulation: row, outer_family: family, interface_mtu: None };
        let outermost = |row, limit| Tunnel { interface_mtu: Some(mtu(limit)), ..tunnel(row) };
        let stacked = ceiling(&CeilingQuestion {
            underlay_mtu: mtu(link_mtu),
            inner_mtu: Some(mtu(in_abc)),
            inner_family: if a.key() == "6in4" { Family::Ipv6 } else { family },
            through: vec![outermost(&b, in_bc), outermost(&c, in_c)],
            ..CeilingQuestion::new(super::gigabit(), &a)
        });
        if let Ok(stacked) = stacked {
            prop_assert_eq!(stacked.largest_inner.get(), in_abc);
            prop_assert!(!stacked.fragments());
        }
    }
}

/// The advised MTU splits nothing, unless a tunnel further out was given an MTU that does.
fn answer_is_whole(splits: bool, question: &CeilingQuestion<'_>) -> bool {
    !splits || question.through.iter().any(|tunnel| tunnel.interface_mtu.is_some())
}
