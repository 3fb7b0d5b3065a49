//! Chebyshev series, the usual form of a resistance thermometer's calibration.
//!
//! With `Z = log10(R)` (or the input itself) and `k = ((Z - ZL) - (ZU - Z)) / (ZU - ZL)`, the output
//! is `sum c_i cos(i arccos k) = sum c_i T_i(k)`, by Clenshaw's recurrence together with its
//! derivative. Several ranges may follow or overlap each other; where two hold, the one of lower
//! `Z` is taken.
//!
//! **Source**: Clenshaw 1955, Math. Tables Aids Comput. 9, 118; the form with ZL and ZU is common
//! practice, no source.

use super::root::bracketed;
use super::{CurveError, CurveProblem, RANGE_END_TOLERANCE, within_outputs};

/// What the series is written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Variable {
    /// The decimal logarithm of the input.
    Log10,
    /// The input itself.
    Linear,
}

/// One range of a series.
#[derive(Debug, Clone, PartialEq)]
pub struct ChebyshevRange {
    /// Lower limit ZL of the variable.
    pub low: f64,
    /// Upper limit ZU of the variable.
    pub high: f64,
    /// Coefficients from order zero, in the unit of the output.
    pub coefficients: Vec<f64>,
}

/// A curve of one or more ranges.
#[derive(Debug, Clone, PartialEq)]
pub struct ChebyshevCurve {
    variable: Variable,
    segments: Vec<Segment>,
}

/// A range made ready: `k = scale * v + offset`, where `v` is ln(input) or the input.
#[derive(Debug, Clone, PartialEq)]
struct Segment {
    scale: f64,
    offset: f64,
    /// Order zero of the series and of its derivative by `k`.
    first: [f64; 2],
    /// The same from order one. Side by side, one pass sums both with paired instructions.
    rest: Vec<[f64; 2]>,
    low: f64,
    high: f64,
}

/// As `k`, which is two wide.
const K_TOLERANCE: f64 = 2.0 * RANGE_END_TOLERANCE;

impl ChebyshevCurve {
    /// A curve from its ranges, in any order.
    ///
    /// # Errors
    /// The first [`CurveProblem`] that leaves no curve to compute: no range, an empty range, no
    /// coefficients, a number that is not finite.
    pub fn new(variable: Variable, mut ranges: Vec<ChebyshevRange>) -> Result<Self, CurveProblem> {
        if ranges.is_empty() {
            return Err(CurveProblem::TooFew {
                what: "ranges",
                found: 0,
                needed: 1,
            });
        }
        ranges.sort_by(|a, b| a.low.total_cmp(&b.low));
        let segments = ranges
            .into_iter()
            .enumerate()
            .map(|(at, range)| Segment::new(variable, range, at + 1))
            .collect::<Result<_, _>>()?;
        Ok(Self { variable, segments })
    }

    #[inline]
    pub(super) fn value_and_slope(&self, input: f64) -> Result<(f64, f64), CurveError> {
        if !input.is_finite() {
            return Err(CurveError::NotANumber);
        }
        let (v, dv) = match self.variable {
            Variable::Linear => (input, 1.0),
            Variable::Log10 if input > 0.0 => (libm::log(input), 1.0 / input),
            Variable::Log10 => return Err(self.outside(input)),
        };
        for segment in &self.segments {
            let k = segment.scale * v + segment.offset;
            if k.abs() <= 1.0 + K_TOLERANCE {
                let (value, dk) = segment.series(k.clamp(-1.0, 1.0));
                return Ok((value, dk * segment.scale * dv));
            }
        }
        Err(self.outside(input))
    }

    pub(super) fn inverse(&self, output: f64) -> Result<f64, CurveError> {
        if !output.is_finite() {
            return Err(CurveError::NotANumber);
        }
        let ends = |segment: &Segment| [segment.series(-1.0).0, segment.series(1.0).0];
        let mut reach = [f64::INFINITY, f64::NEG_INFINITY];
        for segment in &self.segments {
            let [a, b] = ends(segment);
            reach = [reach[0].min(a).min(b), reach[1].max(a).max(b)];
            if output >= a.min(b) && output <= a.max(b) {
                let k = bracketed(|k| segment.series(k), -1.0, 1.0, output);
                return Ok(self.input_at(segment, k));
            }
        }
        let output = within_outputs(output, reach)?;
        // Inside the reach of the whole, yet in no range: rounding at an end, or the gap of a join.
        // The nearest range end is the answer.
        let mut nearest = (f64::INFINITY, f64::NAN);
        for segment in &self.segments {
            for (k, end) in [-1.0, 1.0].into_iter().zip(ends(segment)) {
                let distance = (end - output).abs();
                if distance < nearest.0 {
                    nearest = (distance, self.input_at(segment, k));
                }
            }
        }
        Ok(nearest.1)
    }

