use proptest::prelude::*;

use super::*;

fn arrivals(order: &[u64], at_ms: &[i64]) -> Vec<ArrivedPacket> {
    let times = at_ms.iter().copied().chain(std::iter::repeat(0));
    order
        .iter()
        .zip(times)
        .map(|(sequence, ms)| ArrivedPacket {
            sequence: *sequence,
            arrived_us: ms * 1000,
            payload_bytes: 100,
        })
        .collect()
}

fn reordered(
    sequence: u64,
    extent: u64,
    late_ms: i64,
    byte_offset: u64,
    n: Option<u64>,
) -> ReorderedPacket {
    ReorderedPacket { sequence, extent, late_us: late_ms * 1000, byte_offset, n_reordering: n }
}

#[test]
fn rfc_4737_7_1_one_packet() {
    let order = [1, 2, 3, 5, 6, 7, 8, 4, 9, 10];
    let at = [68, 88, 108, 148, 168, 188, 208, 210, 228, 248];
    let analysis = analyse_order(&arrivals(&order, &at));
    assert_eq!(analysis.reordered, [reordered(4, 4, 62, 400, Some(4))]);
    assert!(analysis.gaps.is_empty());
}

#[test]
fn rfc_4737_7_2_two_packets() {
    let order = [1, 2, 3, 4, 7, 5, 6, 8, 9, 10];
    let at = [68, 88, 108, 128, 188, 189, 190, 208, 228, 248];
    let analysis = analyse_order(&arrivals(&order, &at));
    assert_eq!(
        analysis.reordered,
        [reordered(5, 1, 1, 100, Some(1)), reordered(6, 2, 2, 100, None)]
    );
    assert!(analysis.gaps.is_empty());
}

#[test]
fn rfc_4737_7_3_three_packets() {
    let order = [1, 2, 3, 7, 8, 9, 10, 4, 5, 6, 11];
    let at = [68, 88, 108, 188, 208, 228, 248, 250, 252, 256, 268];
    let analysis = analyse_order(&arrivals(&order, &at));
    assert_eq!(
        analysis.reordered,
        [
            reordered(4, 4, 62, 400, Some(4)),
            reordered(5, 5, 64, 400, None),
            reordered(6, 6, 68, 400, None),
        ]
    );
    // TCP's threshold of 3 finds packet 4 alone.
    assert_eq!(analysis.degree_of_n_reordering(3), Fraction::of(1.0, 11.0));
}

/// RFC 4737 7.4: two discontinuities. The counters follow the pseudo-code of 4.6.3 by hand: the open run of 3 is in
/// a, not in q.
#[test]
fn rfc_4737_7_4_gap_and_runs() {
    let order = [1, 2, 3, 6, 7, 4, 5, 8, 9, 10, 12, 13, 11, 14, 15, 16];
    let analysis = analyse_order(&arrivals(&order, &[]));
    let extents: Vec<(u64, u64)> =
        analysis.reordered.iter().map(|packet| (packet.sequence, packet.extent)).collect();
    assert_eq!(extents, [(4, 2), (5, 3), (11, 2)]);
    assert_eq!(analysis.gaps, [11 - 4]);
    assert_eq!(
        analysis.runs,
        FreeRuns { packets: 16, in_order: 13, squares: 50, lengths: vec![5, 0, 5], open: 3 }
    );
    assert_eq!(analysis.reordered_ratio(), Fraction::of(3.0, 16.0));
}

#[test]
fn rfc_4737_5_3_n_reordering() {
    let analysis = analyse_order(&arrivals(&[1, 2, 3, 7, 8, 9, 4, 5, 6], &[]));
    let n: Vec<(u64, Option<u64>)> =
        analysis.reordered.iter().map(|packet| (packet.sequence, packet.n_reordering)).collect();
    assert_eq!(n, [(4, Some(3)), (5, None), (6, None)]);
    assert_eq!(analysis.degree_of_n_reordering(3), Fraction::of(1.0, 9.0));
    assert_eq!(analysis.degree_of_n_reordering(4), Fraction::of(0.0, 9.0));
}

