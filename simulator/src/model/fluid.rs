//! Helium as the model needs it at every step: saturation from dense tables that are worked out
//! once, gas by one exact evaluation per step.
//!
//! The tables are interpolated linearly between 8,192 exact states. Their worst error against the
//! exact solution is tested below: 1e-7 of the density, far below what any sensor resolves.

use std::sync::LazyLock;

use coldledger::helium::{self, HeliumError};
use coldledger::quantity::{AbsolutePressure, Density, Temperature};

/// Specific gas constant of helium, J/(kg K). **Source**: CODATA 2018 molar gas constant over the
/// molar mass of helium, 4.002602 g/mol (IUPAC 2021).
pub const GAS_CONSTANT: f64 = 8.314_462_618 / 4.002_602e-3;

/// Heat capacity of saturated liquid near 4.4 K, J/(kg K). From memory; it only sets how much heat
/// a change of pressure takes up or sets free.
pub const LIQUID_HEAT_CAPACITY: f64 = 5.2e3;

/// Heat capacity of the liquid along saturation, J/(kg K), against K. From memory of the published
/// tables; the peak at the lambda point is cut. It only sets how much a bath boils while it cools.
const SATURATED_HEAT_CAPACITY: [(f64, f64); 14] = [
    (1.4, 780.0),
    (1.6, 1570.0),
    (1.8, 2810.0),
    (1.9, 3780.0),
    (2.0, 5180.0),
    (2.1, 7510.0),
    (2.15, 9350.0),
    (2.17, 13_000.0),
    (2.2, 4200.0),
    (2.3, 2900.0),
    (2.5, 2410.0),
    (3.0, 2660.0),
    (4.0, 4200.0),
    (4.6, 5500.0),
];

/// Heat capacity of the liquid along saturation, J/(kg K), held at the ends of 1.4 to 4.6 K.
#[must_use]
pub fn liquid_heat_capacity(kelvin: f64) -> f64 {
    let table = &SATURATED_HEAT_CAPACITY;
    let above = table.partition_point(|&(t, _)| t <= kelvin);
    let (low, high) = (above.checked_sub(1), above.min(table.len() - 1));
    let Some((&(t0, c0), &(t1, c1))) = low.and_then(|low| table.get(low)).zip(table.get(high))
    else {
        return table.first().map_or(0.0, |&(_, c)| c);
    };
    if t1 > t0 {
        c0 + (c1 - c0) * (kelvin - t0) / (t1 - t0)
    } else {
        c1
    }
}

/// Pressures of the table for boiling baths, Pa.
const BATH_RANGE_PA: (f64, f64) = (60_000.0, 200_000.0);
/// Temperatures of the table for pumped baths, K.
const PUMPED_RANGE_K: (f64, f64) = (1.4, 4.6);
const NODES: u32 = 8192;

/// Liquid and vapour in equilibrium.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Saturated {
    /// K.
    pub temperature_k: f64,
    /// Pa.
    pub pressure_pa: f64,
    /// Density of the liquid, kg/m3.
    pub liquid: f64,
    /// Density of the vapour, kg/m3.
    pub vapour: f64,
    /// Heat of evaporation, J/kg.
    pub latent_j_per_kg: f64,
    /// Slope of the saturation line, K/Pa.
    pub dt_dp: f64,
}

impl Saturated {
    fn between(a: &Self, b: &Self, part: f64) -> Self {
        let mix = |x: f64, y: f64| x + (y - x) * part;
        Self {
            temperature_k: mix(a.temperature_k, b.temperature_k),
            pressure_pa: mix(a.pressure_pa, b.pressure_pa),
            liquid: mix(a.liquid, b.liquid),
            vapour: mix(a.vapour, b.vapour),
            latent_j_per_kg: mix(a.latent_j_per_kg, b.latent_j_per_kg),
            dt_dp: mix(a.dt_dp, b.dt_dp),
        }
    }
}

