//! What a call would sound like by the E-model of ITU-T G.107, simplified as for calls over IP.
//!
//! Every formula and constant here is from memory: the text of G.107 was not at hand, nor was the simplification of
//! R. G. Cole and J. H. Rosenbluth (Computer Communication Review 31(2), 2001). Show the figures with that note.

/// The transmission rating of a call that nothing impairs, with every other parameter of G.107 at its default.
pub const UNIMPAIRED_RATING: f64 = 93.2;

/// What a codec loses by itself and to lost packets.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Codec {
    /// Ie: the impairment without any loss.
    pub impairment: f64,
    /// Bpl: how robust it is against loss; larger is more robust.
    pub robustness: f64,
}

impl Codec {
    /// G.711 in packets of random loss, without concealment of lost packets.
    pub const G711: Self = Self { impairment: 0.0, robustness: 4.3 };
}

/// The rating of a call and the opinion it would get.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CallRating {
    /// R: 0 to about 93.
    pub rating: f64,
    /// The mean opinion score that listeners would give, 1 to 4.5.
    pub opinion: f64,
}

/// Rates a call with this one-way delay, mouth to ear, in milliseconds, and loss ratio, after any de-jitter buffer.
///
/// `R = 93.2 − Id − Ie,eff` with `Id = 0.024·d + 0.11·(d − 177.3)` for the part of d above 177.3 ms and
/// `Ie,eff = Ie + (95 − Ie)·Ppl / (Ppl + Bpl)`, Ppl in percent. `None` when either is below zero or not finite, or
/// when the loss exceeds 1.
pub fn rate_call(delay_ms: f64, loss_ratio: f64, codec: Codec) -> Option<CallRating> {
    if !(delay_ms >= 0.0 && delay_ms.is_finite() && (0.0..=1.0).contains(&loss_ratio)) {
        return None;
    }
    let by_delay = 0.024 * delay_ms + 0.11 * (delay_ms - 177.3).max(0.0);
    let percent = loss_ratio * 100.0;
    let Codec { impairment, robustness } = codec;
    // Nothing lost impairs nothing, of however fragile a codec.
    let share = if percent > 0.0 { percent / (percent + robustness) } else { 0.0 };
    let rating = UNIMPAIRED_RATING - by_delay - impairment - (95.0 - impairment) * share;
    Some(CallRating { rating, opinion: opinion(rating) })
}

/// `1 + 0.035·R + 7·10⁻⁶·R·(R − 60)·(100 − R)`, which for small R dips below 1 and is held there.
fn opinion(rating: f64) -> f64 {
    let r = rating.clamp(0.0, 100.0);
    (1.0 + 0.035 * r + 7e-6 * r * (r - 60.0) * (100.0 - r)).clamp(1.0, 4.5)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed from the formulas apart from this code; the formulas are from memory, so this is no check of G.107.
    #[test]
    fn follows_the_formulas() {
        let cases = [
            (0.0, 0.0, 93.2, 4.409),
            (150.0, 0.0, 89.6, 4.329),
            (400.0, 0.0, 59.103, 3.053),
            (100.0, 0.01, 72.875, 3.729),
        ];
        for (delay, loss, rating, opinion) in cases {
            let found = rate_call(delay, loss, Codec::G711).unwrap();
            assert!((found.rating - rating).abs() < 6e-4, "{delay} {loss}: {found:?}");
            assert!((found.opinion - opinion).abs() < 6e-4, "{delay} {loss}: {found:?}");
        }
    }

    #[test]
    fn senseless_input_is_none() {
        for (delay, loss) in
            [(-1.0, 0.0), (f64::NAN, 0.0), (f64::INFINITY, 0.0), (0.0, 1.1), (0.0, f64::NAN)]
        {
            assert_eq!(rate_call(delay, loss, Codec::G711), None, "{delay} {loss}");
        }
    }

    proptest::proptest! {
        #[test]
        fn worse_is_never_better(delay in 0.0_f64..5e3, more in 0.0_f64..1e3, loss in 0.0_f64..0.5, lost in 0.0_f64..0.5) {
            let better = rate_call(delay, loss, Codec::G711).unwrap();
            let worse = rate_call(delay + more, loss + lost, Codec::G711).unwrap();
            proptest::prop_assert!(worse.rating <= better.rating);
            proptest::prop_assert!((1.0..=4.5).contains(&worse.opinion));
        }
    }
}
