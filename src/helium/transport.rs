//! Viscosity of helium I gas and liquid.
//!
//! **Source**: V. D. Arp, R. D. McCarty and D. G. Friend, "Thermophysical Properties of Helium-4 from
//! 0.8 to 1500 K with Pressures to 2000 MPa", NIST Technical Note 1334 (1998); coefficients as in
//! CoolProp 8.0.0, against which a reference file checks it.

use super::equation_of_state::MOLAR_MASS;
use super::error::HeliumError;
use super::{EOS_MIN_TEMPERATURE, MAX_TEMPERATURE};
use crate::quantity::{Density, Temperature};

/// Densest state of the range: 1000 bar at freezing, kg/m3.
const MAX_DENSITY: f64 = 320.0;

/// Dynamic viscosity, Pa s.
///
/// **Range**: 2.1768 K to 1500 K, density to 320 kg/m3. **Uncertainty**: 10 % below 100 K, 2 % above
/// (k = 2, from memory).
///
/// # Errors
/// [`HeliumError::TemperatureOutOfRange`], [`HeliumError::DensityOutOfRange`].
pub fn viscosity_pa_s(t: Temperature, density: Density) -> Result<f64, HeliumError> {
    let (t, rho) = (t.si(), density.si());
    if !(EOS_MIN_TEMPERATURE..=MAX_TEMPERATURE).contains(&t) {
        return Err(HeliumError::TemperatureOutOfRange {
            temperature_k: t,
            low_k: EOS_MIN_TEMPERATURE,
            high_k: MAX_TEMPERATURE,
            correlation: "the viscosity of helium",
        });
    }
    if !(0.0..=MAX_DENSITY).contains(&rho) {
        return Err(HeliumError::DensityOutOfRange {
            density_kg_per_m3: rho,
            high_kg_per_m3: MAX_DENSITY,
        });
    }
    let x = if t <= 300.0 {
        libm::log(t)
    } else {
        libm::log(300.0)
    };
    let b = -47.5295259 / x + 87.6799309 - 42.0741589 * x + 8.33128289 * x * x
        - 0.589252385 * x * x * x;
    let c =
        547.309267 / x - 904.870586 + 431.404928 * x - 81.4504854 * x * x + 5.37008433 * x * x * x;
    let d =
        -1684.39324 / x + 3331.08630 - 1632.19172 * x + 308.804413 * x * x - 20.2936367 * x * x * x;
    let low_density = -0.135311743 / x + 1.00347841 + 1.20654649 * x - 0.149564551 * x * x
        + 0.012520841 * x * x * x;
    // The correlation counts density in g/cm3 and viscosity in micropoise.
    let g = rho / 1000.0;
    let excess = g * (b + g * (c + g * d));
    let whole = libm::exp(low_density + excess);
    let micropoise = if t <= 100.0 {
        whole
    } else {
        let dilute =
            196.0 * libm::pow(t, 0.71938) * libm::exp(12.451 / t - 295.67 / (t * t) - 4.1249);
        whole + dilute - libm::exp(low_density)
    };
    Ok(micropoise * 1e-7)
}

/// Isentropic exponent of the ideal gas, 5/3. The real one is [`super::State::isentropic_exponent`].
pub const IDEAL_ISENTROPIC_EXPONENT: f64 = 5.0 / 3.0;

/// Molar mass, kg/mol.
pub const HELIUM_MOLAR_MASS_KG_PER_MOL: f64 = MOLAR_MASS;
