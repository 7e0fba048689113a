//! How losses cluster: loss periods and distances (RFC 3357), bursts and gaps (RFC 3611).

use std::ops::Range;

use culvert_units::Fraction;

/// The received packets in a row that end a burst, as RFC 3611 4.7.2 recommends.
pub const GMIN: u64 = 16;

/// One run of consecutively sent packets that were all lost (RFC 3357 section 4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LossPeriod {
    /// Its first packet, counted from 0 in the order of sending.
    pub first: u64,
    /// How many packets it took.
    pub length: u64,
    /// From the last loss of the period before it to its first; `None` for the first period, where RFC 3357 writes 0.
    pub distance: Option<u64>,
}

/// The loss periods of a stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LossRuns {
    /// Packets sent.
    pub packets: u64,
    /// The periods in the order of sending.
    pub periods: Vec<LossPeriod>,
}

/// The bursts of a stream and, between, before and after them, its gaps (RFC 3611 4.7.2).
///
/// The stream counts as preceded and followed by enough received packets. A single loss with enough received packets
/// on both sides is part of a gap.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BurstGap {
    /// The packets of each burst, from its first loss to its last, counted from 0.
    pub bursts: Vec<Range<u64>>,
    /// Packets in all bursts.
    pub burst_packets: u64,
    /// Losses in all bursts.
    pub burst_lost: u64,
    /// Stretches outside of bursts.
    pub gaps: u64,
    /// Packets in all gaps.
    pub gap_packets: u64,
    /// Losses in all gaps.
    pub gap_lost: u64,
}

/// The loss periods of a stream given as one value per packet sent, in the order of sending: true is lost.
pub fn loss_runs(lost: impl IntoIterator<Item = bool>) -> LossRuns {
    let mut runs = LossRuns { packets: 0, periods: Vec::new() };
    for lost in lost {
        let here = runs.packets;
        runs.packets += 1;
        if !lost {
            continue;
        }
        let last = runs.periods.last_mut();
        let end = last.as_ref().map(|period| period.first + period.length);
        match last {
            Some(period) if end == Some(here) => period.length += 1,
            _ => runs.periods.push(LossPeriod {
                first: here,
                length: 1,
                distance: end.map(|end| here + 1 - end),
            }),
        }
    }
    runs
}

impl LossRuns {
    /// Packets lost.
    pub fn lost(&self) -> u64 {
        self.periods.iter().map(|period| period.length).sum()
    }

    /// For each loss the distance in sequence numbers from the loss before it; `None` for the very first, where
    /// RFC 3357 5.4.1 writes 0.
    pub fn distances(&self) -> impl Iterator<Item = Option<u64>> {
        self.periods.iter().flat_map(|period| {
            std::iter::once(period.distance).chain((1..period.length).map(|_| Some(1)))
        })
    }

    /// The losses that follow another within `delta` packets, of all losses (RFC 3357 6.1); `None` without a loss.
    ///
    /// The very first loss follows none.
    pub fn noticeable_rate(&self, delta: u64) -> Option<Fraction> {
        let noticeable =
            self.distances().filter(|distance| distance.is_some_and(|d| d <= delta)).count();
        Fraction::of(noticeable as f64, self.lost() as f64)
    }
}

/// The bursts and gaps of a stream given as for [`loss_runs`]; a burst is ended by `gmin` packets received in a row.
pub fn bursts_and_gaps(lost: impl IntoIterator<Item = bool>, gmin: u64) -> BurstGap {
    let runs = loss_runs(lost);
    // Loss periods that are too close to each other for a gap grow together; (packets, losses) of each cluster.
    let mut clusters: Vec<(Range<u64>, u64)> = Vec::new();
    for period in &runs.periods {
        let end = period.first + period.length;
        match clusters.last_mut() {
            Some((packets, losses)) if period.first - packets.end < gmin => {
                packets.end = end;
                *losses += period.length;
            }
            _ => clusters.push((period.first..end, period.length)),
        }
    }
    clusters.retain(|(_, losses)| *losses > 1);
    let burst_packets = clusters.iter().map(|(packets, _)| packets.end - packets.start).sum();
    let burst_lost = clusters.iter().map(|(_, losses)| losses).sum();
    let bursts: Vec<Range<u64>> = clusters.into_iter().map(|(packets, _)| packets).collect();
    BurstGap {
        gaps: count_gaps(&bursts, runs.packets),
        burst_packets,
        burst_lost,
        gap_packets: runs.packets - burst_packets,
        gap_lost: runs.lost() - burst_lost,
        bursts,
    }
}

