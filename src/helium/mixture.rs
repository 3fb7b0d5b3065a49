//! States by pressure and enthalpy, and by pressure and quality: what a throttle or a heater leaves.
//!
//! Between saturated liquid and saturated vapour the mass fraction of vapour (the quality) divides
//! volume, enthalpy, energy and entropy. Elsewhere the temperature is the root of h(T) at constant
//! pressure, which rises throughout (cp > 0): Newton's steps within a bracket.
//!
//! **Source**: the equation of state and Gibbs equality of this module; lever rule.

use super::error::{HeliumError, finite};
use super::saturation::{MAX_SATURATION_TEMPERATURE, Saturation, min_pressure};
use super::state::State;
use super::{
    CRITICAL_PRESSURE_PA, CRITICAL_TEMPERATURE, EOS_MIN_TEMPERATURE, MAX_PRESSURE_PA,
    MAX_TEMPERATURE, PhaseHint, melting, saturation_at_pressure, saturation_by_equation_at, state,
};
use crate::quantity::{AbsolutePressure, Temperature};

/// A state that may be liquid and vapour at once. Energies and entropy as in [`State`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mixture {
    /// K.
    pub temperature_k: f64,
    /// Of the whole, kg/m3.
    pub density_kg_per_m3: f64,
    /// J/kg; none below the lambda point.
    pub internal_energy_j_per_kg: Option<f64>,
    /// J/kg; none below the lambda point.
    pub enthalpy_j_per_kg: Option<f64>,
    /// J/(kg K); none below the lambda point.
    pub entropy_j_per_kg_k: Option<f64>,
    /// Mass fraction of vapour; none in a single phase.
    pub quality: Option<f64>,
    /// Every property, in a single phase.
    pub single: Option<State>,
}

/// The state at a pressure and an enthalpy (J/kg from 300 K, 101 325 Pa).
///
/// **Range**: above vacuum to 1000 bar, 2.1768 K to 1500 K, liquid, gas or both.
///
/// # Errors
/// [`HeliumError`] outside the range; [`HeliumError::TooCloseToCritical`] where an enthalpy between
/// liquid and vapour falls into the last 0.1 mK.
pub fn at_enthalpy(p: AbsolutePressure, enthalpy_j_per_kg: f64) -> Result<Mixture, HeliumError> {
    let pressure = checked(p)?;
    let h = finite(enthalpy_j_per_kg, "enthalpy")?;
    let coldest = coldest_k(pressure);
    let ends = [coldest, MAX_TEMPERATURE].map(|t| state(Temperature::new(t), p, PhaseHint::Stable));
    let [low, high] = ends;
    let (low, high) = (low?, high?);
    if !(low.enthalpy_j_per_kg..=high.enthalpy_j_per_kg).contains(&h) {
        return Err(HeliumError::EnthalpyOutOfRange {
            enthalpy_j_per_kg: h,
            pressure_pa: pressure,
            low_j_per_kg: low.enthalpy_j_per_kg,
            high_j_per_kg: high.enthalpy_j_per_kg,
        });
    }
    let saturation = if (min_pressure()..CRITICAL_PRESSURE_PA).contains(&pressure) {
        saturation_by_equation_at(p).ok()
    } else {
        None
    };
    let Some(saturation) = saturation else {
        return root(p, h, (low, high), PhaseHint::Stable).map(single);
    };
    let (liquid, vapour) = sides(&saturation, p)?;
    if h < liquid.enthalpy_j_per_kg {
        root(p, h, (low, liquid), PhaseHint::Liquid).map(single)
    } else if h > vapour.enthalpy_j_per_kg {
        root(p, h, (vapour, high), PhaseHint::Vapour).map(single)
    } else {
        let part =
            (h - liquid.enthalpy_j_per_kg) / (vapour.enthalpy_j_per_kg - liquid.enthalpy_j_per_kg);
        Ok(mixed(&saturation, &liquid, &vapour, part.clamp(0.0, 1.0)))
    }
}

/// The state at a pressure and a quality: 0 is saturated liquid, 1 saturated vapour.
///
/// **Range**: 1.5 Pa to 228.3 kPa; below the lambda point only temperature and density.
///
/// # Errors
/// [`HeliumError`] outside the range.
pub fn at_quality(p: AbsolutePressure, quality: f64) -> Result<Mixture, HeliumError> {
    let pressure = checked(p)?;
    let quality = finite(quality, "quality")?;
    if !(0.0..=1.0).contains(&quality) {
        return Err(HeliumError::QualityOutOfRange { quality });
    }
    if pressure < min_pressure() {
        let saturation = saturation_at_pressure(p)?;
        return Ok(Mixture {
            temperature_k: saturation.temperature.si(),
            density_kg_per_m3: lever_density(&saturation, quality),
            internal_energy_j_per_kg: None,
            enthalpy_j_per_kg: None,
            entropy_j_per_kg_k: None,
            quality: Some(quality),
            single: None,
        });
    }
    let saturation = saturation_by_equation_at(p)?;
    let (liquid, vapour) = sides(&saturation, p)?;
    Ok(mixed(&saturation, &liquid, &vapour, quality))
}

