//! Saturation of helium I from the equation of state: equal pressure and equal Gibbs energy.
//!
//! Newton on both reduced densities at once. Starting values come from a table that this module
//! works out from the equation itself on first use, over x = sqrt(1 - T / Tc): in x both densities
//! and ln p are smooth up to the critical point, because the equation is analytic there.
//!
//! **Range**: 2.1768 K to the critical temperature less 0.1 mK. Nearer, the two densities differ
//! by less than the arithmetic can hold to the stated accuracy.
//!
//! **Source**: Gibbs equality; the equation as in [`super::equation_of_state`].
#![expect(
    clippy::indexing_slicing,
    reason = "node indices are clamped below the constant table length"
)]

use std::sync::LazyLock;

use super::equation_of_state::{GAS_CONSTANT, Isotherm, REDUCING_DENSITY};
use super::error::{HeliumError, finite};
use super::{CRITICAL_TEMPERATURE, EOS_MIN_TEMPERATURE};
use crate::quantity::{AbsolutePressure, Density, Temperature};

/// Reduced density at the critical point of the equation (d p / d rho = d2 p / d rho2 = 0).
pub(super) const CRITICAL_DELTA: f64 = 1.000_070_336_281_996_3;
/// Closest approach to the critical temperature, K.
const CLOSEST_K: f64 = 1e-4;
/// Highest temperature at which saturation is given, K.
pub(super) const MAX_SATURATION_TEMPERATURE: f64 = CRITICAL_TEMPERATURE - CLOSEST_K;

const NODES: usize = 193;
/// Densities at 2.1768 K to start from, reduced.
const FIRST_LIQUID: f64 = 36_480.345 / 17_383.7;
const FIRST_VAPOUR: f64 = 293.408_66 / 17_383.7;

/// Both phases in equilibrium.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Saturation {
    /// Saturation temperature.
    pub temperature: Temperature,
    /// Saturation pressure.
    pub pressure: AbsolutePressure,
    /// Density of the saturated liquid.
    pub liquid: Density,
    /// Density of the saturated vapour.
    pub vapour: Density,
    /// Heat of evaporation, J/kg.
    pub latent_heat_j_per_kg: f64,
    /// Slope of the liquid density along the saturation line, kg/m3/Pa.
    pub d_liquid_dp: f64,
    /// Slope of the vapour density along the saturation line, kg/m3/Pa.
    pub d_vapour_dp: f64,
    /// Slope of the saturation line, Pa/K.
    pub dp_dt: f64,
}

/// Reduced densities in equilibrium, and their pressure in Pa.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pair {
    pub(super) liquid: f64,
    pub(super) vapour: f64,
    pub(super) pressure: f64,
}

/// Saturation of helium I at a temperature, by the equation of state.
///
/// **Range**: 2.1768 K to 5.1952 K.
///
/// # Errors
/// [`HeliumError`] outside the range.
pub fn saturation_by_equation(temperature: Temperature) -> Result<Saturation, HeliumError> {
    let t = finite(temperature.si(), "temperature")?;
    if !(EOS_MIN_TEMPERATURE..CRITICAL_TEMPERATURE).contains(&t) {
        return Err(HeliumError::TemperatureOutOfRange {
            temperature_k: t,
            low_k: EOS_MIN_TEMPERATURE,
            high_k: MAX_SATURATION_TEMPERATURE,
            correlation: "saturation by the equation of state",
        });
    }
    let isotherm = Isotherm::new(t);
    let pair = pair_at(&isotherm)?;
    Ok(describe(&isotherm, pair))
}

/// Saturation of helium I at a pressure, by the equation of state.
///
/// **Range**: 5039.3 Pa to 228 308 Pa.
///
/// # Errors
/// [`HeliumError`] outside the range.
pub fn saturation_by_equation_at(pressure: AbsolutePressure) -> Result<Saturation, HeliumError> {
    let p = finite(pressure.si(), "pressure")?;
    let table = &*TABLE;
    let (low, high) = (table.p_min, table.p_max);
    if !(low..=high).contains(&p) {
        return Err(HeliumError::PressureOutOfRange {
            pressure_pa: p,
            low_pa: low,
            high_pa: high,
            correlation: "saturation by the equation of state",
        });
    }
    let mut t = temperature_start(p);
    for _ in 0..8 {
        let isotherm = Isotherm::new(t);
        let found = describe(&isotherm, pair_at(&isotherm)?);
        // ln p is nearly straight in 1/T: a step in it settles fastest.
        let step = libm::log(p / found.pressure.si()) * found.pressure.si() / found.dp_dt;
        let room = CRITICAL_TEMPERATURE - t;
        if step.abs() <= 1e-6 * room.min(1.0) {
            return Ok(moved(&found, step, p));
        }
        t = (t + step).clamp(EOS_MIN_TEMPERATURE, MAX_SATURATION_TEMPERATURE);
    }
    Err(HeliumError::NotSettled {
        temperature_k: t,
        pressure_pa: p,
    })
}

