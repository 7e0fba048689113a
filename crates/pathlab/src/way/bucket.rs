//! The token bucket of a policer, exact to the bit.

use crate::Policer;

/// What is in the bucket, in billionths of a bit: the rate in bit/s then adds itself once in a nanosecond.
#[derive(Debug, Default)]
pub(super) struct Bucket {
    level: u128,
    at_ns: u64,
}

impl Bucket {
    /// Takes over at a change: a new policer begins full, a changed one keeps what fits.
    pub(super) fn adopt(&mut self, now_ns: u64, before: Option<Policer>, policer: Policer) {
        match before {
            None => self.level = full(policer),
            Some(before) => {
                self.fill(now_ns, before);
                self.level = self.level.min(full(policer));
            }
        }
        self.at_ns = now_ns;
    }

    /// Whether a packet of `length` bytes conforms; if so its tokens are gone.
    pub(super) fn passes(&mut self, now_ns: u64, policer: Policer, length: u32) -> bool {
        self.fill(now_ns, policer);
        let cost = scaled(u64::from(length));
        let Some(left) = self.level.checked_sub(cost) else { return false };
        self.level = left;
        true
    }

    fn fill(&mut self, now_ns: u64, policer: Policer) {
        let elapsed = u128::from(now_ns.saturating_sub(self.at_ns));
        let added = elapsed * u128::from(policer.rate.bits_per_second());
        self.level = self.level.saturating_add(added).min(full(policer));
        self.at_ns = self.at_ns.max(now_ns);
    }
}

fn full(policer: Policer) -> u128 {
    scaled(policer.burst.get())
}

fn scaled(bytes: u64) -> u128 {
    u128::from(bytes) * 8_000_000_000
}
