//! Helium delivered, by the pressure change of a vessel of known volume.
//!
//! `m = V (rho(T2, p2) - rho(T1, p1))`, real gas. The vessel may be the supplier's, which empties,
//! or ours, which fills. A gas just compressed is hotter than the wall where the thermometer sits,
//! and a vessel just emptied is colder: wait until it has settled, or state the temperature's
//! uncertainty as large as it is.
//!
//! One instrument reads before and after. Its noise does not cancel, its calibration and zero do, as
//! far as the density answers to both readings alike. The property model's own uncertainty counts as
//! one error in both states.
//!
//! **Source** law of propagation of uncertainty (JCGM 100, 5.1 and 5.2); gas law by the equation of
//! state of [`helium`](crate::helium).

use crate::helium::{HeliumError, Phase, PhaseHint, density_std_uncertainty, density_with_slopes};
use crate::plant::Stated;
use crate::quantity::{AbsolutePressure, Mass, Temperature, Volume};

/// Pressure and temperature of the gas, each with the standard uncertainty that is its own at this
/// reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GasReading {
    /// Absolute pressure.
    pub pressure: Stated<AbsolutePressure>,
    /// Temperature of the gas.
    pub temperature: Stated<Temperature>,
}

/// Standard uncertainties that are the same error in both readings: calibration and zero.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CommonErrors {
    /// Pressure, Pa.
    pub pressure_pa: f64,
    /// Temperature, K.
    pub temperature_k: f64,
}

/// Mass that went in, and what its uncertainty is made of.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PressureChange {
    /// After less before, kg: negative when the vessel emptied.
    pub mass: Stated<Mass>,
    /// Variance by the volume, kg2.
    pub by_volume_kg2: f64,
    /// Variance by the pressures, kg2.
    pub by_pressure_kg2: f64,
    /// Variance by the temperatures, kg2.
    pub by_temperature_kg2: f64,
    /// Variance by the property model, kg2.
    pub by_model_kg2: f64,
}

/// Why a pressure change gives no mass.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DeliveryError {
    /// A volume that is none.
    #[error("a volume of {0} m3 cannot hold a delivery; write the vessel's inner volume")]
    Volume(f64),
    /// An uncertainty that is no number or below zero.
    #[error("a standard uncertainty is {0}; write how far the reading may be off, zero or more")]
    Uncertainty(f64),
    /// Not warm gas.
    #[error(
        "at {temperature_k:.2} K and {pressure_pa:.0} Pa the vessel holds {phase}, not warm gas: its pressure does not say how much it holds"
    )]
    NotGas {
        /// Temperature, K.
        temperature_k: f64,
        /// Pressure, Pa.
        pressure_pa: f64,
        /// What it would hold.
        phase: Phase,
    },
    /// A state outside the property model.
    #[error(transparent)]
    Helium(#[from] HeliumError),
}

/// Mass that a vessel took up between two readings.
///
/// # Errors
/// [`DeliveryError`] when a number cannot be, or the vessel holds no warm gas.
pub fn by_pressure_change(
    volume: Stated<Volume>,
    before: &GasReading,
    after: &GasReading,
    common: &CommonErrors,
) -> Result<PressureChange, DeliveryError> {
    let v = volume.value.si();
    if !(v > 0.0 && v.is_finite()) {
        return Err(DeliveryError::Volume(v));
    }
    for std in [
        volume.std,
        before.pressure.std,
        before.temperature.std,
        after.pressure.std,
        after.temperature.std,
        common.pressure_pa,
        common.temperature_k,
    ] {
        if !(std >= 0.0 && std.is_finite()) {
            return Err(DeliveryError::Uncertainty(std));
        }
    }
    let first = Gas::of(before)?;
    let second = Gas::of(after)?;
    let difference = second.density - first.density;
    let by_volume_kg2 = square(difference * volume.std);
    let by = |a: f64, b: f64, before: f64, after: f64, common: f64| {
        v * v * (square(a * before) + square(b * after) + square((b - a) * common))
    };
    let by_pressure_kg2 = by(
        first.d_dp,
        second.d_dp,
        before.pressure.std,
        after.pressure.std,
        common.pressure_pa,
    );
    let by_temperature_kg2 = by(
        first.d_dt,
        second.d_dt,
        before.temperature.std,
        after.temperature.std,
        common.temperature_k,
    );
    let by_model_kg2 = square(v * (second.model - first.model));
    let variance = by_volume_kg2 + by_pressure_kg2 + by_temperature_kg2 + by_model_kg2;
    Ok(PressureChange {
        mass: Stated {
            value: Mass::new(v * difference),
            std: libm::sqrt(variance),
        },
        by_volume_kg2,
        by_pressure_kg2,
        by_temperature_kg2,
        by_model_kg2,
    })
}

struct Gas {
    density: f64,
    d_dp: f64,
    d_dt: f64,
    /// Standard uncertainty of the density by its model.
    model: f64,
}

