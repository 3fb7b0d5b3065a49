//! Industrial platinum resistance thermometers.
//!
//! `R/R0 = 1 + A t + B t^2 + C (t - 100) t^3` with t in degrees Celsius and C only below zero.
//! Above zero the inverse is the root of a quadratic, below it Newton's steps on the function,
//! which is smooth and nearly straight there. Colder than -200 degrees Celsius the reference
//! function does not hold: such a reading is refused, not extrapolated.
//!
//! **Source**: IEC 60751 (coefficients, range and class limits from memory; the coefficients agree
//! with an independent implementation).

use super::{CurveError, within_range};

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;
const ICE_POINT_K: f64 = 273.15;
/// Coldest temperature of the reference function, degrees Celsius.
const LOW_C: f64 = -200.0;
/// Hottest temperature of the reference function, degrees Celsius.
const HIGH_C: f64 = 850.0;

/// A platinum thermometer: resistance in ohm to temperature in K.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PlatinumCurve {
    /// Resistance at 0 degrees Celsius, ohm; 100 for the usual sensor.
    pub r0_ohm: f64,
}

/// Tolerance class of a wire-wound sensor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ToleranceClass {
    /// 0.15 K + 0.002 |t|, from -100 to 450 degrees Celsius.
    A,
    /// 0.3 K + 0.005 |t|, from -196 to 600 degrees Celsius.
    B,
}

impl ToleranceClass {
    /// Largest permitted deviation in K at a temperature in K; none outside the range of the class.
    #[must_use]
    pub fn limit_k(self, temperature_k: f64) -> Option<f64> {
        let t = temperature_k - ICE_POINT_K;
        let (fixed, relative, low, high) = self.figures();
        // The range ends count within the rounding of the step from K to degrees Celsius.
        let rounding = 1e-9;
        (t >= low - rounding && t <= high + rounding).then_some(fixed + relative * t.abs())
    }

    /// Standard uncertainty in K of a sensor of the class at a temperature in K: limit/sqrt(3), as of
    /// a rectangular distribution. Beyond the range of the class the line goes on, which no standard
    /// vouches for.
    #[must_use]
    pub fn std_k(self, temperature_k: f64) -> f64 {
        let (fixed, relative, _, _) = self.figures();
        (fixed + relative * (temperature_k - ICE_POINT_K).abs()) / libm::sqrt(3.0)
    }

    /// K, K/K, and the range in degrees Celsius.
    const fn figures(self) -> (f64, f64, f64, f64) {
        match self {
            Self::A => (0.15, 0.002, -100.0, 450.0),
            Self::B => (0.3, 0.005, -196.0, 600.0),
        }
    }
}

impl PlatinumCurve {
    pub(super) fn value_and_slope(self, resistance_ohm: f64) -> Result<(f64, f64), CurveError> {
        let (low, high) = self.range();
        let ratio = within_range(resistance_ohm, low, high)? / self.r0_ohm;
        let t = if ratio >= 1.0 {
            let discriminant = A * A - 4.0 * B * (1.0 - ratio);
            (-A + libm::sqrt(discriminant)) / (2.0 * B)
        } else {
            below_ice_point(ratio)
        };
        let t = t.clamp(LOW_C, HIGH_C);
        let slope = ratio_and_slope(t).1 * self.r0_ohm;
        Ok((t + ICE_POINT_K, 1.0 / slope))
    }

    pub(super) fn inverse(self, temperature_k: f64) -> Result<f64, CurveError> {
        let (low, high) = (LOW_C + ICE_POINT_K, HIGH_C + ICE_POINT_K);
        let t = within_range(temperature_k, low, high).map_err(|error| match error {
            CurveError::Outside { input, low, high } => CurveError::Unreachable {
                output: input,
                low,
                high,
            },
            other => other,
        })? - ICE_POINT_K;
        Ok(ratio_and_slope(t).0 * self.r0_ohm)
    }

    pub(super) fn range(self) -> (f64, f64) {
        (
            ratio_and_slope(LOW_C).0 * self.r0_ohm,
            ratio_and_slope(HIGH_C).0 * self.r0_ohm,
        )
    }
}

fn below_ice_point(ratio: f64) -> f64 {
    // A parabola through the ends and the middle starts within 0.6 K; each step squares the error.
    let x = 1.0 - ratio;
    let mut t = -x * (242.0 + x * 4.2);
    for _ in 0..4 {
        let (r, slope) = ratio_and_slope(t);
        t -= (r - ratio) / slope;
    }
    t
}

fn ratio_and_slope(t: f64) -> (f64, f64) {
    let (mut ratio, mut slope) = (1.0 + t * (A + t * B), A + 2.0 * B * t);
    if t < 0.0 {
        ratio += C * (t - 100.0) * t * t * t;
        slope += C * t * t * (4.0 * t - 300.0);
    }
    (ratio, slope)
}

#[cfg(test)]
mod tests {
    use super::*;

    const PT100: PlatinumCurve = PlatinumCurve { r0_ohm: 100.0 };

    #[test]
    fn inverse_of_inverse_over_the_whole_range() {
        for step in 0..=10_500 {
            let kelvin = 73.15 + f64::from(step) * 0.1;
            let ohm = PT100.inverse(kelvin).unwrap();
            let (back, slope) = PT100.value_and_slope(ohm).unwrap();
            assert!((back - kelvin).abs() < 1e-9, "{kelvin}: {back}");
            assert!(slope > 0.0);
        }
    }

    #[test]
    fn refuses_colder_than_the_reference_function() {
        assert!(matches!(
            PT100.value_and_slope(18.5),
            Err(CurveError::Outside { .. })
        ));
        assert!(matches!(
            PT100.inverse(70.0),
            Err(CurveError::Unreachable { .. })
        ));
        let nonsense = PlatinumCurve { r0_ohm: -1.0 };
        assert!(nonsense.value_and_slope(100.0).is_err());
    }
}
