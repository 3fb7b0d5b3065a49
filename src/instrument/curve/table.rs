//! Tables with monotone cubic interpolation.
//!
//! Piecewise cubic Hermite polynomials whose slopes at the points come from the parabola through
//! three neighbours, then are limited so that the curve is monotone between the points wherever the
//! data are. A resistance thermometer with negative coefficient is nearly straight on logarithmic
//! scales on both axes, and a diode on plain ones.
//!
//! **Source**: Fritsch and Carlson 1980, SIAM J. Numer. Anal. 17, 238 (section 4, the circle of
//! radius 3).

use super::root::bracketed;
use super::{CurveError, CurveProblem, within_outputs, within_range};

/// How a table is interpolated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Interpolation {
    /// Monotone cubic in the numbers themselves.
    MonotoneCubic,
    /// Monotone cubic in the logarithms of input and output.
    LogLogMonotoneCubic,
}

/// A curve through points.
#[derive(Debug, Clone, PartialEq)]
pub struct TableCurve {
    interpolation: Interpolation,
    segments: Vec<Segment>,
    /// Where a segment would be if all were equally wide, and how far off that is at the most: in
    /// a plant of cold caches one look at the right place beats many in a search from the middle.
    first_x: f64,
    segments_per_x: f64,
    spread: usize,
    low: f64,
    high: f64,
    at_low: f64,
    at_high: f64,
}

/// From a knot at `x` to the next one `width` on: `y + t (d + t (c2 + t c3))`, `t` from the knot.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Segment {
    x: f64,
    width: f64,
    y: f64,
    d: f64,
    c2: f64,
    c3: f64,
    y_next: f64,
}

impl TableCurve {
    /// A curve through points given by rising or by falling input.
    ///
    /// # Errors
    /// The first [`CurveProblem`] that leaves no curve to compute: fewer than two points, numbers
    /// not finite (or not positive on logarithmic scales), inputs out of order.
    pub fn new(points: &[(f64, f64)], interpolation: Interpolation) -> Result<Self, CurveProblem> {
        if points.len() < 2 {
            return Err(CurveProblem::TooFew {
                what: "points",
                found: points.len(),
                needed: 2,
            });
        }
        let logarithmic = interpolation == Interpolation::LogLogMonotoneCubic;
        for (at, &(x, y)) in points.iter().enumerate() {
            for (what, value) in [("input of point", x), ("output of point", y)] {
                let index = at + 1;
                if !value.is_finite() {
                    return Err(CurveProblem::NotFinite { what, index });
                }
                if logarithmic && value <= 0.0 {
                    return Err(CurveProblem::NotPositive { what, index, value });
                }
            }
        }
        let falling = matches!(points, [first, second, ..] if second.0 < first.0);
        let mut ordered = points.to_vec();
        if falling {
            ordered.reverse();
        }
        let scaled: Vec<(f64, f64)> = ordered
            .iter()
            .map(|&(x, y)| match interpolation {
                Interpolation::MonotoneCubic => (x, y),
                Interpolation::LogLogMonotoneCubic => (libm::log(x), libm::log(y)),
            })
            .collect();
        let out_of_order = scaled.windows(2).position(|pair| match pair {
            [a, b] => !(b.0 - a.0).is_normal() || b.0 <= a.0,
            _ => false,
        });
        if let Some(at) = out_of_order {
            let index = if falling { points.len() - at } else { at + 2 };
            return Err(CurveProblem::InputsOutOfOrder { index });
        }
        let ends = (ordered.first(), ordered.last());
        let (Some(&(low, at_low)), Some(&(high, at_high))) = ends else {
            return Err(CurveProblem::TooFew {
                what: "points",
                found: 0,
                needed: 2,
            });
        };
        let segments = hermite(&scaled, &monotone_slopes(&scaled));
        let (first_x, segments_per_x, spread) = equal_widths(&segments);
        Ok(Self {
            interpolation,
            segments,
            first_x,
            segments_per_x,
            spread,
            low,
            high,
            at_low,
            at_high,
        })
    }

    /// The same points with slopes that are known better than from their neighbours. The points
    /// are at least two, finite, and rise in both coordinates; each has its slope.
    pub(super) fn with_slopes(mut self, points: &[(f64, f64)], slopes: &[f64]) -> Self {
        if points.len() == slopes.len() && points.len() == self.segments.len() + 1 {
            self.segments = hermite(points, slopes);
        }
        self
    }

    #[inline]
    pub(super) fn value_and_slope(&self, input: f64) -> Result<(f64, f64), CurveError> {
        let input = within_range(input, self.low, self.high)?;
        let outside = CurveError::Outside {
            input,
            low: self.low,
            high: self.high,
        };
        match self.interpolation {
            Interpolation::MonotoneCubic => self.cubic(input).ok_or(outside),
            Interpolation::LogLogMonotoneCubic => {
                let (ln_y, exponent) = self.cubic(libm::log(input)).ok_or(outside)?;
                let value = libm::exp(ln_y);
                Ok((value, exponent * value / input))
            }
        }
    }

