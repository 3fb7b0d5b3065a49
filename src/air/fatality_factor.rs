//! The published relation between oxygen and the chance of death in a laboratory's assessment.
//!
//! Not for safety design. It is here so that a figure of a site's own assessment can be followed,
//! never so that one is made.

use super::error::{AirError, within};
use super::oxygen::mmhg;
use crate::quantity::AbsolutePressure;

/// Partial pressure of oxygen in mmHg above which the relation gives no deaths: 18 % at sea level.
pub const FATALITY_FREE_ABOVE_MMHG: f64 = 135.0;

/// Fatality factor, 1, at a partial pressure of oxygen: **not for safety design**; what counts is
/// the site's oxygen-deficiency assessment, the local codes and licensed practice.
///
/// `F = 10^(6.5 - p/10)` with p in mmHg, at most 1, and 0 above 135 mmHg.
///
/// **Range**: 0 Pa to 200 kPa. **Source**: E. Miller and P. O. Mazur, Am. Ind. Hyg. Assoc. J. 45
/// (1984) 293, as laboratory standards of the FESHM 4240 family use it (formula from memory). Some
/// texts print F = 1 from 8.8 % at sea level, where the formula gives 0.65.
///
/// # Errors
/// [`AirError::OutOfRange`].
pub fn fatality_factor_not_for_safety_design(oxygen: AbsolutePressure) -> Result<f64, AirError> {
    within(
        "partial pressure of oxygen",
        oxygen.si(),
        "Pa(a)",
        (0.0, 2e5),
    )?;
    let p = mmhg(oxygen);
    if p > FATALITY_FREE_ABOVE_MMHG {
        return Ok(0.0);
    }
    Ok(libm::pow(10.0, 6.5 - p / 10.0).min(1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn factor(pa: f64) -> Result<f64, AirError> {
        fatality_factor_not_for_safety_design(AbsolutePressure::new(pa))
    }

    #[test]
    fn never_falls_as_oxygen_gets_less() {
        let mut last = 0.0;
        for step in 0..=400 {
            let now = factor(20_000.0 - f64::from(step) * 50.0).unwrap();
            assert!((0.0..=1.0).contains(&now) && now >= last);
            last = now;
        }
        assert_eq!(last, 1.0);
    }

    #[test]
    fn refuses_what_is_no_partial_pressure() {
        for pa in [-1.0, f64::NAN, f64::INFINITY, 3e5] {
            assert!(matches!(factor(pa), Err(AirError::OutOfRange { .. })));
        }
    }
}
