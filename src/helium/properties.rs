//! Density and state at a temperature and a pressure, over all models.

use super::density::{Branch, solve};
use super::equation_of_state::{GAS_CONSTANT, Isotherm, REDUCING_DENSITY};
use super::error::{HeliumError, finite};
use super::saturation::{
    MAX_SATURATION_TEMPERATURE, Saturation, ln_pressure_start, min_pressure, pair_at,
    saturation_by_equation, saturation_by_equation_at,
};
use super::state::{State, describe};
use super::{
    CRITICAL_PRESSURE_PA, CRITICAL_TEMPERATURE, EOS_MIN_TEMPERATURE, MAX_PRESSURE_PA,
    MAX_TEMPERATURE, Phase, PhaseHint, helium_ii, lambda_line, melting,
};
use crate::quantity::{AbsolutePressure, Density, Temperature};

/// A density with its slopes, for the propagation of uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DensityWithSlopes {
    /// Density.
    pub density: Density,
    /// Slope in temperature at constant pressure, kg/m3/K.
    pub d_dt: f64,
    /// Slope in pressure at constant temperature, kg/m3/Pa.
    pub d_dp: f64,
    /// Phase.
    pub phase: Phase,
}

/// Density at a temperature and pressure, in the stable phase.
///
/// **Range**: 0.8 K to 1500 K, above vacuum to 1000 bar, liquid or gas; below 2.1768 K to 5 atm.
///
/// # Errors
/// [`HeliumError`] outside the range, or when helium is solid.
pub fn density(t: Temperature, p: AbsolutePressure) -> Result<Density, HeliumError> {
    plain_density(t, p, PhaseHint::Stable, None)
}

/// As [`density`], with a phase given and starting from a density near the answer.
///
/// # Errors
/// As [`density`], and [`HeliumError::NoSuchPhase`]. A bad start costs time, not correctness.
pub fn density_from(
    t: Temperature,
    p: AbsolutePressure,
    hint: PhaseHint,
    start: Density,
) -> Result<Density, HeliumError> {
    plain_density(t, p, hint, Some(start.si()))
}

/// Every property at a temperature and pressure, from the equation of state.
///
/// **Range**: 2.1768 K to 1500 K, above vacuum to 1000 bar.
///
/// # Errors
/// [`HeliumError`] outside the range, when helium is solid, or when the phase asked for does not
/// exist; [`HeliumError::OnlyDensity`] below 2.1768 K.
pub fn state(t: Temperature, p: AbsolutePressure, hint: PhaseHint) -> Result<State, HeliumError> {
    let (t, p) = check(t, p)?;
    if t < EOS_MIN_TEMPERATURE {
        below_lambda_point(t, p, hint)?;
        return Err(HeliumError::OnlyDensity {
            temperature_k: t,
            lambda_k: lambda_line::lambda_k(p),
        });
    }
    let isotherm = Isotherm::new(t);
    let branch = branch_of(&isotherm, p, hint);
    let delta = solve(&isotherm, p, branch, None)?;
    Ok(describe(&isotherm, delta, p, phase_of(branch, p)))
}

/// Density with its slopes in temperature and pressure.
///
/// **Range**: as [`density`]; with a phase given, also a metastable state as far as it exists.
///
/// # Errors
/// As [`density`], and [`HeliumError::NoSuchPhase`].
pub fn density_with_slopes(
    t: Temperature,
    p: AbsolutePressure,
    hint: PhaseHint,
) -> Result<DensityWithSlopes, HeliumError> {
    with_slopes(t, p, hint, None)
}

/// As [`density_with_slopes`], starting from a density near the answer, such as the last one.
///
/// # Errors
/// As [`density_with_slopes`]. A bad start costs time, not correctness.
pub fn density_with_slopes_from(
    t: Temperature,
    p: AbsolutePressure,
    hint: PhaseHint,
    start: Density,
) -> Result<DensityWithSlopes, HeliumError> {
    with_slopes(t, p, hint, Some(start.si()))
}

