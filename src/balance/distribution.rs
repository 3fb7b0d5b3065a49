//! Quantiles and probabilities of the normal, of Student's and of the chi-square distribution.

use std::f64::consts::{PI, SQRT_2};

/// Probability that a standard normal variate is at most `z`.
#[must_use]
pub fn normal_probability(z: f64) -> f64 {
    0.5 * libm::erfc(-z / SQRT_2)
}

/// The `z` below which a standard normal variate stays with probability `p`.
///
/// **Range** 0 < p < 1; outside it the answer is NaN.
///
/// **Source** start by Abramowitz and Stegun 1964, 26.2.23; then Newton's method on the error
/// function, to the last digits.
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    // The upper tail is kept as such: 1 - p would lose its digits.
    let tail = p.min(1.0 - p);
    let t = libm::sqrt(-2.0 * libm::log(tail));
    let numerator = 2.515517 + t * (0.802853 + t * 0.010328);
    let denominator = 1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308));
    let mut z = t - numerator / denominator;
    for _ in 0..4 {
        let density = libm::exp(-0.5 * z * z) / libm::sqrt(2.0 * PI);
        if density <= 0.0 {
            break;
        }
        let relative = (0.5 * libm::erfc(z / SQRT_2) - tail) / density;
        // Halley's term keeps the step good far out in the tail.
        z += relative / (1.0 - 0.5 * z * relative).max(0.5);
    }
    if p < 0.5 { -z } else { z }
}

/// The value below which Student's t with `degrees_of_freedom` stays with probability `p`.
///
/// **Range** 0 < p < 1, at least 1 degree of freedom (fewer are taken as 1, between 1 and 3 the next
/// lower whole number counts); exact for 1 and 2, within 0.5 % for 0.9 < p < 0.99 and within 2 % out to
/// p = 1 - 1e-6 from 30 degrees of freedom on.
///
/// **Source** Abramowitz and Stegun 1964, 26.7.5 (expansion in the inverse of the degrees of
/// freedom); for 1 and 2 degrees the distribution inverted (26.7.3 and 26.7.4).
#[must_use]
pub fn student_quantile(p: f64, degrees_of_freedom: f64) -> f64 {
    let two_sided = 2.0 * p - 1.0;
    match degrees_of_freedom {
        few if few < 2.0 => libm::tan(0.5 * std::f64::consts::PI * two_sided),
        few if few < 3.0 => two_sided * libm::sqrt(0.5 / (p * (1.0 - p))),
        _ => student_from_normal(normal_quantile(p), degrees_of_freedom),
    }
}

/// Student's quantile that has the same probability as the normal quantile `z`.
#[must_use]
pub fn student_from_normal(z: f64, degrees_of_freedom: f64) -> f64 {
    let v = degrees_of_freedom.max(3.0);
    let z2 = z * z;
    let g1 = z * (z2 + 1.0) / 4.0;
    let g2 = z * (z2 * (5.0 * z2 + 16.0) + 3.0) / 96.0;
    let g3 = z * (z2 * (z2 * (3.0 * z2 + 19.0) + 17.0) - 15.0) / 384.0;
    let g4 = z * (z2 * (z2 * (z2 * (79.0 * z2 + 776.0) + 1482.0) - 1920.0) - 945.0) / 92160.0;
    z + (g1 + (g2 + (g3 + g4 / v) / v) / v) / v
}

/// Probability that a chi-square variate with `degrees_of_freedom` exceeds `x`.
///
/// **Range** x from 0 on, degrees of freedom above 0; otherwise NaN. Relative digits hold far out
/// in the tail.
///
/// **Source** Abramowitz and Stegun 1964, 26.4.19 with 6.5.29 (series) and 6.5.31 (continued
/// fraction).
#[must_use]
pub fn chi_square_survival(x: f64, degrees_of_freedom: f64) -> f64 {
    if !(x >= 0.0 && x.is_finite() && degrees_of_freedom > 0.0 && degrees_of_freedom.is_finite()) {
        return f64::NAN;
    }
    let (a, y) = (0.5 * degrees_of_freedom, 0.5 * x);
    if y == 0.0 {
        return 1.0;
    }
    let front = libm::exp(a * libm::log(y) - y - libm::lgamma(a));
    if y < a + 1.0 {
        let mut term = 1.0 / a;
        let mut sum = term;
        let mut n = a;
        for _ in 0..10_000 {
            n += 1.0;
            term *= y / n;
            sum += term;
            if term < sum * f64::EPSILON {
                break;
            }
        }
        (1.0 - front * sum).clamp(0.0, 1.0)
    } else {
        // Lentz's way through the continued fraction, from the top.
        let tiny = f64::MIN_POSITIVE * 1e10;
        let mut b = y + 1.0 - a;
        let mut c = 1.0 / tiny;
        let mut d = 1.0 / b;
        let mut fraction = d;
        let mut i = 0.0;
        for _ in 0..10_000 {
            i += 1.0;
            let numerator = -i * (i - a);
            b += 2.0;
            d = numerator * d + b;
            d = 1.0 / if d.abs() < tiny { tiny } else { d };
            c = b + numerator / c;
            c = if c.abs() < tiny { tiny } else { c };
            let step = c * d;
            fraction *= step;
            if (step - 1.0).abs() < f64::EPSILON {
                break;
            }
        }
        (front * fraction).clamp(0.0, 1.0)
    }
}