    pub(super) fn range(&self) -> (f64, f64) {
        let low = self.segments.first().map_or(f64::NAN, |s| s.low);
        let high = self
            .segments
            .iter()
            .fold(f64::NEG_INFINITY, |high, s| high.max(s.high));
        (low, high)
    }

    pub(super) fn check(&self, join_limit: f64) -> Vec<CurveProblem> {
        let mut problems = Vec::new();
        let mut sign = 0.0;
        for segment in &self.segments {
            if let Some(k) = segment.turning_point(&mut sign) {
                problems.push(CurveProblem::NotMonotone {
                    at: self.input_at(segment, k),
                });
            }
        }
        for (lower, upper) in self.segments.iter().zip(self.segments.iter().skip(1)) {
            // Both ends of what the two share; a single point where they only meet.
            let (from, to) = (upper.low, lower.high.min(upper.high));
            let width = (upper.high - lower.low) * RANGE_END_TOLERANCE;
            if from > to + width {
                problems.push(CurveProblem::Uncovered {
                    from: lower.high,
                    to: upper.low,
                });
                continue;
            }
            let gap_at = |input: f64| {
                let v = self.variable_of(input);
                let at = |s: &Segment| s.series((s.scale * v + s.offset).clamp(-1.0, 1.0)).0;
                (input, at(upper) - at(lower))
            };
            let worst = [gap_at(from), gap_at(to)]
                .into_iter()
                .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
            if let Some((at, gap)) = worst.filter(|(_, gap)| gap.abs() > join_limit) {
                problems.push(CurveProblem::JoinGap {
                    at,
                    gap,
                    allowed: join_limit,
                });
            }
        }
        problems
    }

    fn variable_of(&self, input: f64) -> f64 {
        match self.variable {
            Variable::Log10 => libm::log(input),
            Variable::Linear => input,
        }
    }

    fn input_at(&self, segment: &Segment, k: f64) -> f64 {
        let v = (k - segment.offset) / segment.scale;
        let input = match self.variable {
            Variable::Log10 => libm::exp(v),
            Variable::Linear => v,
        };
        input.clamp(segment.low, segment.high)
    }

    #[cold]
    fn outside(&self, input: f64) -> CurveError {
        let (low, high) = self.range();
        CurveError::Outside { input, low, high }
    }
}

impl Segment {
    fn new(variable: Variable, range: ChebyshevRange, index: usize) -> Result<Self, CurveProblem> {
        let ChebyshevRange {
            low,
            high,
            coefficients,
        } = range;
        for (what, number) in [("lower end", low), ("upper end", high)] {
            if !number.is_finite() {
                return Err(CurveProblem::NotFinite { what, index });
            }
        }
        if let Some(at) = coefficients.iter().position(|c| !c.is_finite()) {
            return Err(CurveProblem::NotFinite {
                what: "coefficient",
                index: at + 1,
            });
        }
        let pairs = with_derivative(&coefficients);
        let Some((&first, rest)) = pairs.split_first().filter(|(_, r)| !r.is_empty()) else {
            return Err(CurveProblem::TooFew {
                what: "coefficients",
                found: coefficients.len(),
                needed: 2,
            });
        };
        let width = high - low;
        let unit = match variable {
            Variable::Log10 => std::f64::consts::LN_10,
            Variable::Linear => 1.0,
        };
        let limit = |z: f64| match variable {
            Variable::Log10 => libm::pow(10.0, z),
            Variable::Linear => z,
        };
        let segment = Self {
            scale: 2.0 / (width * unit),
            offset: -(high + low) / width,
            first,
            rest: rest.to_vec(),
            low: limit(low),
            high: limit(high),
        };
        // A width too small or too large for a scale, or a limit beyond the numbers, is no range.
        let usable = width > 0.0
            && segment.scale.is_normal()
            && segment.offset.is_finite()
            && segment.low < segment.high
            && segment.high.is_finite();
        if usable {
            Ok(segment)
        } else {
            Err(CurveProblem::EmptyRange { index, low, high })
        }
    }

    /// Value of the series and its derivative by `k`.
    #[inline]
    fn series(&self, k: f64) -> (f64, f64) {
        let k2 = 2.0 * k;
        let (mut b1, mut b2) = ([0.0; 2], [0.0; 2]);
        for c in self.rest.iter().rev() {
            let next = [k2 * b1[0] + (c[0] - b2[0]), k2 * b1[1] + (c[1] - b2[1])];
            (b1, b2) = (next, b1);
        }
        (
            k * b1[0] + (self.first[0] - b2[0]),
            k * b1[1] + (self.first[1] - b2[1]),
        )
    }

    /// Where the slope has not the sign of the ranges before, if anywhere. The grid is finer than
    /// the oscillation of the highest order by sixteen times.
    fn turning_point(&self, sign: &mut f64) -> Option<f64> {
        let steps = u32::try_from(self.rest.len() * 32).unwrap_or(4096).max(64);
        (0..=steps)
            .map(|at| 2.0 * f64::from(at) / f64::from(steps) - 1.0)
            .find(|&k| {
                let slope = self.series(k).1;
                if *sign == 0.0 && slope != 0.0 {
                    *sign = slope.signum();
                }
                slope * *sign <= 0.0
            })
    }
}

