//! Saturated liquid from 0.8 K to the critical point as one curve, for a bath that is pumped down.
//!
//! Two models meet at the lambda point, and they do not agree there: the equation of state is
//! 0.05 kg/m3 (0.035 %) lighter than the tables. In a bath of 250 litres that is 12 g, and a
//! balance would read it as helium lost on each crossing. So above the lambda point the table's
//! excess is carried over and faded out, with a smooth step that is flat at both ends, up to
//! 2.4 K, where the two models agree by themselves (their difference changes sign between 2.3 K and
//! 2.5 K). The correction is at most a quarter of the equation's own uncertainty, and brings it
//! closer to the tables. Value and slope are continuous above the lambda point; at it the value is
//! continuous and the slope changes sign, as helium's does.
//!
//! The equation itself ([`super::saturation_by_equation`]) is left untouched.

use super::error::{HeliumError, finite};
use super::helium_ii;
use super::lambda_line::LAMBDA_TEMPERATURE_K;
use super::saturation::{Saturation, saturation_by_equation, saturation_by_equation_at};
use crate::quantity::{AbsolutePressure, Density, Temperature};

use std::sync::LazyLock;

/// Where the join has faded out, K.
const FADED_K: f64 = 2.4;

/// Density of a saturated liquid bath.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BathDensity {
    /// Density of the liquid.
    pub density: Density,
    /// Temperature of the bath.
    pub temperature: Temperature,
    /// Vapour pressure of the bath.
    pub pressure: AbsolutePressure,
    /// Slope along saturation, kg/m3/K.
    pub d_dt: f64,
    /// Slope along saturation, kg/m3/Pa.
    pub d_dp: f64,
}

/// Density of a saturated bath at a temperature.
///
/// **Range**: 0.8 K to 5.1952 K.
///
/// # Errors
/// [`HeliumError`] outside the range.
pub fn liquid_bath_density(temperature: Temperature) -> Result<BathDensity, HeliumError> {
    let t = finite(temperature.si(), "temperature")?;
    if t < helium_ii::MIN_TEMPERATURE_K {
        return Err(HeliumError::TemperatureOutOfRange {
            temperature_k: t,
            low_k: helium_ii::MIN_TEMPERATURE_K,
            high_k: super::saturation::MAX_SATURATION_TEMPERATURE,
            correlation: "the density of a saturated bath",
        });
    }
    if t < LAMBDA_TEMPERATURE_K {
        return Ok(superfluid(t));
    }
    Ok(normal(&saturation_by_equation(temperature)?))
}

/// Density of a saturated bath from its vapour pressure.
///
/// Below the lambda point the pressure gives the temperature by ITS-90; above it the equation of
/// state answers for its own saturation pressure, so that liquid and vapour belong together.
///
/// **Range**: 1.5 Pa to 228 kPa.
///
/// # Errors
/// [`HeliumError`] outside the range.
pub fn liquid_bath_density_at_pressure(
    pressure: AbsolutePressure,
) -> Result<BathDensity, HeliumError> {
    let p = finite(pressure.si(), "pressure")?;
    if p < super::saturation::min_pressure() {
        let mut bath = superfluid(helium_ii::vapour_pressure_temperature_k(p)?);
        bath.pressure = pressure;
        return Ok(bath);
    }
    Ok(normal(&saturation_by_equation_at(pressure)?))
}

fn superfluid(t: f64) -> BathDensity {
    let (density, d_dt) = helium_ii::saturated_liquid(t);
    let p = helium_ii::vapour_pressure_pa(t);
    let h = 1e-4;
    let dp_dt = (helium_ii::vapour_pressure_pa(t + h / 2.0)
        - helium_ii::vapour_pressure_pa(t - h / 2.0))
        / h;
    BathDensity {
        density: Density::new(density),
        temperature: Temperature::new(t),
        pressure: AbsolutePressure::new(p),
        d_dt,
        d_dp: d_dt / dp_dt,
    }
}

fn normal(saturation: &Saturation) -> BathDensity {
    let t = saturation.temperature.si();
    let (excess, slope) = join(t);
    let d_dt = saturation.d_liquid_dp * saturation.dp_dt + slope;
    BathDensity {
        density: Density::new(saturation.liquid.si() + excess),
        temperature: saturation.temperature,
        pressure: saturation.pressure,
        d_dt,
        d_dp: d_dt / saturation.dp_dt,
    }
}

/// What the join adds above the lambda point, kg/m3, and its slope in temperature.
fn join(t: f64) -> (f64, f64) {
    static EXCESS: LazyLock<f64> = LazyLock::new(|| {
        let equation = saturation_by_equation(Temperature::new(LAMBDA_TEMPERATURE_K))
            .map_or(f64::NAN, |saturation| saturation.liquid.si());
        helium_ii::saturated_liquid(LAMBDA_TEMPERATURE_K).0 - equation
    });
    if t >= FADED_K {
        return (0.0, 0.0);
    }
    let width = FADED_K - LAMBDA_TEMPERATURE_K;
    let f = ((t - LAMBDA_TEMPERATURE_K) / width).clamp(0.0, 1.0);
    let excess = *EXCESS;
    (
        excess * (1.0 - f * f * (3.0 - 2.0 * f)),
        -excess * 6.0 * f * (1.0 - f) / width,
    )
}
