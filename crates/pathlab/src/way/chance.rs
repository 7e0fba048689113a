//! Everything that chance decides, each from a generator of its own.

use std::time::Duration;

use rand::{RngExt as _, SeedableRng as _, rngs::Xoshiro256PlusPlus};

use super::nanoseconds;
use crate::{Choice, GilbertElliott, Jitter, Loss};

/// Chooses packets.
#[derive(Debug)]
pub(super) struct Chooser {
    generator: Xoshiro256PlusPlus,
    seen: u64,
}

/// Loses packets.
#[derive(Debug)]
pub(super) struct Loser {
    chooser: Chooser,
    is_bad: bool,
}

/// Spreads delays.
#[derive(Debug)]
pub(super) struct Spread(Xoshiro256PlusPlus);

impl Chooser {
    pub(super) fn new(seed: u64, stage: u64) -> Self {
        Self { generator: generator(seed, stage), seen: 0 }
    }

    /// Whether the next packet is one of those.
    pub(super) fn picks(&mut self, choice: Choice) -> bool {
        match choice {
            Choice::Never => false,
            Choice::Ratio(ratio) => self.happens(ratio),
            Choice::OneIn(n) => {
                self.seen += 1;
                self.seen.is_multiple_of(n.get())
            }
        }
    }

    fn happens(&mut self, probability: f64) -> bool {
        self.generator.random_bool(probability.clamp(0.0, 1.0))
    }
}

impl Loser {
    pub(super) fn new(seed: u64, stage: u64) -> Self {
        Self { chooser: Chooser::new(seed, stage), is_bad: false }
    }

    pub(super) fn picks(&mut self, loss: &Loss) -> bool {
        match loss {
            Loss::Single(choice) => self.chooser.picks(*choice),
            Loss::Bursts(model) => self.bursts(model),
        }
    }

    fn bursts(&mut self, model: &GilbertElliott) -> bool {
        let (loss, change) = if self.is_bad {
            (model.loss_in_bad, model.leave)
        } else {
            (model.loss_in_good, model.enter)
        };
        let lost = self.chooser.happens(loss);
        self.is_bad ^= self.chooser.happens(change);
        lost
    }
}

impl Spread {
    pub(super) fn new(seed: u64, stage: u64) -> Self {
        Self(generator(seed, stage))
    }

    /// What is added to the delay of the next packet, in nanoseconds.
    pub(super) fn draw(&mut self, jitter: Jitter) -> u64 {
        match jitter {
            Jitter::None => 0,
            Jitter::Uniform(most) => self.0.random_range(0..=nanoseconds(most)),
            Jitter::Normal { mean, deviation } => self.bell(mean, deviation),
        }
    }

    /// Twelve variables uniform from 0 to 1 have together a mean of 6 and a variance of 12 / 12 = 1.
    fn bell(&mut self, mean: Duration, deviation: Duration) -> u64 {
        let deviation = u128::from(nanoseconds(deviation));
        let sum: u128 = (0..12).map(|_| u128::from(self.0.random::<u32>())).sum();
        let above_least = (sum * deviation) >> u32::BITS;
        let drawn = (u128::from(nanoseconds(mean)) + above_least).saturating_sub(6 * deviation);
        u64::try_from(drawn).unwrap_or(u64::MAX)
    }
}

fn generator(seed: u64, stage: u64) -> Xoshiro256PlusPlus {
    // An odd factor keeps the stages of one seed, and one stage of many seeds, apart.
    Xoshiro256PlusPlus::seed_from_u64(seed ^ stage.wrapping_mul(0x9e37_79b9_7f4a_7c15))
}
