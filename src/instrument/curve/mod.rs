//! Calibration curves: the signal of a sensor to the quantity it measures, with the local slope.
//!
//! Every curve states its range. The ends are accepted, within [`RANGE_END_TOLERANCE`] of the width
//! for the rounding of a single-precision register; what lies beyond is refused, never
//! extrapolated. Inputs and outputs are SI.

mod chebyshev;
mod file;
mod platinum;
mod root;
mod standard;
mod table;
mod thermocouple;

use std::sync::Arc;

pub use chebyshev::{ChebyshevCurve, ChebyshevRange, Variable};
pub use file::{CurveFileError, parse_chebyshev, parse_curve, parse_table};
pub use platinum::{PlatinumCurve, ToleranceClass};
pub(crate) use root::bracketed;
pub use table::{Interpolation, TableCurve};
pub use thermocouple::{Compensated, ThermocoupleCurve, ThermocoupleType};

use super::excitation::ExcitedCurve;
use super::vacuum::LogGaugeCurve;
use crate::quantity::{QuantityKind, Unit};
use crate::time::Timestamp;

/// How far beyond a range end an input still counts as the end, as part of the width of the range.
pub const RANGE_END_TOLERANCE: f64 = 1e-7;

/// A calibration curve.
#[derive(Debug, Clone, PartialEq)]
pub enum Curve {
    /// A straight line.
    Linear(LinearCurve),
    /// Chebyshev series over one or more ranges.
    Chebyshev(ChebyshevCurve),
    /// A table with monotone cubic interpolation.
    Table(TableCurve),
    /// Industrial platinum resistance thermometer.
    Platinum(PlatinumCurve),
    /// Thermocouple with its reference junction at 0 degrees Celsius.
    Thermocouple(ThermocoupleCurve),
    /// Resistance thermometer with its leads and its self-heating.
    Excited(ExcitedCurve),
    /// Logarithmic vacuum gauge.
    LogGauge(LogGaugeCurve),
}

/// `output = intercept + slope * input` between two inputs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearCurve {
    /// Output per input.
    pub slope: f64,
    /// Output at input zero.
    pub intercept: f64,
    /// Least input.
    pub low: f64,
    /// Greatest input.
    pub high: f64,
}

/// Why a curve gives no value.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum CurveError {
    /// The input is a NaN or an infinity.
    #[error("the input of the curve is not a number")]
    NotANumber,
    /// The input lies outside the range of the curve.
    #[error("{input} lies outside the curve's range {low} to {high}")]
    Outside {
        /// The input.
        input: f64,
        /// Least input of the curve.
        low: f64,
        /// Greatest input of the curve.
        high: f64,
    },
    /// No input of the curve gives this output.
    #[error("no input of the curve gives {output}; it reaches from {low} to {high}")]
    Unreachable {
        /// The output asked for.
        output: f64,
        /// Least output of the curve.
        low: f64,
        /// Greatest output of the curve.
        high: f64,
    },
}

/// What is wrong with a curve.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CurveProblem {
    /// Fewer than two points, no range, or a range without coefficients.
    #[error("the curve has {found} {what}; it needs at least {needed}")]
    TooFew {
        /// What there is too little of.
        what: &'static str,
        /// How many there are.
        found: usize,
        /// How many it takes.
        needed: usize,
    },
    /// A number that is a NaN or an infinity.
    #[error("{what} {index} is not a finite number")]
    NotFinite {
        /// Which kind of number.
        what: &'static str,
        /// Its place, from 1.
        index: usize,
    },
    /// A number that must be above zero.
    #[error("{what} {index} is {value}; on a logarithmic scale it must be above zero")]
    NotPositive {
        /// Which kind of number.
        what: &'static str,
        /// Its place, from 1.
        index: usize,
        /// The number.
        value: f64,
    },
    /// The inputs of a table must rise from row to row, or fall from row to row.
    #[error(
        "the input of point {index} does not go on in the direction of the first two; sort the points and drop repeated ones"
    )]
    InputsOutOfOrder {
        /// The point, from 1.
        index: usize,
    },
    /// A range whose lower end is not below its upper end.
    #[error("range {index} runs from {low} to {high}; the lower end must be below the upper")]
    EmptyRange {
        /// The range, from 1.
        index: usize,
        /// Lower end.
        low: f64,
        /// Upper end.
        high: f64,
    },
    /// Inputs between two ranges that no range covers.
    #[error("no range covers inputs from {from} to {to}")]
    Uncovered {
        /// Where the gap begins.
        from: f64,
        /// Where it ends.
        to: f64,
    },
    /// The output turns back, so that one output has two inputs.
    #[error(
        "the output turns back at input {at}; a calibration curve must rise or fall throughout"
    )]
    NotMonotone {
        /// Where, as an input of the curve.
        at: f64,
    },
    /// Two ranges disagree where they meet.
    #[error(
        "the ranges differ by {gap} at input {at}; at most {allowed} is allowed (the curve's standard uncertainty)"
    )]
    JoinGap {
        /// Where they meet.
        at: f64,
        /// Output of the upper range minus that of the lower.
        gap: f64,
        /// What is allowed.
        allowed: f64,
    },
}

