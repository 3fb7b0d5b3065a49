//! The lambda line: where helium I turns into helium II.
//!
//! A cubic in pressure through both ends of the line with the measured slope at each.
//!
//! **Source**: H. A. Kierstead, Phys. Rev. 162, 153 (1967): slopes -113.23 and -55.4 atm/K at the
//! lower and upper lambda point, 30.13 bar (from memory); ends moved to ITS-90 (2.1768 K,
//! 5041.8 Pa; 1.7673 K). Standard uncertainty 2 mK between the ends.

use super::error::{HeliumError, finite};
use crate::quantity::{AbsolutePressure, Temperature};

/// Lambda temperature of the saturated liquid, K. **Source**: ITS-90, Preston-Thomas 1990.
pub const LAMBDA_TEMPERATURE_K: f64 = 2.1768;
/// Vapour pressure there by ITS-90, Pa.
pub const LAMBDA_PRESSURE_PA: f64 = 5_041.8;
const UPPER_TEMPERATURE_K: f64 = 1.7673;
const UPPER_PRESSURE_PA: f64 = 3.013e6;
const ATMOSPHERE: f64 = 101_325.0;
const LOWER_SLOPE: f64 = -1.0 / (113.23 * ATMOSPHERE);
const UPPER_SLOPE: f64 = -1.0 / (55.4 * ATMOSPHERE);

/// Temperature at which liquid helium at this pressure turns superfluid.
///
/// **Range**: 5041.8 Pa to 30.13 bar.
///
/// # Errors
/// [`HeliumError`] outside the range.
pub fn lambda_temperature(pressure: AbsolutePressure) -> Result<Temperature, HeliumError> {
    let p = finite(pressure.si(), "pressure")?;
    if !(LAMBDA_PRESSURE_PA..=UPPER_PRESSURE_PA).contains(&p) {
        return Err(HeliumError::PressureOutOfRange {
            pressure_pa: p,
            low_pa: LAMBDA_PRESSURE_PA,
            high_pa: UPPER_PRESSURE_PA,
            correlation: "the lambda line",
        });
    }
    Ok(Temperature::new(lambda_k(p)))
}

/// As [`lambda_temperature`], held at its ends.
pub(super) fn lambda_k(p: f64) -> f64 {
    let span = UPPER_PRESSURE_PA - LAMBDA_PRESSURE_PA;
    let f = ((p - LAMBDA_PRESSURE_PA) / span).clamp(0.0, 1.0);
    let rise = UPPER_TEMPERATURE_K - LAMBDA_TEMPERATURE_K;
    let (a, b) = (span * LOWER_SLOPE, span * UPPER_SLOPE);
    LAMBDA_TEMPERATURE_K + f * (a + f * ((3.0 * rise - 2.0 * a - b) + f * (a + b - 2.0 * rise)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn falls_with_pressure() {
        let mut last = LAMBDA_TEMPERATURE_K + 1e-9;
        for i in 0..=300 {
            let p = LAMBDA_PRESSURE_PA
                + f64::from(i) / 300.0 * (UPPER_PRESSURE_PA - LAMBDA_PRESSURE_PA);
            let t = lambda_k(p);
            assert!(t < last);
            last = t;
        }
        assert!((last - UPPER_TEMPERATURE_K).abs() < 1e-9);
    }

    #[test]
    fn refuses_beyond_its_ends() {
        assert!(lambda_temperature(AbsolutePressure::new(4000.0)).is_err());
        assert!(lambda_temperature(AbsolutePressure::new(3.1e6)).is_err());
        assert!(lambda_temperature(AbsolutePressure::new(f64::NAN)).is_err());
    }
}