/// Saturation at a temperature: helium II by its tables, helium I by the equation of state.
///
/// **Range**: 0.8 K to 5.1952 K.
///
/// # Errors
/// [`HeliumError`] outside the range.
pub fn saturation_at_temperature(t: Temperature) -> Result<Saturation, HeliumError> {
    let kelvin = finite(t.si(), "temperature")?;
    if (helium_ii::MIN_TEMPERATURE_K..EOS_MIN_TEMPERATURE).contains(&kelvin) {
        return helium_ii::saturation(kelvin);
    }
    if !(helium_ii::MIN_TEMPERATURE_K..CRITICAL_TEMPERATURE).contains(&kelvin) {
        return Err(HeliumError::TemperatureOutOfRange {
            temperature_k: kelvin,
            low_k: helium_ii::MIN_TEMPERATURE_K,
            high_k: MAX_SATURATION_TEMPERATURE,
            correlation: "saturation",
        });
    }
    saturation_by_equation(t)
}

/// Saturation at a pressure.
///
/// **Range**: 1.5 Pa to 228.3 kPa.
///
/// # Errors
/// [`HeliumError`] outside the range.
pub fn saturation_at_pressure(p: AbsolutePressure) -> Result<Saturation, HeliumError> {
    let pascal = finite(p.si(), "pressure")?;
    if pascal < min_pressure() {
        return helium_ii::saturation(helium_ii::vapour_pressure_temperature_k(pascal)?);
    }
    saturation_by_equation_at(p)
}

fn plain_density(
    t: Temperature,
    p: AbsolutePressure,
    hint: PhaseHint,
    start: Option<f64>,
) -> Result<Density, HeliumError> {
    let (t, p) = check(t, p)?;
    if t < EOS_MIN_TEMPERATURE {
        return below_lambda_point(t, p, hint).map(|(rho, _)| Density::new(rho));
    }
    let isotherm = Isotherm::new(t);
    let branch = branch_of(&isotherm, p, hint);
    solve(&isotherm, p, branch, start).map(|delta| Density::new(delta * REDUCING_DENSITY))
}

fn with_slopes(
    t: Temperature,
    p: AbsolutePressure,
    hint: PhaseHint,
    start: Option<f64>,
) -> Result<DensityWithSlopes, HeliumError> {
    let (t, p) = check(t, p)?;
    if t < EOS_MIN_TEMPERATURE {
        return slopes_below_lambda_point(t, p, hint);
    }
    let isotherm = Isotherm::new(t);
    let branch = branch_of(&isotherm, p, hint);
    let delta = solve(&isotherm, p, branch, start)?;
    let full = isotherm.full_residual(delta);
    let rho = delta * REDUCING_DENSITY;
    let dp_drho = isotherm.rt * (1.0 + 2.0 * full.a_d + full.a_dd);
    let dp_dt = rho * GAS_CONSTANT * (1.0 + full.a_d - full.a_dt);
    Ok(DensityWithSlopes {
        density: Density::new(rho),
        d_dt: -dp_dt / dp_drho,
        d_dp: 1.0 / dp_drho,
        phase: phase_of(branch, p),
    })
}

/// Finite, in range and not solid.
fn check(t: Temperature, p: AbsolutePressure) -> Result<(f64, f64), HeliumError> {
    let t = finite(t.si(), "temperature")?;
    let p = finite(p.si(), "pressure")?;
    if !(helium_ii::MIN_TEMPERATURE_K..=MAX_TEMPERATURE).contains(&t) {
        return Err(HeliumError::TemperatureOutOfRange {
            temperature_k: t,
            low_k: helium_ii::MIN_TEMPERATURE_K,
            high_k: MAX_TEMPERATURE,
            correlation: "helium density",
        });
    }
    if !(p > 0.0 && p <= MAX_PRESSURE_PA) {
        return Err(HeliumError::PressureOutOfRange {
            pressure_pa: p,
            low_pa: 0.0,
            high_pa: MAX_PRESSURE_PA,
            correlation: "helium density",
        });
    }
    // Above 14 K nothing within the pressure range is solid.
    if p > melting::NEVER_SOLID_BELOW_PA && t < 15.0 {
        let melting_pressure_pa = melting::melting_pressure_pa(t);
        if p > melting_pressure_pa {
            return Err(HeliumError::Solid {
                temperature_k: t,
                pressure_pa: p,
                melting_pressure_pa,
            });
        }
    }
    Ok((t, p))
}