impl Curve {
    /// The output and its change per input.
    ///
    /// # Errors
    /// [`CurveError`] when the input is no number or lies outside the range.
    #[inline]
    pub fn value_and_slope(&self, input: f64) -> Result<(f64, f64), CurveError> {
        match self {
            Self::Linear(curve) => curve.value_and_slope(input),
            Self::Chebyshev(curve) => curve.value_and_slope(input),
            Self::Table(curve) => curve.value_and_slope(input),
            Self::Platinum(curve) => curve.value_and_slope(input),
            Self::Thermocouple(curve) => curve.value_and_slope(input),
            Self::Excited(curve) => curve.value_and_slope(input),
            Self::LogGauge(curve) => curve.value_and_slope(input),
        }
    }

    /// The input that gives this output; within a join gap, the join.
    ///
    /// # Errors
    /// [`CurveError`] when the output is no number or the curve does not reach it.
    pub fn inverse(&self, output: f64) -> Result<f64, CurveError> {
        match self {
            Self::Linear(curve) => curve.inverse(output),
            Self::Chebyshev(curve) => curve.inverse(output),
            Self::Table(curve) => curve.inverse(output),
            Self::Platinum(curve) => curve.inverse(output),
            Self::Thermocouple(curve) => curve.inverse(output),
            Self::Excited(curve) => curve.inverse(output),
            Self::LogGauge(curve) => curve.inverse(output),
        }
    }

    /// Least and greatest input.
    #[must_use]
    pub fn range(&self) -> (f64, f64) {
        match self {
            Self::Linear(curve) => (curve.low, curve.high),
            Self::Chebyshev(curve) => curve.range(),
            Self::Table(curve) => curve.range(),
            Self::Platinum(curve) => curve.range(),
            Self::Thermocouple(curve) => curve.range(),
            Self::Excited(curve) => curve.range(),
            Self::LogGauge(curve) => (curve.low, curve.high),
        }
    }

    /// Least and greatest output.
    ///
    /// # Errors
    /// [`CurveError`] when the curve itself is unsound, as [`Self::check`] would tell.
    pub fn output_range(&self) -> Result<(f64, f64), CurveError> {
        let (low, high) = self.range();
        let (at_low, _) = self.value_and_slope(low)?;
        let (at_high, _) = self.value_and_slope(high)?;
        Ok((at_low.min(at_high), at_low.max(at_high)))
    }

    /// How many times larger than stated the uncertainty of an output is: 1, and more where a
    /// thermocouple loses its sensitivity.
    #[must_use]
    #[inline]
    pub fn widening(&self, output: f64) -> f64 {
        match self {
            Self::Thermocouple(curve) => curve.widening(output),
            _ => 1.0,
        }
    }

    /// Everything wrong with the curve. `join_limit` is the largest step between ranges, in the
    /// unit of the output.
    #[must_use]
    pub fn check(&self, join_limit: f64) -> Vec<CurveProblem> {
        match self {
            Self::Linear(curve) => curve.check(),
            Self::Chebyshev(curve) => curve.check(join_limit),
            Self::Table(curve) => curve.check(),
            Self::Platinum(_) | Self::Thermocouple(_) | Self::LogGauge(_) => Vec::new(),
            Self::Excited(curve) => curve.sensor.check(join_limit),
        }
    }
}

impl LinearCurve {
    fn value_and_slope(&self, input: f64) -> Result<(f64, f64), CurveError> {
        let input = within_range(input, self.low, self.high)?;
        Ok((self.intercept + self.slope * input, self.slope))
    }

    fn inverse(&self, output: f64) -> Result<f64, CurveError> {
        let ends = [self.low, self.high].map(|end| self.intercept + self.slope * end);
        let output = within_outputs(output, ends)?;
        let input = (output - self.intercept) / self.slope;
        if input.is_finite() {
            Ok(input.clamp(self.low.min(self.high), self.high.max(self.low)))
        } else {
            Err(CurveError::NotANumber)
        }
    }