/// Along the line by a step so small that its square is nothing.
fn moved(from: &Saturation, step: f64, p: f64) -> Saturation {
    let rise = step * from.dp_dt;
    Saturation {
        temperature: Temperature::new(from.temperature.si() + step),
        pressure: AbsolutePressure::new(p),
        liquid: Density::new(from.liquid.si() + from.d_liquid_dp * rise),
        vapour: Density::new(from.vapour.si() + from.d_vapour_dp * rise),
        ..*from
    }
}

/// Saturated reduced densities on an isotherm between the lambda point and the critical point.
pub(super) fn pair_at(isotherm: &Isotherm) -> Result<Pair, HeliumError> {
    let t = isotherm.temperature;
    if t > MAX_SATURATION_TEMPERATURE {
        return Err(HeliumError::TooCloseToCritical {
            temperature_k: t,
            critical_k: CRITICAL_TEMPERATURE,
        });
    }
    let start = start_at(t);
    solve(isotherm, start.liquid, start.vapour).ok_or(HeliumError::NotSettled {
        temperature_k: t,
        pressure_pa: libm::exp(start.ln_p),
    })
}

fn describe(isotherm: &Isotherm, pair: Pair) -> Saturation {
    let t = isotherm.temperature;
    let liquid = isotherm.full_residual(pair.liquid);
    let vapour = isotherm.full_residual(pair.vapour);
    let latent = isotherm.rt * ((vapour.a_d + vapour.a_t) - (liquid.a_d + liquid.a_t));
    let (rho_l, rho_v) = (
        pair.liquid * REDUCING_DENSITY,
        pair.vapour * REDUCING_DENSITY,
    );
    let dp_dt = latent * rho_l * rho_v / (t * (rho_l - rho_v));
    let along = |rho: f64, full: super::equation_of_state::FullResidual| {
        let rho_p = 1.0 / (isotherm.rt * (1.0 + 2.0 * full.a_d + full.a_dd));
        let p_t = rho * GAS_CONSTANT * (1.0 + full.a_d - full.a_dt);
        rho_p - p_t * rho_p / dp_dt
    };
    Saturation {
        temperature: Temperature::new(t),
        pressure: AbsolutePressure::new(pair.pressure),
        liquid: Density::new(rho_l),
        vapour: Density::new(rho_v),
        latent_heat_j_per_kg: latent,
        d_liquid_dp: along(rho_l, liquid),
        d_vapour_dp: along(rho_v, vapour),
        dp_dt,
    }
}

/// Newton for equal pressure and equal Gibbs energy.
fn solve(isotherm: &Isotherm, mut liquid: f64, mut vapour: f64) -> Option<Pair> {
    let scale = REDUCING_DENSITY * isotherm.rt;
    for _ in 0..40 {
        let l = isotherm.residual(liquid);
        let v = isotherm.residual(vapour);
        let (pl, pv) = (liquid * l.z(), vapour * v.z());
        let pressure_gap = pl - pv;
        let gibbs_gap = (l.a + l.a_d) - (v.a + v.a_d) + libm::log(liquid / vapour);
        let (sl, sv) = (l.slope(), v.slope());
        if !(sl > 0.0 && sv > 0.0) {
            return None;
        }
        let x = (pressure_gap / vapour - gibbs_gap) / (1.0 / liquid - 1.0 / vapour);
        let step_l = x / sl;
        let step_v = (x + pressure_gap) / sv;
        // A step never takes the phases through each other.
        let limit = 0.3 * (liquid - vapour);
        let shrink = (limit / step_l.abs().max(step_v.abs())).min(1.0);
        liquid += shrink * step_l;
        vapour = (vapour + shrink * step_v).max(0.2 * vapour);
        let relative = (step_l / liquid).abs().max((step_v / vapour).abs());
        // Quadratic: a step of 1e-7 leaves 1e-14, near the critical point as far as it is allowed.
        let small = 1e-7 * ((liquid - vapour) / liquid).min(1.0);
        if shrink == 1.0 && relative < small {
            let pressure = scale * (pv + (x + pressure_gap));
            return Some(Pair {
                liquid,
                vapour,
                pressure,
            });
        }
    }
    None
}