fn branch_of(isotherm: &Isotherm, p: f64, hint: PhaseHint) -> Branch {
    let t = isotherm.temperature;
    if t >= CRITICAL_TEMPERATURE {
        return Branch::Single;
    }
    match hint {
        PhaseHint::Liquid => Branch::Liquid,
        PhaseHint::Vapour => Branch::Vapour,
        PhaseHint::Stable => {
            if p >= CRITICAL_PRESSURE_PA {
                return Branch::Liquid;
            }
            let start = libm::exp(ln_pressure_start(t));
            // Within the error of the table the exact pressure decides.
            let saturated = if (p / start - 1.0).abs() < 1e-5 {
                pair_at(isotherm).map_or(start, |pair| pair.pressure)
            } else {
                start
            };
            if p >= saturated {
                Branch::Liquid
            } else {
                Branch::Vapour
            }
        }
    }
}

fn phase_of(branch: Branch, p: f64) -> Phase {
    match branch {
        Branch::Liquid => Phase::Liquid,
        Branch::Vapour => Phase::Vapour,
        Branch::Single if p >= CRITICAL_PRESSURE_PA => Phase::Supercritical,
        Branch::Single => Phase::Gas,
    }
}

/// Density below 2.1768 K, kg/m3, with the phase.
fn below_lambda_point(t: f64, p: f64, hint: PhaseHint) -> Result<(f64, Phase), HeliumError> {
    let saturated = helium_ii::vapour_pressure_pa(t);
    let vapour = match hint {
        PhaseHint::Stable => p < saturated,
        PhaseHint::Liquid => false,
        PhaseHint::Vapour => true,
    };
    if vapour {
        // The virial series has no better claim than this beyond saturation.
        if p > 1.5 * saturated {
            return Err(HeliumError::NoSuchPhase {
                phase: "vapour",
                temperature_k: t,
                pressure_pa: p,
            });
        }
        return Ok((helium_ii::vapour(t, p), Phase::Vapour));
    }
    let rho = helium_ii::pressurised_liquid(t, p)?;
    let phase = if t < lambda_line::lambda_k(p) {
        Phase::HeliumIi
    } else {
        Phase::Liquid
    };
    Ok((rho, phase))
}

fn slopes_below_lambda_point(
    t: f64,
    p: f64,
    hint: PhaseHint,
) -> Result<DensityWithSlopes, HeliumError> {
    let (rho, phase) = below_lambda_point(t, p, hint)?;
    let hint = if phase == Phase::Vapour {
        PhaseHint::Vapour
    } else {
        PhaseHint::Liquid
    };
    // Differences over a step that stays inside the range on both sides.
    let (t_step, p_step) = (1e-4, 1e-4 * p);
    let t_low = (t - t_step).max(helium_ii::MIN_TEMPERATURE_K);
    let t_high = (t + t_step).min(EOS_MIN_TEMPERATURE);
    let p_high = (p + p_step).min(helium_ii::MAX_PRESSURE_PA);
    let p_low = p - p_step;
    let at = |t: f64, p: f64| below_lambda_point(t, p, hint).map(|(rho, _)| rho);
    let (cold, warm) = (at(t_low, p), at(t_high, p));
    let (thin, thick) = (at(t, p_low), at(t, p_high));
    Ok(DensityWithSlopes {
        density: Density::new(rho),
        d_dt: difference(rho, (t_low, cold), (t, t_high), warm),
        d_dp: difference(rho, (p_low, thin), (p, p_high), thick),
        phase,
    })
}

/// Central difference, or one-sided where a side does not exist.
fn difference(
    here: f64,
    (x_low, low): (f64, Result<f64, HeliumError>),
    (x, x_high): (f64, f64),
    high: Result<f64, HeliumError>,
) -> f64 {
    match (low, high) {
        (Ok(low), Ok(high)) => (high - low) / (x_high - x_low),
        (Ok(low), Err(_)) => (here - low) / (x - x_low),
        (Err(_), Ok(high)) => (high - here) / (x_high - x),
        (Err(_), Err(_)) => 0.0,
    }
}
