//! Cool-down and warm-up: gradient from end to end, and when a temperature will be reached.
//!
//! The forecast rests on the rate of the last while, and on one of two models of what comes:
//!
//! - **straight line**: the rate stays as it is. Near the cold end, where the gas has little left
//!   to take, this is too soon; in between it is too late, since cold metal holds less heat.
//! - **heat capacity**: the heat taken per second stays as it is, and the rate follows the heat
//!   capacity of the mass, by Debye's function for the Debye temperature that the description
//!   states. A cold mass at 80 K holds a third of the heat per kelvin that it holds at 300 K.
//!
//! Neither knows what the refrigerator will do. Where the Debye temperature is stated the forecast
//! is that of the heat capacity, and the band covers both models; without it there is only the line.
//!
//! **Source**: P. Debye, Ann. Phys. 39 (1912) 789; constant heat flow: common practice, no source.

use super::Figure;
use super::trend::{Arrival, Trend, arrival};

/// Molar gas constant, J/(mol K): exact in the SI of 2019.
const GAS_CONSTANT: f64 = 8.314_462_618;
/// Intervals of the quadrature; even.
const INTERVALS: u32 = 256;
/// Beyond this the integrands are below 1e-15 of the whole.
const FAR: f64 = 60.0;

/// Temperatures of both ends against the stated limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gradient {
    /// Warmer end less colder end, K; positive.
    pub difference_k: Figure,
    /// Part of the limit that it takes.
    pub of_limit: f64,
    /// Above the limit.
    pub exceeded: bool,
}

/// Where a cool-down or warm-up is to end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Target {
    /// K.
    pub temperature_k: f64,
    /// Counts as reached within this, K.
    pub within_k: f64,
    /// Debye temperature of the cold mass, K, when it is stated.
    pub debye_k: Option<f64>,
}

/// Which model a forecast rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ForecastModel {
    /// The rate stays as it is.
    StraightLine,
    /// The heat per second stays as it is; the band covers the straight line too.
    HeatCapacity,
}

/// When a temperature will be reached.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// Rate now, K/s; negative when cooling.
    pub rate_k_per_s: Figure,
    /// When.
    pub arrival: Arrival,
    /// By which model.
    pub model: ForecastModel,
}

/// Why nothing is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum CoolDownError {
    /// A temperature, limit or rate that is none.
    #[error(
        "a temperature, rate, limit or Debye temperature of the cool-down is not a number that makes sense"
    )]
    NotANumber,
}

/// Difference of the two ends, against the limit that the description states.
///
/// # Errors
/// [`CoolDownError`] for numbers that are none.
pub fn end_to_end(start_k: Figure, end_k: Figure, limit_k: f64) -> Result<Gradient, CoolDownError> {
    if !(start_k.is_sound() && end_k.is_sound() && limit_k.is_normal() && limit_k > 0.0) {
        return Err(CoolDownError::NotANumber);
    }
    let difference = (start_k.value - end_k.value).abs();
    let std = libm::sqrt(start_k.std * start_k.std + end_k.std * end_k.std);
    let of_limit = difference / limit_k;
    if !(std.is_finite() && of_limit.is_finite()) {
        return Err(CoolDownError::NotANumber);
    }
    Ok(Gradient {
        difference_k: Figure::new(difference, std),
        of_limit,
        exceeded: difference > limit_k,
    })
}