/// Each coefficient with that of the derivative, whose series is
/// `c'_{i-1} = c'_{i+1} + 2 i c_i`, the term of order zero halved.
fn with_derivative(coefficients: &[f64]) -> Vec<[f64; 2]> {
    let count = u32::try_from(coefficients.len()).unwrap_or(u32::MAX);
    let (mut next, mut after) = (0.0, 0.0);
    let mut pairs: Vec<[f64; 2]> = (0..count)
        .zip(coefficients)
        .rev()
        .map(|(order, &c)| {
            let derivative = next;
            (next, after) = (after + 2.0 * f64::from(order) * c, next);
            [c, derivative]
        })
        .collect();
    pairs.reverse();
    if let Some(first) = pairs.first_mut() {
        first[1] *= 0.5;
    }
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(low: f64, high: f64, coefficients: &[f64]) -> ChebyshevRange {
        ChebyshevRange {
            low,
            high,
            coefficients: coefficients.to_vec(),
        }
    }

    #[test]
    fn slope_is_the_derivative() {
        let curve = ChebyshevCurve::new(
            Variable::Log10,
            vec![range(2.0, 4.0, &[50.0, -45.0, 10.0, -1.5, 0.1])],
        )
        .unwrap();
        for input in [101.0, 300.0, 1000.0, 9_900.0] {
            let step = input * 1e-6;
            let (_, slope) = curve.value_and_slope(input).unwrap();
            let up = curve.value_and_slope(input + step).unwrap().0;
            let down = curve.value_and_slope(input - step).unwrap().0;
            let difference = (up - down) / (2.0 * step);
            assert!((slope / difference - 1.0).abs() < 1e-7, "{input}");
        }
    }

    #[test]
    fn refuses_what_is_no_range() {
        for (ranges, expected) in [
            (
                vec![],
                CurveProblem::TooFew {
                    what: "ranges",
                    found: 0,
                    needed: 1,
                },
            ),
            (
                vec![range(1.0, 1.0, &[1.0, 2.0])],
                CurveProblem::EmptyRange {
                    index: 1,
                    low: 1.0,
                    high: 1.0,
                },
            ),
            (
                vec![range(1.0, 2.0, &[1.0])],
                CurveProblem::TooFew {
                    what: "coefficients",
                    found: 1,
                    needed: 2,
                },
            ),
            (
                vec![range(1.0, 2.0, &[1.0, f64::NAN])],
                CurveProblem::NotFinite {
                    what: "coefficient",
                    index: 2,
                },
            ),
        ] {
            assert_eq!(ChebyshevCurve::new(Variable::Linear, ranges), Err(expected));
        }
    }

    #[test]
    fn finds_gaps_holes_and_turning_points() {
        let joined = |second: ChebyshevRange| {
            ChebyshevCurve::new(Variable::Linear, vec![range(0.0, 1.0, &[0.5, 0.5]), second])
                .unwrap()
                .check(1e-3)
        };
        assert!(joined(range(1.0, 2.0, &[1.5004, 0.5])).is_empty());
        assert!(matches!(
            joined(range(1.0, 2.0, &[1.51, 0.5])).as_slice(),
            [CurveProblem::JoinGap { at: 1.0, gap, .. }] if (gap - 0.01).abs() < 1e-12
        ));
        assert_eq!(
            joined(range(1.1, 2.0, &[1.5, 0.5])),
            [CurveProblem::Uncovered { from: 1.0, to: 1.1 }]
        );
        assert!(matches!(
            joined(range(1.0, 2.0, &[0.5, -0.5])).as_slice(),
            [CurveProblem::NotMonotone { at: 1.0 }]
        ));
        let hump = ChebyshevCurve::new(Variable::Linear, vec![range(-1.0, 1.0, &[0.0, 0.1, 1.0])])
            .unwrap();
        assert!(matches!(
            hump.check(1.0).as_slice(),
            [CurveProblem::NotMonotone { at }] if (at + 0.025).abs() < 0.05
        ));
    }

    #[test]
    fn an_output_in_a_join_gap_inverts_to_the_join() {
        let curve = ChebyshevCurve::new(
            Variable::Linear,
            vec![range(0.0, 1.0, &[0.5, 0.5]), range(1.0, 2.0, &[1.501, 0.5])],
        )
        .unwrap();
        assert_eq!(curve.inverse(1.0004), Ok(1.0));
        assert!((curve.inverse(0.25).unwrap() - 0.25).abs() < 1e-15);
        assert!(matches!(
            curve.inverse(2.1),
            Err(CurveError::Unreachable { .. })
        ));
    }
}
