use proptest::prelude::*;

use super::*;

/// NIST `StRD`, linear regression, data set Norris (calibration of ozone monitors): x and y.
const NORRIS: [(f64, f64); 36] = [
    (0.2, 0.1),
    (337.4, 338.8),
    (118.2, 118.1),
    (884.6, 888.0),
    (10.1, 9.2),
    (226.5, 228.1),
    (666.3, 668.5),
    (996.3, 998.5),
    (448.6, 449.1),
    (777.0, 778.9),
    (558.2, 559.2),
    (0.4, 0.3),
    (0.6, 0.1),
    (775.5, 778.1),
    (666.9, 668.8),
    (338.0, 339.3),
    (447.5, 448.9),
    (11.6, 10.8),
    (556.0, 557.7),
    (228.1, 228.3),
    (995.8, 998.0),
    (887.6, 888.8),
    (120.2, 119.6),
    (0.3, 0.3),
    (0.3, 0.6),
    (556.8, 557.6),
    (339.1, 339.3),
    (887.2, 888.0),
    (999.0, 998.5),
    (779.0, 778.9),
    (11.1, 10.2),
    (118.3, 117.6),
    (229.2, 228.9),
    (669.1, 668.4),
    (448.9, 449.2),
    (0.5, 0.2),
];

fn close(found: f64, certified: f64, relative: f64) -> bool {
    (found - certified).abs() <= relative * certified.abs()
}

/// The certified values that come with the data, taken from the copy in the scipy 1.17.1 distribution.
#[test]
fn nist_norris_is_certified() {
    let fit = linear_fit(&NORRIS).unwrap();
    assert_eq!(fit.n, 36);
    assert!(close(fit.intercept, -0.262_323_073_774_029, 1e-11), "{fit:?}");
    assert!(close(fit.slope, 1.002_116_818_020_45, 1e-14), "{fit:?}");
    assert!(close(fit.residual_deviation, 0.884_796_396_144_373, 1e-12), "{fit:?}");
    assert!(close(fit.r_squared.unwrap(), 0.999_993_745_883_712, 1e-14), "{fit:?}");
    assert!(close(fit.intercept_error(), 0.232_818_234_301_152, 1e-11));
    assert!(close(fit.slope_error(), 0.429_796_848_199_937e-3, 1e-12));
}

/// Student's t at 0.975, printed by scipy 1.17.1 to four places.
#[test]
fn student_quantiles() {
    let table = [
        (1, 12.7062),
        (2, 4.3027),
        (3, 3.1824),
        (4, 2.7764),
        (5, 2.5706),
        (6, 2.4469),
        (7, 2.3646),
        (8, 2.3060),
        (9, 2.2622),
        (10, 2.2281),
        (14, 2.1448),
        (19, 2.0930),
        (29, 2.0452),
        (60, 2.0003),
    ];
    for (freedom, quantile) in table {
        let found = student_quantile(0.975, freedom).unwrap();
        assert!((found - quantile).abs() < 5.1e-5, "{freedom}: {found}");
        assert!((student_quantile(0.025, freedom).unwrap() + found).abs() < 1e-9, "{freedom}");
    }
    // The normal distribution in the limit.
    assert!((student_quantile(0.975, 100_000_000).unwrap() - 1.959_964).abs() < 1e-6);
    for p in [0.0, 1.0, -1.0, f64::NAN] {
        assert_eq!(student_quantile(p, 5), None);
    }
    assert_eq!(student_quantile(0.975, 0), None);
}

/// A line through the ends of a parabola does not fit its middle; the F by hand: the means 0, 1, 4 at 0, 1, 2 lie
/// 1/3, 2/3 and 1/3 off the line −1/3 + 2x, two repeats each at ±0.1: (2·(1 + 4 + 1)/9 / 1) / (6·0.01 / 3) = 66.67.
#[test]
fn a_curve_is_not_a_line() {
    let points = [(0.0, 0.1), (0.0, -0.1), (1.0, 1.1), (1.0, 0.9), (2.0, 4.1), (2.0, 3.9)];
    let fit = linear_fit(&points).unwrap();
    assert!((fit.slope - 2.0).abs() < 1e-12 && (fit.intercept + 1.0 / 3.0).abs() < 1e-12);
    let lack = lack_of_fit(&fit, &points).unwrap();
    assert!((lack.f - 200.0 / 3.0).abs() < 1e-9, "{lack:?}");
    assert_eq!((lack.above, lack.below), (1, 3));
    assert!(lack.p < 0.005, "{lack:?}");
    let straight = [(0.0, 0.1), (0.0, -0.1), (1.0, 2.1), (1.0, 1.9), (2.0, 4.1), (2.0, 3.9)];
    let fit = linear_fit(&straight).unwrap();
    assert!(lack_of_fit(&fit, &straight).unwrap().p > 0.99);
    assert_eq!(lack_of_fit(&fit, &[(0.0, 1.0), (1.0, 2.0), (2.0, 3.0)]), None);
}

#[test]
fn too_little_is_none() {
    assert_eq!(linear_fit(&[]), None);
    assert_eq!(linear_fit(&[(0.0, 1.0), (1.0, 2.0)]), None);
    assert_eq!(linear_fit(&[(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]), None);
    assert_eq!(linear_fit(&[(1.0, 1.0), (2.0, f64::NAN), (3.0, 3.0)]), None);
    let flat = linear_fit(&[(1.0, 5.0), (2.0, 5.0), (3.0, 5.0)]).unwrap();
    assert_eq!((flat.slope, flat.r_squared), (0.0, None));
    assert_eq!(flat.predict(9.0, 0.95).map(|at| (at.low, at.high)), Some((5.0, 5.0)));
    assert_eq!(flat.predict(9.0, 1.0), None);
}

proptest! {
    /// Least squares by its definition: no nearby line has a smaller sum of squares.
    #[test]
    fn no_other_line_is_nearer(
        points in prop::collection::vec((0.0_f64..2000.0, 0.0_f64..1e5), 3..20),
        nudge in (-1.0_f64..1.0, -1.0_f64..1.0),
    ) {
        let Some(fit) = linear_fit(&points) else { return Ok(()) };
        let squares = |a: f64, b: f64| points.iter().map(|(x, y)| (y - a - b * x).powi(2)).sum::<f64>();
        let ours = squares(fit.intercept, fit.slope);
        let other = squares(fit.intercept + nudge.0, fit.slope + nudge.1);
        prop_assert!(ours <= other * (1.0 + 1e-9) + 1e-6, "{ours} {other}");
    }

    #[test]
    fn absurd_points_do_not_panic(points in prop::collection::vec(any::<(f64, f64)>(), 0..20), x: f64, c: f64) {
        if let Some(fit) = linear_fit(&points) {
            let _ = (fit.predict(x, c), fit.mean_at(x, c), fit.slope_interval(c), fit.intercept_interval(c));
            if let Some(lack) = lack_of_fit(&fit, &points) {
                prop_assert!((0.0..=1.0).contains(&lack.p), "{:?}", lack);
            }
        }
    }
}