/// The value that a chi-square variate with `degrees_of_freedom` exceeds with probability `tail`.
///
/// **Range** 0 < tail < 1, degrees of freedom above 0; otherwise NaN.
///
/// **Source** start by Wilson and Hilferty (Abramowitz and Stegun 1964, 26.4.17); then Newton's
/// method inside a bracket, to the last digits.
#[must_use]
pub fn chi_square_limit(tail: f64, degrees_of_freedom: f64) -> f64 {
    let v = degrees_of_freedom;
    if !(tail > 0.0 && tail < 1.0 && v > 0.0 && v.is_finite()) {
        return f64::NAN;
    }
    let ninth = 2.0 / (9.0 * v);
    // The upper tail is kept as such: 1 - tail would lose its digits.
    let root = 1.0 - ninth - normal_quantile(tail) * libm::sqrt(ninth);
    let mut x = (v * root * root * root).max(1e-3 * v);
    let (mut low, mut high) = (0.0, f64::INFINITY);
    for _ in 0..200 {
        let excess = chi_square_survival(x, v) - tail;
        if excess > 0.0 {
            low = x;
        } else {
            high = x;
        }
        let log_density = (0.5 * v - 1.0) * libm::log(x)
            - 0.5 * x
            - 0.5 * v * std::f64::consts::LN_2
            - libm::lgamma(0.5 * v);
        let newton = x + excess / libm::exp(log_density);
        let next = if newton > low && newton < high {
            newton
        } else if high.is_finite() {
            0.5 * (low + high)
        } else {
            2.0 * x
        };
        if (next - x).abs() <= 1e-15 * x {
            break;
        }
        x = next;
    }
    x
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{ChiSquared, ContinuousCDF, Normal, StudentsT};

    use super::*;

    #[test]
    fn normal_quantile_matches_an_independent_library() {
        let normal = Normal::new(0.0, 1.0).unwrap();
        for p in [
            1e-9, 1e-6, 0.001, 0.025, 0.3, 0.5, 0.9, 0.95, 0.975, 0.999_999,
        ] {
            let expected: f64 = normal.inverse_cdf(p);
            assert!((normal_quantile(p) - expected).abs() < 1e-8, "{p}");
            assert!((normal_probability(normal_quantile(p)) - p).abs() < 1e-14 + 1e-12 * p);
        }
        assert!(normal_quantile(0.0).is_nan() && normal_quantile(f64::NAN).is_nan());
    }

    #[test]
    fn student_quantile_matches_an_independent_library() {
        for (p, v, tolerance) in [
            (0.9, 1.0, 1e-12),
            (0.975, 1.0, 1e-12),
            (0.025, 2.0, 1e-12),
            (0.975, 2.0, 1e-12),
            (0.95, 4.0, 5e-3),
            (0.975, 4.0, 5e-3),
            (0.975, 10.0, 1e-3),
            (0.975, 200.0, 1e-5),
            (0.999_999, 30.0, 2e-2),
            (0.999_999, 100.0, 1e-3),
        ] {
            let expected = StudentsT::new(0.0, 1.0, v).unwrap().inverse_cdf(p);
            let found = student_quantile(p, v);
            assert!(
                (found / expected - 1.0).abs() < tolerance,
                "{p} {v}: {found} {expected}"
            );
        }
    }

    #[test]
    fn chi_square_matches_an_independent_library() {
        for v in [1.0, 2.0, 3.0, 7.0, 40.0, 300.0] {
            let theirs = ChiSquared::new(v).unwrap();
            for tail in [0.999, 0.95, 0.5, 0.05, 1e-3, 1e-9] {
                let x = chi_square_limit(tail, v);
                let expected = theirs.sf(x);
                assert!(
                    (expected / tail - 1.0).abs() < 1e-9,
                    "{v} {tail}: {expected}"
                );
                let found = chi_square_survival(x, v);
                assert!((found / tail - 1.0).abs() < 1e-10, "{v} {tail}: {found}");
            }
        }
        // One degree of freedom is the square of a normal variate.
        let z = normal_quantile(0.975);
        assert!((chi_square_limit(0.05, 1.0) / (z * z) - 1.0).abs() < 1e-12);
        assert!(chi_square_limit(0.0, 3.0).is_nan() && chi_square_survival(-1.0, 3.0).is_nan());
        assert!((chi_square_survival(0.0, 3.0) - 1.0).abs() < 1e-15);
    }
}