impl BurstGap {
    /// Losses of packets within bursts; `None` without a burst.
    pub fn burst_density(&self) -> Option<Fraction> {
        Fraction::of(self.burst_lost as f64, self.burst_packets as f64)
    }

    /// Losses of packets within gaps; `None` without a gap.
    pub fn gap_density(&self) -> Option<Fraction> {
        Fraction::of(self.gap_lost as f64, self.gap_packets as f64)
    }

    /// The mean length of a burst in packets; `None` without a burst.
    pub fn mean_burst(&self) -> Option<f64> {
        (!self.bursts.is_empty()).then(|| self.burst_packets as f64 / self.bursts.len() as f64)
    }

    /// The mean length of a gap in packets; `None` without a gap.
    pub fn mean_gap(&self) -> Option<f64> {
        (self.gaps > 0).then(|| self.gap_packets as f64 / self.gaps as f64)
    }
}

fn count_gaps(bursts: &[Range<u64>], packets: u64) -> u64 {
    let starts = bursts.iter().map(|burst| burst.start).chain([packets]);
    let ends = [0].into_iter().chain(bursts.iter().map(|burst| burst.end));
    starts.zip(ends).filter(|(start, end)| start > end).count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Losses at these packets of `packets`, counted from 1 as RFC 3357 does.
    fn losses(packets: u64, at: &[u64]) -> LossRuns {
        loss_runs((1..=packets).map(|packet| at.contains(&packet)))
    }

    fn distances(runs: &LossRuns) -> Vec<u64> {
        runs.distances().map(|distance| distance.unwrap_or(0)).collect()
    }

    /// The loss field of RFC 3611 4.7.2: the integer part of 256 times the density, at most 255.
    fn field(density: Option<Fraction>) -> f64 {
        (density.unwrap().get() * 256.0).floor().min(255.0)
    }

    /// RFC 3357 5.4.3: packets 2, 5, 7, 9 and 10 of 10 are lost.
    #[test]
    fn rfc_3357_streams() {
        let runs = losses(10, &[2, 5, 7, 9, 10]);
        assert_eq!(distances(&runs), [0, 3, 2, 2, 1]);
        let mut stream = [0; 10];
        for (n, period) in runs.periods.iter().enumerate() {
            for packet in period.first..period.first + period.length {
                stream[usize::try_from(packet).unwrap()] = n + 1;
            }
        }
        assert_eq!(stream, [0, 1, 0, 0, 2, 0, 3, 0, 4, 4]);
    }

    /// RFC 3357 6.5: the same stream. The distance 0 of its first loss must not count as within delta, which would
    /// make 4/5 of the printed 3/5.
    #[test]
    fn rfc_3357_statistics() {
        let runs = losses(10, &[2, 5, 7, 9, 10]);
        assert_eq!(runs.noticeable_rate(2), Fraction::of(3.0, 5.0));
        assert_eq!(runs.periods.len(), 4);
        let lengths: Vec<u64> = runs.periods.iter().map(|period| period.length).collect();
        assert_eq!(lengths, [1, 1, 1, 2]);
        let between: Vec<u64> = runs.periods.iter().map(|p| p.distance.unwrap_or(0)).collect();
        assert_eq!(between, [0, 3, 2, 2]);
    }

    /// RFC 3357 section 4: where loss periods begin, and the distance of two losses.
    #[test]
    fn rfc_3357_definitions() {
        let runs = loss_runs("rrrxrrxxxrxrrxxx".chars().map(|packet| packet == 'x'));
        let starts: Vec<u64> = runs.periods.iter().map(|period| period.first).collect();
        assert_eq!(starts, [3, 6, 10, 13]);
        assert_eq!(distances(&losses(60, &[20, 50])), [0, 30]);
    }

    /// RFC 3357 6.1: two examples of a loss constraint of 99.
    #[test]
    fn rfc_3357_loss_constraint() {
        let spread = losses(500, &[100, 175, 275, 290, 400]);
        assert_eq!(spread.noticeable_rate(99), Fraction::of(2.0, 5.0));
        let within: Vec<u64> =
            distances(&spread).into_iter().filter(|d| (1..=99).contains(d)).collect();
        assert_eq!(within, [175 - 100, 290 - 275]);
        let even = losses(500, &[100, 200, 300, 400, 500]);
        assert_eq!(even.noticeable_rate(99), Fraction::of(0.0, 5.0));
        let burst = losses(200, &[50, 125, 126, 127]);
        assert_eq!(burst.noticeable_rate(99), Fraction::of(3.0, 4.0));
    }

    /// RFC 3611 4.7.2: 1 is received, 0 lost, X discarded. The text says 64 packets, but the pattern has 63, so the
    /// gaps are 51 packets (510 ms at 10 ms, printed 520); and the burst density by the rule of the field is
    /// int(256·4/12) = 85, printed 84.
    #[test]
    fn rfc_3611_burst_and_gap() {
        let pattern = "11110111111111111111111X111X1011110111111111111111111X111111111";
        let found = bursts_and_gaps(pattern.chars().map(|packet| packet != '1'), GMIN);
        assert_eq!(found.bursts.first(), Some(&(23..35)));
        assert_eq!(found.bursts.len(), 1);
        assert_eq!((found.burst_packets, found.burst_lost), (12, 4));
        assert_eq!((found.gaps, found.gap_packets, found.gap_lost), (2, 51, 2));
        assert!((field(found.burst_density()) - 85.0).abs() < 1e-9);
        assert!((field(found.gap_density()) - 10.0).abs() < 1e-9);
        assert_eq!(found.mean_burst(), Some(12.0));
        assert_eq!(found.mean_gap(), Some(25.5));
        // Loss and discard rate: 3 of 63 packets each, both printed as 12.
        for kind in ['0', 'X'] {
            let runs = loss_runs(pattern.chars().map(|packet| packet == kind));
            let rate = Fraction::of(runs.lost() as f64, runs.packets as f64);
            assert!((field(rate) - 12.0).abs() < 1e-9, "{kind}");
        }
    }

    #[test]
    fn all_lost_and_nothing_lost() {
        let all = bursts_and_gaps([true; 5], GMIN);
        assert_eq!((all.bursts.len(), all.gaps, all.gap_density()), (1, 0, None));
        let none = bursts_and_gaps([false; 5], GMIN);
        assert_eq!((none.gaps, none.burst_density(), none.mean_burst()), (1, None, None));
        let empty = loss_runs([]);
        assert_eq!((empty.lost(), empty.noticeable_rate(9)), (0, None));
        assert_eq!(bursts_and_gaps([], GMIN).mean_gap(), None);
    }

    proptest::proptest! {
        #[test]
        fn every_packet_is_in_a_burst_or_a_gap(
            lost in proptest::collection::vec(proptest::bool::weighted(0.1), 0..400),
        ) {
            let found = bursts_and_gaps(lost.iter().copied(), GMIN);
            proptest::prop_assert_eq!(found.burst_packets + found.gap_packets, lost.len() as u64);
            let total = lost.iter().filter(|lost| **lost).count() as u64;
            proptest::prop_assert_eq!(found.burst_lost + found.gap_lost, total);
            // RFC 3611 4.7.2: a loss within a gap has GMIN received packets on both sides.
            for (here, _) in lost.iter().enumerate().filter(|(_, lost)| **lost) {
                if found.bursts.iter().any(|burst| burst.contains(&(here as u64))) {
                    continue;
                }
                let around = here.saturating_sub(16)..(here + 17).min(lost.len());
                proptest::prop_assert_eq!(lost[around].iter().filter(|lost| **lost).count(), 1);
            }
        }
    }
}