/// An order with runs of these lengths, each ended by one packet that comes late.
fn with_runs(lengths: &[u64]) -> Vec<ArrivedPacket> {
    let mut order = Vec::new();
    for (run, length) in (0_u64..).zip(lengths) {
        let held_back = run * 1000;
        order.extend((1..=*length).map(|i| held_back + i));
        order.push(held_back);
    }
    arrivals(&order, &[])
}

/// RFC 4737 4.6.4: 36 packets with three runs of 11, and with runs of 1, 1 and 31.
#[test]
fn rfc_4737_4_6_4_run_variation() {
    for (lengths, squares, q_over_a, variation) in
        [([11, 11, 11], 363, 11.0, 1.0), ([1, 1, 31], 963, 29.18, 2.65)]
    {
        let runs = analyse_order(&with_runs(&lengths)).runs;
        assert_eq!((runs.packets, runs.in_order, runs.squares), (36, 33, squares));
        assert_eq!(runs.lengths, lengths);
        assert_eq!(runs.mean(), Some(11.0));
        assert!((runs.squares as f64 / runs.in_order as f64 - q_over_a).abs() < 0.005);
        assert!((runs.variation().unwrap() - variation).abs() < 0.005);
    }
}

/// RFC 4737 3.6: the first copy alone is looked at.
#[test]
fn duplicates_change_nothing() {
    let once = analyse_order(&arrivals(&[1, 3, 2, 4], &[10, 20, 30, 40]));
    let twice = analyse_order(&arrivals(&[1, 3, 2, 2, 4], &[10, 20, 30, 35, 40]));
    assert_eq!(once, twice);
}

#[test]
fn nothing_arrived_has_no_ratio() {
    let analysis = analyse_order(&[]);
    assert_eq!((analysis.received, analysis.reordered_ratio()), (0, None));
    assert_eq!((analysis.runs.mean(), analysis.runs.variation()), (None, None));
}

/// The definitions of RFC 4737 4.2.3, 4.4.3 and 5.3 word by word, in quadratic time.
fn by_definition(s: &[ArrivedPacket]) -> Vec<ReorderedPacket> {
    let mut found = Vec::new();
    for (i, packet) in s.iter().enumerate() {
        let larger = |other: &&ArrivedPacket| other.sequence > packet.sequence;
        let Some(j) = s[..i].iter().position(|other| larger(&other)) else { continue };
        let n = s[..i].iter().rev().take_while(larger).count() as u64;
        found.push(ReorderedPacket {
            sequence: packet.sequence,
            extent: (i - j) as u64,
            late_us: packet.arrived_us - s[j].arrived_us,
            byte_offset: s[..i].iter().filter(larger).map(|p| u64::from(p.payload_bytes)).sum(),
            n_reordering: (n > 0).then_some(n),
        });
    }
    found
}

proptest! {
    #[test]
    fn agrees_with_the_definitions(
        order in Just((0_u64..60).collect::<Vec<_>>()).prop_shuffle(),
        payloads in prop::collection::vec(0_u32..2000, 60),
        kept in 0_usize..60,
    ) {
        let packets: Vec<ArrivedPacket> = order.into_iter().zip(payloads).zip(0..).take(kept)
            .map(|((sequence, payload_bytes), i)| ArrivedPacket {
                sequence, arrived_us: i * i, payload_bytes,
            }).collect();
        let analysis = analyse_order(&packets);
        prop_assert_eq!(&analysis.reordered, &by_definition(&packets));
        // RFC 4737 4.6.2: p = x + a.
        let x = analysis.runs.lengths.len() as u64;
        prop_assert_eq!(analysis.runs.packets, x + analysis.runs.in_order);
        prop_assert_eq!(x, analysis.reordered.len() as u64);
    }
}
