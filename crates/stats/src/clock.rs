//! What one exchange of messages says about two clocks (RFC 5905 section 8).

/// The four times of one exchange, in nanoseconds or any other one unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExchangeTimes {
    /// T1: the request left, by the near clock.
    pub near_sent: i64,
    /// T2: the request arrived, by the far clock.
    pub far_received: i64,
    /// T3: the answer left, by the far clock.
    pub far_sent: i64,
    /// T4: the answer arrived, by the near clock.
    pub near_received: i64,
}

/// The clock difference that follows from an exchange, in the unit of its times.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ClockEstimate {
    /// θ: how far the far clock is ahead of the near one, rounded down.
    pub offset: i64,
    /// δ: the time both ways took on the path; zero when it came out negative.
    pub round_trip: u64,
    /// The offset is wrong by at most this: half of the round trip, rounded up, as if one way had taken all of it.
    pub error_bound: u64,
    /// The round trip came out negative, so one of the clocks was stepped or runs off: the bound does not hold, and
    /// the exchange must not be used (RFC 2330 11.2 has any negative interval looked into).
    pub negative_round_trip: bool,
}

impl ExchangeTimes {
    /// Offset `½[(T2 − T1) + (T3 − T4)]` and round trip `(T4 − T1) − (T3 − T2)` (RFC 5905 section 8); both saturate.
    ///
    /// The bound covers unequal paths, and neither the skew of the clocks during the exchange nor their resolution.
    pub fn estimate(self) -> ClockEstimate {
        let [t1, t2, t3, t4] =
            [self.near_sent, self.far_received, self.far_sent, self.near_received].map(i128::from);
        let offset = ((t2 - t1) + (t3 - t4)).div_euclid(2);
        let round_trip = (t4 - t1) - (t3 - t2);
        let clamped = u64::try_from(round_trip.max(0)).unwrap_or(u64::MAX);
        ClockEstimate {
            offset: i64::try_from(offset).unwrap_or(if offset < 0 { i64::MIN } else { i64::MAX }),
            round_trip: clamped,
            error_bound: clamped.div_ceil(2),
            negative_round_trip: round_trip < 0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exchange(t1: i64, t2: i64, t3: i64, t4: i64) -> ClockEstimate {
        ExchangeTimes { near_sent: t1, far_received: t2, far_sent: t3, near_received: t4 }
            .estimate()
    }

    /// The formulas of RFC 5905 section 8 by hand: the far clock is 50 ms ahead, the way there takes 10 ms and the way back
    /// 20 ms. The offset is off by exactly half of their difference.
    #[test]
    fn rfc_5905_offset_and_delay() {
        let estimate = exchange(0, 60, 61, 31);
        assert_eq!((estimate.offset, estimate.round_trip), (45, 30));
        assert_eq!((50 - estimate.offset).unsigned_abs(), (20 - 10) / 2);
        assert!((50 - estimate.offset).unsigned_abs() <= estimate.error_bound);
        assert!(!estimate.negative_round_trip);
    }

    /// RFC 3550 6.4.1, Figure 2: arrival 0xb710:8000, last report 0xb705:2000, held for 0x0005:4000 give a round
    /// trip of 0x0006:2000 in units of 1/65536 s, which is 6.125 s. It is the same difference of differences.
    #[test]
    fn rfc_3550_round_trip_of_reports() {
        let estimate = exchange(0xb705_2000, 0, 0x0005_4000, 0xb710_8000);
        assert_eq!(estimate.round_trip, 0x0006_2000);
        assert_eq!(estimate.round_trip * 1000 / 65_536, 6_125);
    }

    /// A far clock that runs 100 ppm fast gains 6.4 ms while it holds the request for 64 s: with 1 ms on the path
    /// the round trip comes out 5.4 ms below zero.
    #[test]
    fn a_negative_round_trip_is_clamped_and_flagged() {
        let us = 1000;
        let estimate = exchange(0, 500 * us, 64_006_900 * us, 64_001_000 * us);
        assert!(estimate.negative_round_trip);
        assert_eq!((estimate.round_trip, estimate.error_bound), (0, 0));
    }

    proptest::proptest! {
        #[test]
        fn the_bound_holds(
            ahead in -1_000_000_000_i64..1_000_000_000,
            there in 0_i64..10_000_000,
            held in 0_i64..10_000_000,
            back in 0_i64..10_000_000,
        ) {
            let far = there + ahead;
            let estimate = exchange(0, far, far + held, there + held + back);
            proptest::prop_assert_eq!(estimate.round_trip, (there + back).unsigned_abs());
            proptest::prop_assert!(estimate.offset.abs_diff(ahead) <= estimate.error_bound);
        }

        #[test]
        fn no_times_wrap(t1: i64, t2: i64, t3: i64, t4: i64) {
            let _ = exchange(t1, t2, t3, t4);
        }
    }
}
