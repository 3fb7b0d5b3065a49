//! The one root of a monotone function in a bracket.

/// The `x` in `low..=high` where a monotone `f` (value, slope) equals `target`.
///
/// Newton steps, replaced by halving whenever they leave the bracket or do not shrink it fast
/// enough, so it ends for any function. A target outside the values at both ends gives the nearer
/// end.
pub(crate) fn bracketed(f: impl Fn(f64) -> (f64, f64), low: f64, high: f64, target: f64) -> f64 {
    let rising = f(high).0 >= f(low).0;
    let (mut a, mut b) = (low, high);
    let mut x = 0.5 * (a + b);
    let mut last_step = b - a;
    // Halving alone needs about 60 steps to the last bit.
    for _ in 0..128 {
        let (value, slope) = f(x);
        let excess = value - target;
        if excess == 0.0 {
            return x;
        }
        if (excess > 0.0) == rising {
            b = x;
        } else {
            a = x;
        }
        let newton = x - excess / slope;
        let next = if newton > a && newton < b && (newton - x).abs() < 0.5 * last_step.abs() {
            newton
        } else {
            0.5 * (a + b)
        };
        let step = next - x;
        if step.abs() <= f64::EPSILON * next.abs().max(f64::MIN_POSITIVE) {
            return next;
        }
        last_step = step;
        x = next;
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_roots_where_the_slope_vanishes_or_lies() {
        let cube = |x: f64| (x * x * x, 3.0 * x * x);
        assert!((bracketed(cube, -1.0, 2.0, 1e-9) - 1e-3).abs() < 1e-12);
        let falling_with_a_wrong_slope = |x: f64| (-x, 5.0);
        assert!((bracketed(falling_with_a_wrong_slope, 0.0, 1.0, -0.3) - 0.3).abs() < 1e-12);
        let no_slope = |x: f64| (x, f64::NAN);
        assert!((bracketed(no_slope, 0.0, 1.0, 0.7) - 0.7).abs() < 1e-12);
    }
}