#[derive(Debug, Clone, Copy, Default)]
struct Node {
    ln_p: f64,
    liquid: f64,
    ln_vapour: f64,
    d_ln_p: f64,
    d_liquid: f64,
    d_ln_vapour: f64,
}

/// A start good to about 1e-7.
pub(super) struct Start {
    pub(super) liquid: f64,
    pub(super) vapour: f64,
    pub(super) ln_p: f64,
}

struct Table {
    step: f64,
    nodes: [Node; NODES],
    p_min: f64,
    p_max: f64,
}

static TABLE: LazyLock<Table> = LazyLock::new(build);

/// Lowest saturation pressure of the equation, at 2.1768 K, Pa.
pub(super) fn min_pressure() -> f64 {
    TABLE.p_min
}

/// Saturation start values at a temperature, held within the table.
pub(super) fn start_at(t: f64) -> Start {
    let table = &*TABLE;
    let x = libm::sqrt((1.0 - t / CRITICAL_TEMPERATURE).max(0.0));
    let (index, fraction) = locate(x / table.step);
    let (a, b) = (&table.nodes[index], &table.nodes[index + 1]);
    let h = table.step;
    Start {
        liquid: hermite(fraction, h, a.liquid, a.d_liquid, b.liquid, b.d_liquid),
        vapour: libm::exp(hermite(
            fraction,
            h,
            a.ln_vapour,
            a.d_ln_vapour,
            b.ln_vapour,
            b.d_ln_vapour,
        )),
        ln_p: hermite(fraction, h, a.ln_p, a.d_ln_p, b.ln_p, b.d_ln_p),
    }
}

/// ln of the saturation pressure at a temperature, good to 1e-7.
pub(super) fn ln_pressure_start(t: f64) -> f64 {
    let table = &*TABLE;
    let x = libm::sqrt((1.0 - t / CRITICAL_TEMPERATURE).max(0.0));
    let (index, fraction) = locate(x / table.step);
    let (a, b) = (&table.nodes[index], &table.nodes[index + 1]);
    hermite(fraction, table.step, a.ln_p, a.d_ln_p, b.ln_p, b.d_ln_p)
}

/// Saturation temperature at a pressure within the table, good to about 1e-7.
fn temperature_start(p: f64) -> f64 {
    let table = &*TABLE;
    let ln_p = libm::log(p);
    // ln p falls along the nodes.
    let index = table
        .nodes
        .partition_point(|node| node.ln_p > ln_p)
        .saturating_sub(1)
        .min(NODES - 2);
    let (a, b) = (&table.nodes[index], &table.nodes[index + 1]);
    let (ha, hb) = (table.step * a.d_ln_p, table.step * b.d_ln_p);
    let rise = b.ln_p - a.ln_p;
    let (c2, c3) = (3.0 * rise - 2.0 * ha - hb, ha + hb - 2.0 * rise);
    let mut f = ((ln_p - a.ln_p) / rise).clamp(0.0, 1.0);
    // Nearly a parabola within the cell, so Newton settles at once; the caller checks the answer.
    for _ in 0..4 {
        let gap = a.ln_p + f * (ha + f * (c2 + f * c3)) - ln_p;
        let slope = ha + f * (2.0 * c2 + 3.0 * f * c3);
        f = (f - gap / slope).clamp(1e-6, 1.0);
    }
    #[expect(clippy::cast_precision_loss, reason = "below the table length")]
    let x = (index as f64 + f) * table.step;
    (CRITICAL_TEMPERATURE * (1.0 - x * x)).clamp(EOS_MIN_TEMPERATURE, MAX_SATURATION_TEMPERATURE)
}

fn locate(position: f64) -> (usize, f64) {
    #[expect(clippy::cast_precision_loss, reason = "below the table length")]
    let last = (NODES - 2) as f64;
    let floor = libm::floor(position).clamp(0.0, last);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the table"
    )]
    let index = floor as usize;
    (index, position - floor)
}

#[inline]
fn hermite(f: f64, h: f64, a: f64, da: f64, b: f64, db: f64) -> f64 {
    let (ha, hb) = (h * da, h * db);
    let rise = b - a;
    a + f * (ha + f * ((3.0 * rise - 2.0 * ha - hb) + f * (ha + hb - 2.0 * rise)))
}

