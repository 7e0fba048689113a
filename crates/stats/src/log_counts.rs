//! Counts of whole numbers, told apart to three digits, in fixed memory.
//!
//! The layout is log-linear: below [`EXACT`] each number has a count of its own, and each doubling beyond is cut into
//! half as many equal steps. Finding a number's count takes a shift and an addition, for it is done for every datagram.

/// Numbers below are told apart exactly; above, steps are at most 1/1024 of their numbers.
const EXACT: u64 = 1 << EXACT_BITS;
const EXACT_BITS: u32 = 11;

/// How often each number came, up to a largest one.
#[derive(Debug, Clone)]
pub(crate) struct LogCounts {
    counts: Box<[u64]>,
}

/// Neighbouring numbers that are not told apart, and how many of them there were.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Step {
    pub(crate) lowest: u64,
    pub(crate) highest: u64,
    pub(crate) count: u64,
}

impl LogCounts {
    /// Room for the numbers up to `largest`.
    pub(crate) fn up_to(largest: u64) -> Self {
        Self { counts: vec![0; index_of(largest) + 1].into_boxed_slice() }
    }

    /// Counts `number` so many times; what is above the largest is not counted.
    #[inline]
    pub(crate) fn add(&mut self, number: u64, times: u64) {
        if let Some(count) = self.counts.get_mut(index_of(number)) {
            *count = count.saturating_add(times);
        }
    }

    /// What was counted, in ascending order.
    pub(crate) fn steps(&self) -> impl Iterator<Item = Step> {
        let counted = (0..).zip(&self.counts).filter(|(_, count)| **count > 0);
        counted.map(|(index, count)| {
            let doublings = doublings_of(index);
            let lowest = (index - u64::from(doublings) * (EXACT / 2)) << doublings;
            Step { lowest, highest: lowest + ((1 << doublings) - 1), count: *count }
        })
    }
}

/// The place of a number's count: numbers of the same doubling lie `EXACT / 2` places from those of the next.
#[inline]
fn index_of(number: u64) -> usize {
    let doublings = (u64::BITS - EXACT_BITS).saturating_sub((number | 1).leading_zeros());
    let index = (number >> doublings) + u64::from(doublings) * (EXACT / 2);
    usize::try_from(index).unwrap_or(usize::MAX)
}

fn doublings_of(index: u64) -> u32 {
    u32::try_from((index / (EXACT / 2)).saturating_sub(1)).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use hdrhistogram::Histogram;
    use proptest::prelude::*;

    use super::*;

    const LARGEST: u64 = 3_600_000_000;

    fn number() -> impl Strategy<Value = u64> {
        prop_oneof![0..3_000_u64, 0..3_000_000_u64, 0..=LARGEST]
    }

    #[test]
    fn the_largest_is_counted_and_none_above() {
        let mut counts = LogCounts::up_to(LARGEST);
        counts.add(LARGEST, 2);
        counts.add(u64::MAX, 1);
        let steps: Vec<Step> = counts.steps().collect();
        assert_eq!(steps.len(), 1);
        assert!(steps[0].count == 2 && (steps[0].lowest..=steps[0].highest).contains(&LARGEST));
    }

    proptest! {
        /// An independent implementation of the same layout: hdrhistogram with three digits.
        #[test]
        fn steps_are_those_of_hdrhistogram(numbers in prop::collection::vec(number(), 1..300)) {
            let mut counts = LogCounts::up_to(LARGEST);
            let mut histogram = Histogram::<u64>::new_with_bounds(1, LARGEST, 3).unwrap();
            for number in &numbers {
                counts.add(*number, 1);
                histogram.record(*number).unwrap();
            }
            let found: Vec<Step> = counts.steps().collect();
            let expected: Vec<Step> = histogram
                .iter_recorded()
                .map(|step| Step {
                    lowest: histogram.lowest_equivalent(step.value_iterated_to()),
                    highest: histogram.highest_equivalent(step.value_iterated_to()),
                    count: step.count_at_value(),
                })
                .collect();
            prop_assert_eq!(found, expected);
        }
    }
}