impl Gas {
    fn of(reading: &GasReading) -> Result<Self, DeliveryError> {
        let (t, p) = (reading.temperature.value, reading.pressure.value);
        let found = density_with_slopes(t, p, PhaseHint::Stable)?;
        if !matches!(found.phase, Phase::Gas | Phase::Supercritical) {
            return Err(DeliveryError::NotGas {
                temperature_k: t.si(),
                pressure_pa: p.si(),
                phase: found.phase,
            });
        }
        Ok(Self {
            density: found.density.si(),
            d_dp: found.d_dp,
            d_dt: found.d_dt,
            model: density_std_uncertainty(t, found.density, found.phase).si(),
        })
    }
}

fn square(x: f64) -> f64 {
    x * x
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(bar: f64, p_std: f64, kelvin: f64, t_std: f64) -> GasReading {
        GasReading {
            pressure: Stated {
                value: AbsolutePressure::new(bar * 1e5),
                std: p_std,
            },
            temperature: Stated {
                value: Temperature::new(kelvin),
                std: t_std,
            },
        }
    }

    fn volume(m3: f64, std: f64) -> Stated<Volume> {
        Stated {
            value: Volume::new(m3),
            std,
        }
    }

    /// `gas_volume_conversions.csv` (CoolProp 8.0.0): 10 m3 from 1 bar at 0 °C to 1 atm at 0 °C.
    #[test]
    fn agrees_with_tabulated_densities() {
        let found = by_pressure_change(
            volume(10.0, 0.0),
            &reading(1.0, 0.0, 273.15, 0.0),
            &reading(1.013_25, 0.0, 273.15, 0.0),
            &CommonErrors::default(),
        )
        .unwrap();
        let expected = 1.784_811_676_57 - 1.761_484_437_7;
        assert!((found.mass.value.si() / expected - 1.0).abs() < 1e-5);
    }

    /// The ideal gas, which helium nearly is at 2 bar, propagated by hand: m = V M (p2 - p1) / (R T).
    #[test]
    fn uncertainty_is_that_of_the_ideal_gas_by_hand() {
        let before = reading(1.0, 200.0, 293.15, 0.5);
        let after = reading(2.0, 300.0, 293.15, 1.0);
        let common = CommonErrors {
            pressure_pa: 500.0,
            temperature_k: 0.3,
        };
        let found = by_pressure_change(volume(50.0, 0.25), &before, &after, &common).unwrap();
        let per_pa = 50.0 * 4.002_602e-3 / (8.314_462_618 * 293.15);
        let mass = per_pa * 1e5;
        assert!((found.mass.value.si() / mass - 1.0).abs() < 2e-3);
        let close = |found: f64, expected: f64| (found / expected - 1.0).abs() < 1e-2;
        assert!(close(found.by_volume_kg2, square(mass * 0.005)));
        // The common error of the pressure cancels.
        assert!(close(
            found.by_pressure_kg2,
            square(per_pa) * (square(200.0) + square(300.0))
        ));
        let per_k = per_pa / 293.15;
        let temperature =
            square(per_k) * (square(1e5 * 0.5) + square(2e5 * 1.0) + square(1e5 * 0.3));
        assert!(close(found.by_temperature_kg2, temperature));
        let sum = found.by_volume_kg2
            + found.by_pressure_kg2
            + found.by_temperature_kg2
            + found.by_model_kg2;
        assert!((square(found.mass.std) / sum - 1.0).abs() < 1e-12);
    }

    /// Filling and emptying are one thing with two signs.
    #[test]
    fn what_one_vessel_gives_the_other_takes() {
        let low = reading(20.0, 1e3, 290.0, 1.0);
        let high = reading(180.0, 1e3, 291.0, 1.0);
        let common = CommonErrors::default();
        let filled = by_pressure_change(volume(5.0, 0.01), &low, &high, &common).unwrap();
        let emptied = by_pressure_change(volume(5.0, 0.01), &high, &low, &common).unwrap();
        assert!((filled.mass.value.si() + emptied.mass.value.si()).abs() < 1e-12);
        assert!((filled.mass.std - emptied.mass.std).abs() < 1e-12);
        assert!(filled.mass.value.si() > 100.0);
    }

    #[test]
    fn refuses_what_cannot_be() {
        let gas = reading(2.0, 0.0, 293.0, 0.0);
        let none = CommonErrors::default();
        for m3 in [0.0, -1.0, f64::NAN] {
            assert!(matches!(
                by_pressure_change(volume(m3, 0.0), &gas, &gas, &none),
                Err(DeliveryError::Volume(_))
            ));
        }
        let bad = reading(2.0, f64::NAN, 293.0, 0.0);
        assert!(matches!(
            by_pressure_change(volume(1.0, 0.0), &gas, &bad, &none),
            Err(DeliveryError::Uncertainty(_))
        ));
        let cold = reading(1.0, 0.0, 4.0, 0.0);
        assert!(matches!(
            by_pressure_change(volume(1.0, 0.0), &gas, &cold, &none),
            Err(DeliveryError::NotGas { .. })
        ));
        let beyond = reading(2.0, 0.0, 2000.0, 0.0);
        assert!(matches!(
            by_pressure_change(volume(1.0, 0.0), &gas, &beyond, &none),
            Err(DeliveryError::Helium(_))
        ));
    }
}