    pub(super) fn inverse(&self, output: f64) -> Result<f64, CurveError> {
        let output = within_outputs(output, [self.at_low, self.at_high])?;
        let (y, back): (f64, fn(f64) -> f64) = match self.interpolation {
            Interpolation::MonotoneCubic => (output, |x| x),
            Interpolation::LogLogMonotoneCubic => (libm::log(output), libm::exp),
        };
        let rising = self.at_high >= self.at_low;
        // The first segment whose far end is reached; outputs are monotone in a checked table.
        let at = self
            .segments
            .partition_point(|s| if rising { s.y_next < y } else { s.y_next > y });
        let segment = self.segments.get(at).or_else(|| self.segments.last());
        let Some(segment) = segment else {
            return Err(CurveError::NotANumber);
        };
        let t = bracketed(|t| segment.value_and_slope(t), 0.0, segment.width, y);
        Ok(back(segment.x + t).clamp(self.low, self.high))
    }

    pub(super) fn range(&self) -> (f64, f64) {
        (self.low, self.high)
    }

    pub(super) fn check(&self) -> Vec<CurveProblem> {
        // Where the data are monotone the interpolation is, so the points decide.
        let rising = self.at_high >= self.at_low;
        self.segments
            .iter()
            .filter(|s| s.y_next == s.y || (s.y_next > s.y) != rising)
            .map(|s| CurveProblem::NotMonotone {
                at: match self.interpolation {
                    Interpolation::MonotoneCubic => s.x,
                    Interpolation::LogLogMonotoneCubic => libm::exp(s.x),
                },
            })
            .collect()
    }

    #[inline]
    fn cubic(&self, x: f64) -> Option<(f64, f64)> {
        let guess = place(x - self.first_x, self.segments_per_x).min(self.segments.len());
        // The guess is monotone in x, so between two knots it is no further off than at either.
        let from = guess.saturating_sub(self.spread + 1);
        let to = (guess + self.spread + 1).min(self.segments.len());
        let near = self.segments.get(from..to)?;
        let past = from + near.partition_point(|segment| segment.x <= x);
        let segment = self.segments.get(past.saturating_sub(1))?;
        Some(segment.value_and_slope((x - segment.x).clamp(0.0, segment.width)))
    }
}

impl Segment {
    #[inline]
    fn value_and_slope(&self, t: f64) -> (f64, f64) {
        (
            self.y + t * (self.d + t * (self.c2 + t * self.c3)),
            self.d + t * (2.0 * self.c2 + t * 3.0 * self.c3),
        )
    }
}

#[expect(
    clippy::indexing_slicing,
    reason = "indices run over vectors of lengths n, n - 1 and n made here; n is at least 2"
)]
fn monotone_slopes(points: &[(f64, f64)]) -> Vec<f64> {
    let n = points.len();
    let width: Vec<f64> = (1..n).map(|i| points[i].0 - points[i - 1].0).collect();
    let secant: Vec<f64> = (1..n)
        .map(|i| (points[i].1 - points[i - 1].1) / width[i - 1])
        .collect();
    let mut d = vec![0.0; n];
    if n == 2 {
        d.fill(secant[0]);
    } else {
        for i in 1..n - 1 {
            let (left, right) = (width[i - 1], width[i]);
            d[i] = (right * secant[i - 1] + left * secant[i]) / (left + right);
        }
        d[0] = one_sided(width[0], width[1], secant[0], secant[1]);
        d[n - 1] = one_sided(width[n - 2], width[n - 3], secant[n - 2], secant[n - 3]);
    }
    for i in 0..n - 1 {
        let s = secant[i];
        // Slopes against the secant would make the curve turn back.
        for j in [i, i + 1] {
            if s == 0.0 || d[j] * s < 0.0 {
                d[j] = 0.0;
            }
        }
        if s != 0.0 {
            let (alpha, beta) = (d[i] / s, d[i + 1] / s);
            let square = alpha * alpha + beta * beta;
            if square > 9.0 {
                let tau = 3.0 / libm::sqrt(square);
                d[i] = tau * alpha * s;
                d[i + 1] = tau * beta * s;
            }
        }
    }
    d
}

/// Cubics through the points with those slopes.
#[expect(
    clippy::indexing_slicing,
    reason = "indices run over points and their slopes, of one length by construction"
)]
fn hermite(points: &[(f64, f64)], d: &[f64]) -> Vec<Segment> {
    (0..points.len() - 1)
        .map(|i| {
            let h = points[i + 1].0 - points[i].0;
            let s = (points[i + 1].1 - points[i].1) / h;
            Segment {
                x: points[i].0,
                width: h,
                y: points[i].1,
                d: d[i],
                c2: (3.0 * s - 2.0 * d[i] - d[i + 1]) / h,
                c3: (d[i] + d[i + 1] - 2.0 * s) / (h * h),
                y_next: points[i + 1].1,
            }
        })
        .collect()
}

