//! Interarrival jitter of RFC 3550, in its two published forms.
//!
//! Both take the packets in the order they arrive, whatever their sequence numbers; times are in any one unit, the
//! same at both ends, and the result is in that unit. The two clocks need not agree: only differences count.

/// Interarrival jitter in floating point (RFC 3550 6.4.1): `J += (|D| − J) / 16`, `D = (Rj − Ri) − (Sj − Si)`.
#[derive(Debug, Clone, Copy, Default)]
pub struct InterarrivalJitter {
    transit: Option<i128>,
    jitter: Option<f64>,
}

/// Interarrival jitter in the scaled integers of RFC 3550 A.8, as RTP end systems carry it.
#[derive(Debug, Clone, Copy, Default)]
pub struct ScaledInterarrivalJitter {
    transit: Option<i128>,
    scaled: Option<u128>,
}

impl InterarrivalJitter {
    /// Takes in the packet that was sent and received at these times.
    #[inline]
    pub fn accept(&mut self, sent: i64, received: i64) {
        if let Some(difference) = step(&mut self.transit, sent, received) {
            // No clock runs for as long as more would be; the narrower number is converted by one instruction.
            let difference = u64::try_from(difference).unwrap_or(u64::MAX);
            let jitter = self.jitter.unwrap_or(0.0);
            self.jitter = Some(jitter + (difference as f64 - jitter) / 16.0);
        }
    }

    /// The jitter so far; `None` before the second packet.
    pub const fn value(&self) -> Option<f64> {
        self.jitter
    }
}

impl ScaledInterarrivalJitter {
    /// Takes in the packet that was sent and received at these times.
    pub fn accept(&mut self, sent: i64, received: i64) {
        if let Some(difference) = step(&mut self.transit, sent, received) {
            let scaled = self.scaled.unwrap_or(0);
            // Never below zero: a sixteenth of the old value, rounded, is at most the old value.
            self.scaled = Some(scaled + difference - ((scaled + 8) >> 4));
        }
    }

    /// Sixteen times the jitter so far; `None` before the second packet.
    pub const fn scaled(&self) -> Option<u128> {
        self.scaled
    }

    /// The jitter so far as a report carries it, rounded down; `None` before the second packet.
    pub fn value(&self) -> Option<u128> {
        self.scaled.map(|scaled| scaled >> 4)
    }
}

/// |D| between this packet and the one before it; remembers this one.
#[inline]
fn step(previous: &mut Option<i128>, sent: i64, received: i64) -> Option<u128> {
    let transit = i128::from(received) - i128::from(sent);
    previous.replace(transit).map(|before| (transit - before).unsigned_abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    const SENT: [i64; 8] = [0, 20, 40, 60, 80, 100, 120, 140];
    const RECEIVED: [i64; 8] = [50, 72, 90, 115, 130, 158, 170, 191];

    /// Computed by hand from the formulas of RFC 3550 6.4.1 and A.8, which has no worked example of its own.
    #[test]
    fn both_forms_follow_the_formulas() {
        let by_hand = [
            (0.125, 2, 0),
            (0.242_187_5, 4, 0),
            (0.539_550_781, 9, 0),
            (0.818_328_857, 13, 0),
            (1.267_183_304, 20, 1),
            (1.687_984_347, 27, 1),
            (1.644_985_326, 26, 1),
        ];
        let (mut floating, mut integer) =
            (InterarrivalJitter::default(), ScaledInterarrivalJitter::default());
        floating.accept(SENT[0], RECEIVED[0]);
        integer.accept(SENT[0], RECEIVED[0]);
        assert_eq!((floating.value(), integer.value()), (None, None));
        for (i, (jitter, scaled, field)) in by_hand.into_iter().enumerate() {
            floating.accept(SENT[i + 1], RECEIVED[i + 1]);
            integer.accept(SENT[i + 1], RECEIVED[i + 1]);
            assert!((floating.value().unwrap() - jitter).abs() < 5e-10, "packet {}", i + 1);
            assert_eq!((integer.scaled(), integer.value()), (Some(scaled), Some(field)));
        }
    }

    /// The same stream in ticks of an 8 kHz clock, eight to a millisecond: both forms report 13.
    #[test]
    fn both_forms_agree_in_clock_ticks() {
        let (mut floating, mut integer) =
            (InterarrivalJitter::default(), ScaledInterarrivalJitter::default());
        for (sent, received) in SENT.into_iter().zip(RECEIVED) {
            floating.accept(sent * 8, received * 8);
            integer.accept(sent * 8, received * 8);
        }
        assert!((floating.value().unwrap() - 13.159_882_605).abs() < 5e-10);
        assert_eq!(integer.value(), Some(13));
    }

    /// The recurrence of RFC 3550 6.4.1 solved for a constant |D| = d from J = 0: d·(1 − (15/16)^n).
    #[test]
    fn a_constant_difference_is_approached_geometrically() {
        for (pairs, share) in [(16, 0.643_926), (32, 0.873_211), (64, 0.983_925)] {
            let mut jitter = InterarrivalJitter::default();
            for i in 0..=pairs {
                jitter.accept(0, if i % 2 == 0 { 0 } else { 1000 });
            }
            assert!((jitter.value().unwrap() / 1000.0 - share).abs() < 5e-7, "{pairs} pairs");
        }
    }

    /// The delays of RFC 5481 4.4; the jitter over them is computed from the formula of RFC 3550.
    #[test]
    fn over_the_delays_of_rfc_5481() {
        let mut jitter = InterarrivalJitter::default();
        for delay in [20, 10, 20, 25, 20] {
            jitter.accept(0, delay);
        }
        assert!((jitter.value().unwrap() - 1.669_77).abs() < 5e-6);
    }

    proptest::proptest! {
        #[test]
        fn no_times_wrap_or_go_below_zero(times in proptest::collection::vec(
            proptest::prelude::any::<(i64, i64)>(), 0..50,
        )) {
            let (mut floating, mut integer) =
                (InterarrivalJitter::default(), ScaledInterarrivalJitter::default());
            for (sent, received) in times {
                floating.accept(sent, received);
                integer.accept(sent, received);
            }
            proptest::prop_assert!(floating.value().is_none_or(|j| j >= 0.0 && j.is_finite()));
        }
    }
}
