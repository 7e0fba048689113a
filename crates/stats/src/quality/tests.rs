use proptest::prelude::*;

use super::*;

fn figures(sent: u64, lost: u64, delay: f64, pdv: f64) -> CallFigures {
    CallFigures { sent, lost, mean_delay_ms: Some((delay, 5.0)), pdv_p999_ms: Some(pdv) }
}

fn classes(figures: &CallFigures, wanted: Kept) -> Vec<u8> {
    let kept = QUALITY_CLASSES.iter().filter(|class| class.outcome(figures).kept() == wanted);
    kept.map(|class| class.class).collect()
}

/// RFC 5976 2.1: classes 0 and 1 (100 and 400 ms, 50 ms, 10^-3), 2 and 3 without a variation, 4 with a second,
/// 5 with nothing, 6 and 7 with 10^-5.
#[test]
fn the_objectives_of_rfc_5976_decide() {
    let good = figures(10_000_000, 20, 60.0, 30.0);
    assert_eq!(classes(&good, Kept::Yes), [0, 1, 2, 3, 4, 5, 6, 7]);
    assert_eq!(classes(&figures(10_000_000, 5_000, 60.0, 30.0), Kept::No), [6, 7]);
    assert_eq!(classes(&figures(10_000_000, 20, 60.0, 51.0), Kept::No), [0, 1, 6, 7]);
    assert_eq!(classes(&figures(10_000_000, 20, 120.0, 30.0), Kept::No), [0, 2, 6]);
    assert_eq!(classes(&figures(10_000_000, 20, 500.0, 90.0), Kept::Yes), [4, 5]);
}

/// Three thousand packets, a minute of a call, cannot show a loss of 10^-5, nor even of 10^-3 when one is lost: by the
/// rule of Clopper and Pearson none lost of 3000 still allows 1.23 in a thousand.
#[test]
fn a_small_sample_does_not_tell() {
    let minute = figures(3000, 0, 60.0, 30.0);
    assert_eq!(classes(&minute, Kept::Yes), [5]);
    assert_eq!(classes(&minute, Kept::No), [0_u8; 0]);
    let longer = figures(3700, 0, 60.0, 30.0);
    assert_eq!(classes(&longer, Kept::Yes), [0, 1, 2, 3, 4, 5]);
    assert_eq!(classes(&figures(3000, 30, 60.0, 30.0), Kept::No), [0, 1, 2, 3, 4, 6, 7]);
    let few = QUALITY_CLASSES[0].outcome(&figures(900, 0, 60.0, 10.0));
    assert_eq!(few.delay_variation, Kept::Unknown);
}

#[test]
fn a_delay_is_held_against_its_error() {
    for (delay, error, kept) in
        [(140.0, 10.0, Kept::Yes), (141.0, 10.0, Kept::Unknown), (161.0, 10.0, Kept::No)]
    {
        assert_eq!(delay_within(GOOD_DELAY_MS, Some((delay, error))), kept, "{delay}");
    }
    assert_eq!(delay_within(LONGEST_DELAY_MS, None), Kept::Unknown);
}

proptest! {
    #[test]
    fn absurd_figures_do_not_panic(
        sent: u64, lost: u64, delay in any::<Option<(f64, f64)>>(), pdv in any::<Option<f64>>(),
    ) {
        let figures = CallFigures { sent, lost, mean_delay_ms: delay, pdv_p999_ms: pdv };
        for class in QUALITY_CLASSES {
            let _ = class.outcome(&figures).kept();
        }
    }
}