fn checked(p: AbsolutePressure) -> Result<f64, HeliumError> {
    let pressure = finite(p.si(), "pressure")?;
    if pressure > 0.0 && pressure <= MAX_PRESSURE_PA {
        Ok(pressure)
    } else {
        Err(HeliumError::PressureOutOfRange {
            pressure_pa: pressure,
            low_pa: 0.0,
            high_pa: MAX_PRESSURE_PA,
            correlation: "the equation of state",
        })
    }
}

/// The coldest temperature of the equation at a pressure, K: the lambda point, or freezing.
fn coldest_k(pressure: f64) -> f64 {
    if pressure <= melting::melting_pressure_pa(EOS_MIN_TEMPERATURE) {
        return EOS_MIN_TEMPERATURE;
    }
    // Nothing within the pressure range is solid above 15 K.
    let (mut solid, mut fluid) = (EOS_MIN_TEMPERATURE, 15.0);
    for _ in 0..60 {
        let middle = 0.5 * (solid + fluid);
        if pressure > melting::melting_pressure_pa(middle) {
            solid = middle;
        } else {
            fluid = middle;
        }
    }
    fluid
}

fn sides(saturation: &Saturation, p: AbsolutePressure) -> Result<(State, State), HeliumError> {
    let t = saturation.temperature;
    Ok((
        state(t, p, PhaseHint::Liquid)?,
        state(t, p, PhaseHint::Vapour)?,
    ))
}

fn lever_density(saturation: &Saturation, quality: f64) -> f64 {
    1.0 / (quality / saturation.vapour.si() + (1.0 - quality) / saturation.liquid.si())
}

fn mixed(saturation: &Saturation, liquid: &State, vapour: &State, quality: f64) -> Mixture {
    let lever = |of: fn(&State) -> f64| Some((1.0 - quality) * of(liquid) + quality * of(vapour));
    Mixture {
        temperature_k: saturation.temperature.si(),
        density_kg_per_m3: lever_density(saturation, quality),
        internal_energy_j_per_kg: lever(|state| state.internal_energy_j_per_kg),
        enthalpy_j_per_kg: lever(|state| state.enthalpy_j_per_kg),
        entropy_j_per_kg_k: lever(|state| state.entropy_j_per_kg_k),
        quality: Some(quality),
        single: None,
    }
}

fn single(state: State) -> Mixture {
    Mixture {
        temperature_k: state.temperature_k,
        density_kg_per_m3: state.density_kg_per_m3,
        internal_energy_j_per_kg: Some(state.internal_energy_j_per_kg),
        enthalpy_j_per_kg: Some(state.enthalpy_j_per_kg),
        entropy_j_per_kg_k: Some(state.entropy_j_per_kg_k),
        quality: None,
        single: Some(state),
    }
}

/// The state of that enthalpy between two states of one phase.
fn root(
    p: AbsolutePressure,
    h: f64,
    (low, high): (State, State),
    hint: PhaseHint,
) -> Result<State, HeliumError> {
    let (mut cold, mut warm) = (low.temperature_k, high.temperature_k);
    // From the end whose own slope lands inside.
    let mut here = if (h - low.enthalpy_j_per_kg) < (high.enthalpy_j_per_kg - h) {
        low
    } else {
        high
    };
    let mut last = f64::INFINITY;
    for _ in 0..200 {
        let gap = h - here.enthalpy_j_per_kg;
        if gap > 0.0 {
            cold = cold.max(here.temperature_k);
        } else {
            warm = warm.min(here.temperature_k);
        }
        let step = gap / here.cp_j_per_kg_k;
        if step.abs() <= 1e-14 * here.temperature_k {
            return Ok(here);
        }
        let next = here.temperature_k + step;
        // Around the peak of the heat capacity Newton's steps go to and fro across the root,
        // hardly shorter each time; they are taken only as long as each halves the one before.
        let next = if next > cold && next < warm && 2.0 * step.abs() <= last {
            next
        } else if warm - cold <= 4e-16 * warm {
            break;
        } else {
            0.5 * (cold + warm)
        };
        last = (next - here.temperature_k).abs();
        if next == here.temperature_k {
            return Ok(here);
        }
        here = state(Temperature::new(next), p, hint)?;
    }
    // The bracket shut: on the root, or on a jump that the last 0.1 mK hide.
    let rest = (h - here.enthalpy_j_per_kg).abs();
    if rest <= 1e-9 * here.enthalpy_j_per_kg.abs().max(1e5) {
        Ok(here)
    } else if (MAX_SATURATION_TEMPERATURE..=CRITICAL_TEMPERATURE).contains(&here.temperature_k) {
        Err(HeliumError::TooCloseToCritical {
            temperature_k: here.temperature_k,
            critical_k: CRITICAL_TEMPERATURE,
        })
    } else {
        Err(HeliumError::NotSettled {
            temperature_k: here.temperature_k,
            pressure_pa: p.si(),
        })
    }
}
