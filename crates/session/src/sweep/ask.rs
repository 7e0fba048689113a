//! What a sweep is asked for.

use culvert_pathmodel::Family;
use culvert_units::{BitRate, Bytes, Mtu};

/// The Ethernet frame sizes of RFC 2544 9.1 as IP packets: less 14 bytes of header and 4 of check sequence.
pub const SWEEP_SIZES: [u16; 7] = [46, 110, 238, 494, 1006, 1262, 1500];

/// The sizes of RFC 2544 that a datagram with `least_payload` bytes of UDP payload has at least and the path carries.
///
/// What is too small becomes the least size, what is too large the path MTU; each size once, ascending.
pub fn sweep_sizes(family: Family, path_mtu: Mtu, least_payload: u16) -> Vec<u16> {
    let headers = u16::try_from(family.header_length()).unwrap_or(u16::MAX).saturating_add(8);
    let least = headers.saturating_add(least_payload).min(path_mtu.get());
    let mut sizes: Vec<u16> =
        SWEEP_SIZES.iter().map(|size| (*size).clamp(least, path_mtu.get())).collect();
    sizes.dedup();
    sizes
}

/// The parameters of a sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepAsk {
    /// Whole IP packets in bytes, see [`sweep_sizes`].
    pub sizes: Vec<u16>,
    /// A further size, at which the prediction is checked; it is no part of the fit.
    pub check: Option<u16>,
    /// How long a trial lasts, milliseconds.
    pub trial_ms: u64,
    /// A size is settled when the highest rate that passed and the lowest that failed differ by at most this share.
    pub resolution: f64,
    /// Loss above this share fails a trial (ITU-T Y.1541's 10⁻³ by RFC 5976 2.1; RFC 2544 asks for none at all).
    pub loss_at_most: f64,
    /// Trials of one size at most.
    pub trials_per_size: u32,
    /// The rate of the very first trial, IP-layer bits per second.
    pub first_bps: BitRate,
    /// No trial offers more, IP-layer bits per second.
    pub rate_cap_bps: Option<BitRate>,
    /// No trial offers more packets per second.
    pub packet_rate_cap: Option<f64>,
    /// Never more than this is sent in all, bytes of IP packets.
    pub byte_budget: Option<Bytes>,
}

impl SweepAsk {
    /// A sweep over `sizes` with trials of two seconds to one percent, beginning at 10 Mbit/s.
    pub fn over(sizes: Vec<u16>) -> Self {
        Self {
            sizes,
            check: None,
            trial_ms: 2_000,
            resolution: 0.01,
            loss_at_most: 1e-3,
            trials_per_size: 16,
            first_bps: BitRate::from_megabits(10),
            rate_cap_bps: None,
            packet_rate_cap: None,
            byte_budget: None,
        }
    }

    /// The most that can be sent, to be said beforehand; `None` without a cap on bits or a budget.
    pub fn most_bytes(&self) -> Option<Bytes> {
        let trials = (self.sizes.len() + usize::from(self.check.is_some())) as u64;
        let longest_ms =
            self.trial_ms.saturating_mul(u64::from(self.trials_per_size)).saturating_mul(trials);
        let longest = std::time::Duration::from_millis(longest_ms);
        let by_rate = self.rate_cap_bps.map(|cap| cap.carried_in(longest));
        by_rate.into_iter().chain(self.byte_budget).min()
    }

    /// Largest, smallest, then the rest from the large end.
    pub(super) fn in_order(&self) -> Vec<u16> {
        let mut sizes = self.sizes.clone();
        sizes.sort_unstable();
        sizes.dedup();
        sizes.reverse();
        if let Some(smallest) = sizes.pop() {
            sizes.insert(sizes.len().min(1), smallest);
        }
        sizes
    }

    /// The most packets per second that the caps allow at a size; infinite without one.
    pub(super) fn cap_at(&self, ip_bytes: u16) -> f64 {
        let bits = f64::from(ip_bytes.max(1)) * 8.0;
        let by_bits = self.rate_cap_bps.map(|cap| cap.bits_per_second() as f64 / bits);
        let caps = by_bits.into_iter().chain(self.packet_rate_cap);
        caps.filter(|cap| *cap >= 0.0).fold(f64::INFINITY, f64::min)
    }

    pub(super) fn first_at(&self, ip_bytes: u16) -> f64 {
        self.first_bps.bits_per_second() as f64 / (f64::from(ip_bytes.max(1)) * 8.0)
    }

    /// How many packets a trial at this rate has; at least one.
    pub(super) fn packets_at(&self, packets_per_second: f64) -> u64 {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "the conversion saturates, and no rate is below zero"
        )]
        let packets = (packets_per_second * self.trial_ms as f64 / 1e3) as u64;
        packets.max(1)
    }

    /// A least delay may rise by this much: a quarter of what the rate that is still told apart piles up.
    pub(super) fn rise_at_most_us(&self) -> f64 {
        self.resolution * self.trial_ms as f64 * 1e3 / 4.0
    }
}