/// The place of a distance from the first knot; monotone in it, and zero below it.
#[inline]
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "saturates at both ends, and a NaN goes to zero"
)]
fn place(distance: f64, per_x: f64) -> usize {
    (distance * per_x) as usize
}

/// The first knot, segments per unit if all were equally wide, and how far off that is at most.
#[expect(clippy::cast_precision_loss, reason = "counts far below 2^53")]
fn equal_widths(segments: &[Segment]) -> (f64, f64, usize) {
    let count = segments.len();
    let (Some(first), Some(last)) = (segments.first(), segments.last()) else {
        return (0.0, 0.0, 0);
    };
    let per_x = count as f64 / (last.x + last.width - first.x);
    // A width beyond the numbers, or too small to divide by, puts all at the first place.
    let per_x = if per_x.is_finite() { per_x } else { 0.0 };
    let spread = segments
        .iter()
        .enumerate()
        .map(|(at, s)| place(s.x - first.x, per_x).min(count).abs_diff(at))
        .max();
    // The end of the last segment is a knot too.
    let end = place(last.x + last.width - first.x, per_x).min(count);
    let spread = spread.unwrap_or(count).max(end.abs_diff(count));
    (first.x, per_x, spread)
}

/// Slope at an end of the parabola through the three points there.
fn one_sided(near: f64, far: f64, near_secant: f64, far_secant: f64) -> f64 {
    ((2.0 * near + far) * near_secant - near * far_secant) / (near + far)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn power_law() -> Vec<(f64, f64)> {
        (0..12)
            .map(|i| {
                let x = 50.0 * libm::pow(1.5, f64::from(i));
                (x, 4.0e4 / libm::pow(x, 1.2))
            })
            .collect()
    }

    #[test]
    fn passes_through_its_points_and_inverts() {
        for interpolation in [
            Interpolation::MonotoneCubic,
            Interpolation::LogLogMonotoneCubic,
        ] {
            let points = power_law();
            let curve = TableCurve::new(&points, interpolation).unwrap();
            assert!(curve.check().is_empty());
            for &(x, y) in &points {
                assert!((curve.value_and_slope(x).unwrap().0 / y - 1.0).abs() < 1e-12);
                assert!((curve.inverse(y).unwrap() / x - 1.0).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_power_law_is_exact_on_logarithmic_scales() {
        let curve = TableCurve::new(&power_law(), Interpolation::LogLogMonotoneCubic).unwrap();
        for x in [51.0, 77.0, 300.0, 4_000.0] {
            let (value, slope) = curve.value_and_slope(x).unwrap();
            let exact = 4.0e4 / libm::pow(x, 1.2);
            assert!((value / exact - 1.0).abs() < 1e-12);
            assert!((slope / (-1.2 * exact / x) - 1.0).abs() < 1e-10);
        }
    }

    #[test]
    fn falling_inputs_give_the_same_curve() {
        let mut points = power_law();
        let rising = TableCurve::new(&points, Interpolation::MonotoneCubic).unwrap();
        points.reverse();
        assert_eq!(
            TableCurve::new(&points, Interpolation::MonotoneCubic),
            Ok(rising)
        );
    }

    #[test]
    fn stays_monotone_beside_a_step() {
        let points = [(0.0, 0.0), (1.0, 0.01), (2.0, 5.0), (3.0, 5.01), (4.0, 9.0)];
        let curve = TableCurve::new(&points, Interpolation::MonotoneCubic).unwrap();
        let mut before = -1.0;
        for at in 0..=4000 {
            let (value, slope) = curve.value_and_slope(f64::from(at) / 1000.0).unwrap();
            assert!(value >= before && slope >= -1e-9, "{at}");
            before = value;
        }
    }

    #[test]
    fn names_what_is_wrong() {
        let new = |points: &[(f64, f64)], interpolation| TableCurve::new(points, interpolation);
        let plain = Interpolation::MonotoneCubic;
        assert_eq!(
            new(&[(1.0, 1.0)], plain),
            Err(CurveProblem::TooFew {
                what: "points",
                found: 1,
                needed: 2
            })
        );
        assert_eq!(
            new(&[(1.0, 1.0), (2.0, 2.0), (2.0, 3.0)], plain),
            Err(CurveProblem::InputsOutOfOrder { index: 3 })
        );
        assert_eq!(
            new(&[(3.0, 1.0), (2.0, 2.0), (2.5, 3.0)], plain),
            Err(CurveProblem::InputsOutOfOrder { index: 3 })
        );
        assert_eq!(
            new(
                &[(1.0, 1.0), (2.0, -2.0)],
                Interpolation::LogLogMonotoneCubic
            ),
            Err(CurveProblem::NotPositive {
                what: "output of point",
                index: 2,
                value: -2.0
            })
        );
        let turning = new(&[(1.0, 1.0), (2.0, 3.0), (3.0, 2.0), (4.0, 5.0)], plain).unwrap();
        assert_eq!(turning.check(), [CurveProblem::NotMonotone { at: 2.0 }]);
    }
}
