//! Partial pressure of oxygen.

use super::error::{AirError, within};
use crate::quantity::{AbsolutePressure, Fraction};

/// Pascal per millimetre of mercury, as 1/760 of the standard atmosphere (a torr; the conventional
/// millimetre of mercury differs by 1.4e-7).
pub const PA_PER_MMHG: f64 = 101_325.0 / 760.0;

/// Partial pressure of oxygen: its fraction of the air pressure.
///
/// **Range**: fraction 0 to 1, air 30 to 200 kPa.
///
/// # Errors
/// [`AirError::OutOfRange`].
pub fn oxygen_partial_pressure(
    fraction: Fraction,
    air: AbsolutePressure,
) -> Result<AbsolutePressure, AirError> {
    let x = within("oxygen fraction", fraction.si(), "", (0.0, 1.0))?;
    let p = within("air pressure", air.si(), "Pa(a)", super::hall::PRESSURE_PA)?;
    Ok(AbsolutePressure::new(x * p))
}

/// A pressure in millimetres of mercury.
#[must_use]
pub fn mmhg(pressure: AbsolutePressure) -> f64 {
    pressure.si() / PA_PER_MMHG
}