/// When a target will be reached, from the trend of the last while.
///
/// `coverage` is the factor of the band (Student's for the trend's degrees of freedom, or 2). A rate
/// that is not beyond `coverage` times its own uncertainty, or that leads away, is "not approaching".
///
/// # Errors
/// [`CoolDownError`] for numbers that are none.
pub fn forecast(now: &Trend, target: Target, coverage: f64) -> Result<Forecast, CoolDownError> {
    let (temperature, rate) = (now.value, now.rate_per_s);
    let debye_is_sound = target
        .debye_k
        .is_none_or(|debye| debye.is_normal() && debye > 0.0);
    let sound = temperature.is_sound()
        && temperature.value >= 0.0
        && rate.is_sound()
        && target.temperature_k.is_finite()
        && target.temperature_k >= 0.0
        && target.within_k.is_finite()
        && target.within_k >= 0.0
        && coverage.is_finite()
        && coverage > 0.0;
    if !(sound && debye_is_sound) {
        return Err(CoolDownError::NotANumber);
    }
    let distance = target.temperature_k - temperature.value;
    let model = if target.debye_k.is_some() {
        ForecastModel::HeatCapacity
    } else {
        ForecastModel::StraightLine
    };
    let answer = |arrival| {
        Ok(Forecast {
            rate_k_per_s: rate,
            arrival,
            model,
        })
    };
    if distance.abs() <= target.within_k {
        return answer(Arrival::Reached);
    }
    let towards = Figure::new(rate.value * distance.signum(), rate.std);
    let line = arrival(
        Figure::new(distance.abs(), temperature.std),
        towards,
        coverage,
    );
    let Some(debye) = target.debye_k else {
        return answer(line);
    };
    // The same rate, over the distance that as many joules make at today's heat capacity.
    let capacity = debye_heat_capacity_j_per_mol_k(temperature.value, debye);
    let heat = debye_energy_j_per_mol(temperature.value, debye)
        - debye_energy_j_per_mol(target.temperature_k, debye);
    let weighted = heat.abs() / capacity;
    if !weighted.is_finite() {
        return answer(line);
    }
    let by_heat = arrival(Figure::new(weighted, temperature.std), towards, coverage);
    answer(match (line, by_heat) {
        (
            Arrival::After {
                earliest_s: e1,
                latest_s: l1,
                ..
            },
            Arrival::After {
                after_s,
                earliest_s: e2,
                latest_s: l2,
            },
        ) => Arrival::After {
            after_s,
            earliest_s: e1.min(e2),
            latest_s: l1.max(l2),
        },
        _ => Arrival::NotApproaching,
    })
}

/// Heat that a mole of atoms holds above 0 K, J/mol, without its zero-point energy.
///
/// **Range**: temperatures from 0 K, Debye temperatures above 0 K; others give NaN.
#[must_use]
pub fn debye_energy_j_per_mol(temperature_k: f64, debye_k: f64) -> f64 {
    let Some((x, weight)) = reduced(temperature_k, debye_k) else {
        return edge(temperature_k, debye_k);
    };
    let integral = simpson(x, |t| {
        if t == 0.0 {
            0.0
        } else {
            t * t * t / libm::expm1(t)
        }
    });
    9.0 * GAS_CONSTANT * temperature_k * weight * integral
}

/// Heat capacity of a mole of atoms, J/(mol K).
///
/// **Range**: temperatures from 0 K, Debye temperatures above 0 K; others give NaN.
#[must_use]
pub fn debye_heat_capacity_j_per_mol_k(temperature_k: f64, debye_k: f64) -> f64 {
    let Some((x, weight)) = reduced(temperature_k, debye_k) else {
        return edge(temperature_k, debye_k);
    };
    let integral = simpson(x, |t| {
        if t == 0.0 {
            0.0
        } else {
            // t^4 e^t / (e^t - 1)^2, written so that e^t does not overflow.
            let one = -libm::expm1(-t);
            t * t * t * t * libm::exp(-t) / (one * one)
        }
    });
    9.0 * GAS_CONSTANT * weight * integral
}

/// theta/T and (T/theta)^3, where both are numbers.
fn reduced(temperature_k: f64, debye_k: f64) -> Option<(f64, f64)> {
    let (x, y) = (debye_k / temperature_k, temperature_k / debye_k);
    let weight = y * y * y;
    (x.is_normal() && x > 0.0 && weight.is_finite()).then_some((x, weight))
}

fn edge(temperature_k: f64, debye_k: f64) -> f64 {
    if temperature_k == 0.0 && debye_k > 0.0 {
        0.0
    } else {
        f64::NAN
    }
}

/// From 0 to `x`, or as far as the integrand reaches.
fn simpson(x: f64, f: impl Fn(f64) -> f64) -> f64 {
    let end = x.min(FAR);
    let step = end / f64::from(INTERVALS);
    let sum: f64 = (0..=INTERVALS)
        .map(|at| {
            let weight = match at {
                0 | INTERVALS => 1.0,
                odd if odd % 2 == 1 => 4.0,
                _ => 2.0,
            };
            weight * f(f64::from(at) * step)
        })
        .sum();
    sum * step / 3.0
}