impl From<helium::Saturation> for Saturated {
    fn from(s: helium::Saturation) -> Self {
        Self {
            temperature_k: s.temperature.si(),
            pressure_pa: s.pressure.si(),
            liquid: s.liquid.si(),
            vapour: s.vapour.si(),
            latent_j_per_kg: s.latent_heat_j_per_kg,
            dt_dp: 1.0 / s.dp_dt,
        }
    }
}

/// The saturation tables.
#[derive(Debug)]
pub struct Fluid {
    by_pressure: Vec<Saturated>,
    by_temperature: Vec<Saturated>,
}

static FLUID: LazyLock<Result<Fluid, HeliumError>> = LazyLock::new(Fluid::new);

impl Fluid {
    /// The tables, worked out on first use.
    ///
    /// # Errors
    /// [`HeliumError`] when a state of the tables could not be solved.
    pub fn shared() -> Result<&'static Self, HeliumError> {
        FLUID.as_ref().map_err(|error| *error)
    }

    fn new() -> Result<Self, HeliumError> {
        let nodes = |(low, high): (f64, f64)| {
            (0..=NODES).map(move |n| low + (high - low) * f64::from(n) / f64::from(NODES))
        };
        let by_pressure = nodes(BATH_RANGE_PA)
            .map(|p| helium::saturation_at_pressure(AbsolutePressure::new(p)).map(Into::into))
            .collect::<Result<_, _>>()?;
        let by_temperature = nodes(PUMPED_RANGE_K)
            .map(|t| {
                let t = Temperature::new(t);
                let mut point: Saturated = helium::saturation_at_temperature(t)?.into();
                // A pumped bath is one curve through the lambda point.
                let bath = helium::liquid_bath_density(t)?;
                point.liquid = bath.density.si();
                Ok(point)
            })
            .collect::<Result<_, HeliumError>>()?;
        Ok(Self {
            by_pressure,
            by_temperature,
        })
    }

    /// Saturation at a pressure, held within 0.6 to 2 bar.
    #[must_use]
    pub fn at_pressure(&self, p: f64) -> Saturated {
        look_up(&self.by_pressure, BATH_RANGE_PA, p)
    }

    /// Saturation of a pumped bath at a temperature, held within 1.4 to 4.6 K.
    #[must_use]
    pub fn at_temperature(&self, t: f64) -> Saturated {
        look_up(&self.by_temperature, PUMPED_RANGE_K, t)
    }
}

/// Exact density of one phase, kg/m3.
///
/// # Errors
/// [`HeliumError`] outside the property model.
pub fn density(t_k: f64, p_pa: f64) -> Result<f64, HeliumError> {
    helium::density(Temperature::new(t_k), AbsolutePressure::new(p_pa)).map(Density::si)
}

fn look_up(table: &[Saturated], (low, high): (f64, f64), at: f64) -> Saturated {
    let last = f64::from(NODES);
    let place = ((at - low) / (high - low) * last).clamp(0.0, last - 1e-9);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the table; a NaN becomes its first node"
    )]
    let node = place as usize;
    match (table.get(node), table.get(node + 1)) {
        (Some(a), Some(b)) => Saturated::between(a, b, place - libm::floor(place)),
        (Some(a), None) => *a,
        // The table is never empty: it holds NODES + 1 states.
        _ => Saturated {
            temperature_k: f64::NAN,
            pressure_pa: f64::NAN,
            liquid: f64::NAN,
            vapour: f64::NAN,
            latent_j_per_kg: f64::NAN,
            dt_dp: f64::NAN,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_tables_follow_the_exact_solution() {
        let fluid = Fluid::shared().unwrap();
        let close = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-7, "{a} {b}");
        for n in 0..500 {
            let p = 60_123.0 + 279.1 * f64::from(n);
            let exact: Saturated = helium::saturation_at_pressure(AbsolutePressure::new(p))
                .unwrap()
                .into();
            let table = fluid.at_pressure(p);
            close(table.liquid, exact.liquid);
            close(table.vapour, exact.vapour);
            close(table.temperature_k, exact.temperature_k);
            let t = Temperature::new(1.7 + 0.0009 * f64::from(n));
            let exact = helium::liquid_bath_density(t).unwrap();
            close(fluid.at_temperature(t.si()).liquid, exact.density.si());
        }
    }
}