fn build() -> Table {
    let x_max = libm::sqrt(1.0 - EOS_MIN_TEMPERATURE / CRITICAL_TEMPERATURE);
    #[expect(clippy::cast_precision_loss, reason = "below the table length")]
    let step = x_max / (NODES - 1) as f64;
    let mut nodes = [Node::default(); NODES];
    let (mut liquid, mut vapour) = (FIRST_LIQUID, FIRST_VAPOUR);
    let mut p_min = 0.0;
    for index in (1..NODES).rev() {
        #[expect(clippy::cast_precision_loss, reason = "below the table length")]
        let x = index as f64 * step;
        let t = if index == NODES - 1 {
            EOS_MIN_TEMPERATURE
        } else {
            CRITICAL_TEMPERATURE * (1.0 - x * x)
        };
        let isotherm = Isotherm::new(t);
        // The starts are close by construction; a test walks the whole table.
        let Some(pair) = solve(&isotherm, liquid, vapour) else {
            break;
        };
        let s = describe(&isotherm, pair);
        let dt_dx = -2.0 * CRITICAL_TEMPERATURE * x;
        let node = Node {
            ln_p: libm::log(pair.pressure),
            liquid: pair.liquid,
            ln_vapour: libm::log(pair.vapour),
            d_ln_p: s.dp_dt / pair.pressure * dt_dx,
            d_liquid: s.d_liquid_dp * s.dp_dt * dt_dx / REDUCING_DENSITY,
            d_ln_vapour: s.d_vapour_dp * s.dp_dt * dt_dx / (REDUCING_DENSITY * pair.vapour),
        };
        if index == NODES - 1 {
            p_min = pair.pressure;
        }
        nodes[index] = node;
        liquid = node.liquid - step * node.d_liquid;
        vapour = libm::exp(node.ln_vapour - step * node.d_ln_vapour);
    }
    let critical = Isotherm::new(CRITICAL_TEMPERATURE);
    let p_critical =
        REDUCING_DENSITY * critical.rt * CRITICAL_DELTA * critical.residual(CRITICAL_DELTA).z();
    let (first, h) = (nodes[1], step);
    // A parabola through the critical point with value and slope of the first node.
    nodes[0] = Node {
        ln_p: libm::log(p_critical),
        liquid: CRITICAL_DELTA,
        ln_vapour: libm::log(CRITICAL_DELTA),
        d_ln_p: 0.0,
        d_liquid: 2.0 * (first.liquid - CRITICAL_DELTA) / h - first.d_liquid,
        d_ln_vapour: 2.0 * (first.ln_vapour - libm::log(CRITICAL_DELTA)) / h - first.d_ln_vapour,
    };
    let mut table = Table {
        step,
        nodes,
        p_min,
        p_max: p_critical,
    };
    // Highest pressure that is given: at the closest approach.
    let x = libm::sqrt(CLOSEST_K / CRITICAL_TEMPERATURE);
    let (index, f) = locate(x / step);
    let (a, b) = (&table.nodes[index], &table.nodes[index + 1]);
    table.p_max = libm::exp(hermite(f, step, a.ln_p, a.d_ln_p, b.ln_p, b.d_ln_p));
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_node_is_solved() {
        for node in &TABLE.nodes {
            assert!(node.ln_p > 8.0 && node.liquid >= CRITICAL_DELTA);
        }
    }

    #[test]
    fn critical_point_is_that_of_the_equation() {
        let critical = Isotherm::new(CRITICAL_TEMPERATURE);
        let at = critical.residual(CRITICAL_DELTA);
        assert!(at.slope().abs() < 1e-8, "{}", at.slope());
        let curvature = 2.0 * at.a_d + 4.0 * at.a_dd + at.a_ddd;
        assert!(curvature.abs() < 1e-7, "{curvature}");
    }

    #[test]
    fn starts_are_close() {
        let mut worst = 0.0_f64;
        for i in 0..3000 {
            let t = EOS_MIN_TEMPERATURE + f64::from(i) * 0.001;
            let start = start_at(t);
            let pair = pair_at(&Isotherm::new(t)).unwrap();
            worst = worst.max((start.liquid / pair.liquid - 1.0).abs());
            worst = worst.max((start.vapour / pair.vapour - 1.0).abs());
            worst = worst.max((libm::exp(start.ln_p) / pair.pressure - 1.0).abs());
        }
        assert!(worst < 1e-6, "{worst:e}");
    }
}