    fn check(&self) -> Vec<CurveProblem> {
        let mut problems = Vec::new();
        let numbers = [self.slope, self.intercept, self.low, self.high];
        for (at, number) in numbers.into_iter().enumerate() {
            if !number.is_finite() {
                problems.push(CurveProblem::NotFinite {
                    what: "number",
                    index: at + 1,
                });
            }
        }
        if self.slope == 0.0 {
            problems.push(CurveProblem::NotMonotone { at: self.low });
        }
        if self.low >= self.high {
            problems.push(CurveProblem::EmptyRange {
                index: 1,
                low: self.low,
                high: self.high,
            });
        }
        problems
    }
}

/// The input, at the end of the range when it is beyond it by no more than rounding.
#[inline]
pub(crate) fn within_range(input: f64, low: f64, high: f64) -> Result<f64, CurveError> {
    if input >= low && input <= high {
        return Ok(input);
    }
    if !input.is_finite() {
        return Err(CurveError::NotANumber);
    }
    let tolerance = (high - low) * RANGE_END_TOLERANCE;
    if low <= high && input >= low - tolerance && input <= high + tolerance {
        Ok(input.clamp(low, high))
    } else {
        Err(CurveError::Outside { input, low, high })
    }
}

/// The output, at the end when it is beyond the outputs at both `ends` by no more than rounding.
pub(crate) fn within_outputs(output: f64, ends: [f64; 2]) -> Result<f64, CurveError> {
    let [a, b] = ends;
    within_range(output, a.min(b), a.max(b)).map_err(|error| match error {
        CurveError::Outside { input, low, high } => CurveError::Unreachable {
            output: input,
            low,
            high,
        },
        other => other,
    })
}

/// A curve with what must be known about it: the content of a curve file.
#[derive(Debug, Clone, PartialEq)]
pub struct CurveSpec {
    /// Name by which channels refer to it.
    pub id: String,
    /// What comes out.
    pub quantity: QuantityKind,
    /// What goes in.
    pub input: QuantityKind,
    /// The unit that the file writes its outputs in.
    pub output_unit: &'static Unit,
    /// The unit that the file writes its inputs in.
    pub input_unit: &'static Unit,
    /// Standard uncertainty of the calibration, SI of the output; see [`Self::std_uncertainty_at`].
    pub std_uncertainty: f64,
    /// Where the curve comes from: who calibrated, when, against what.
    pub provenance: String,
    /// The calibration is valid until then.
    pub valid_until: Option<Timestamp>,
    /// The curve.
    pub curve: Arc<Curve>,
}

impl CurveSpec {
    /// Standard uncertainty of the calibration at an output, SI of the output.
    #[must_use]
    pub fn std_uncertainty_at(&self, output: f64) -> f64 {
        self.std_uncertainty * self.curve.widening(output)
    }

    /// Everything wrong with the curve; ranges may differ at a join by the stated uncertainty.
    #[must_use]
    pub fn check(&self) -> Vec<CurveProblem> {
        self.curve.check(self.std_uncertainty)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINE: LinearCurve = LinearCurve {
        slope: -2.0,
        intercept: 10.0,
        low: 0.0,
        high: 4.0,
    };

    #[test]
    fn a_line_and_its_inverse() {
        let curve = Curve::Linear(LINE);
        assert_eq!(curve.value_and_slope(1.0), Ok((8.0, -2.0)));
        assert_eq!(curve.inverse(8.0), Ok(1.0));
        assert_eq!(curve.output_range(), Ok((2.0, 10.0)));
        assert!(curve.check(0.0).is_empty());
    }

    #[test]
    fn ends_are_accepted_and_what_lies_beyond_is_refused() {
        let curve = Curve::Linear(LINE);
        assert_eq!(curve.value_and_slope(4.0 + 1e-7), Ok((2.0, -2.0)));
        assert_eq!(
            curve.value_and_slope(4.001),
            Err(CurveError::Outside {
                input: 4.001,
                low: 0.0,
                high: 4.0
            })
        );
        assert_eq!(
            curve.inverse(1.9),
            Err(CurveError::Unreachable {
                output: 1.9,
                low: 2.0,
                high: 10.0
            })
        );
        assert_eq!(curve.value_and_slope(f64::NAN), Err(CurveError::NotANumber));
    }
}
