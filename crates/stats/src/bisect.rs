//! The inverse of a rising function by halving, in a bounded number of steps.
//!
//! The inverse distributions of the library at hand need not end (Student's t with 10^8 degrees of freedom does not), while
//! its distributions do.

/// Enough halvings to get from any interval down to neighbouring numbers.
const HALVINGS: u32 = 2100;

/// The least `x` of `low..=high` known to have `reached(x)`, where `reached` holds from some point on.
pub(crate) fn first_reached(mut low: f64, mut high: f64, reached: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            break;
        }
        if reached(middle) { high = middle } else { low = middle }
    }
    high
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_root_of_two() {
        let root = first_reached(0.0, 1e300, |x| x * x >= 2.0);
        assert!((root - std::f64::consts::SQRT_2).abs() < 1e-15);
        assert!((first_reached(0.0, 1.0, |_| false) - 1.0).abs() < 1e-15);
    }
}
