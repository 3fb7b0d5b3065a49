//! What a resistance thermometer suffers from its own measurement: self-heating and lead wires.
//!
//! The excitation current heats the sensor above what it is to measure by `I^2 R` times its thermal
//! resistance, which rises steeply in the cold; and with two wires the leads count as sensor.
//!
//! **Source**: Ohm's law; thermal resistances are those of the installation.

use std::sync::Arc;

use super::curve::{Curve, CurveError};

/// How a resistance thermometer is measured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Excitation {
    /// Current through the sensor, A.
    pub current_a: f64,
    /// Temperature rise per power of the mounted sensor at its working temperature, K/W.
    pub thermal_resistance_k_per_w: f64,
    /// Relative standard uncertainty of the thermal resistance.
    pub thermal_resistance_relative_std: f64,
    /// Resistance of the leads that is measured along, ohm: zero with four wires.
    pub lead_ohm: f64,
    /// Standard uncertainty of the lead resistance, ohm: two wires change with temperature, three
    /// differ from each other.
    pub lead_std_ohm: f64,
}

impl Excitation {
    /// Resistance of the sensor itself in ohm, and its standard uncertainty from the leads.
    #[must_use]
    pub fn sensor_ohm(&self, measured_ohm: f64) -> (f64, f64) {
        (measured_ohm - self.lead_ohm, self.lead_std_ohm)
    }

    /// How much too warm the sensor is in K, and the standard uncertainty of that.
    #[must_use]
    pub fn self_heating_k(&self, sensor_ohm: f64) -> (f64, f64) {
        let power_w = self.current_a * self.current_a * sensor_ohm;
        let rise = power_w * self.thermal_resistance_k_per_w;
        (rise, rise.abs() * self.thermal_resistance_relative_std)
    }
}

/// A resistance thermometer as it is measured: leads in series, and warmed by its own current.
#[derive(Debug, Clone, PartialEq)]
pub struct ExcitedCurve {
    /// From the sensor's own resistance to its own temperature.
    pub sensor: Arc<Curve>,
    /// How it is measured.
    pub excitation: Excitation,
}

impl ExcitedCurve {
    /// Kelvin above the surroundings per ohm of the sensor.
    fn rise_per_ohm(&self) -> f64 {
        let Excitation {
            current_a,
            thermal_resistance_k_per_w,
            ..
        } = self.excitation;
        current_a * current_a * thermal_resistance_k_per_w
    }

    pub(crate) fn value_and_slope(&self, measured_ohm: f64) -> Result<(f64, f64), CurveError> {
        let (sensor_ohm, _) = self.excitation.sensor_ohm(measured_ohm);
        let (sensor_k, slope) = self.sensor.value_and_slope(sensor_ohm)?;
        let (rise, _) = self.excitation.self_heating_k(sensor_ohm);
        Ok((sensor_k - rise, slope - self.rise_per_ohm()))
    }

    /// The measured resistance at a temperature of the surroundings.
    pub(crate) fn inverse(&self, temperature_k: f64) -> Result<f64, CurveError> {
        let mut ohm = self.sensor.inverse(temperature_k)?;
        for _ in 0..100 {
            let (rise, _) = self.excitation.self_heating_k(ohm);
            // At the warm end of the curve the sensor may be warmer than the curve goes.
            let next = match self.sensor.inverse(temperature_k + rise) {
                Ok(next) => next,
                Err(error @ CurveError::NotANumber) => return Err(error),
                Err(_) => break,
            };
            let moved = (next - ohm).abs();
            ohm = next;
            if moved <= 1e-13 * ohm.abs() {
                break;
            }
        }
        Ok(ohm + self.excitation.lead_ohm)
    }

    pub(crate) fn range(&self) -> (f64, f64) {
        let (low, high) = self.sensor.range();
        let lead = self.excitation.lead_ohm;
        (low + lead, high + lead)
    }
}

#[cfg(test)]
mod tests {
    use super::super::curve::PlatinumCurve;
    use super::*;

    #[test]
    fn leads_are_taken_off_and_self_heating_is_power_times_resistance() {
        let excitation = Excitation {
            current_a: 1e-6,
            thermal_resistance_k_per_w: 1e6,
            thermal_resistance_relative_std: 0.3,
            lead_ohm: 8.0,
            lead_std_ohm: 0.2,
        };
        let (ohm, std) = excitation.sensor_ohm(5_008.0);
        assert_eq!((ohm, std), (5_000.0, 0.2));
        let (rise, std) = excitation.self_heating_k(ohm);
        // 5 nW through 1 K/uW.
        assert!((rise - 5e-3).abs() < 1e-15 && (std - 1.5e-3).abs() < 1e-15);
    }

    #[test]
    fn the_surroundings_are_colder_than_the_sensor() {
        let curve = ExcitedCurve {
            sensor: Arc::new(Curve::Platinum(PlatinumCurve { r0_ohm: 100.0 })),
            excitation: Excitation {
                current_a: 2e-3,
                thermal_resistance_k_per_w: 400.0,
                thermal_resistance_relative_std: 0.3,
                lead_ohm: 0.5,
                lead_std_ohm: 0.05,
            },
        };
        let plain = Curve::Platinum(PlatinumCurve { r0_ohm: 100.0 });
        let (read, slope) = curve.value_and_slope(100.5).unwrap();
        // 0.4 mW through 400 K/W.
        assert!((read - (plain.value_and_slope(100.0).unwrap().0 - 0.16)).abs() < 1e-9);
        let near = |ohm| curve.value_and_slope(ohm).unwrap().0;
        assert!((slope / ((near(100.501) - near(100.499)) / 0.002) - 1.0).abs() < 1e-6);
        for kelvin in [80.0, 273.0, 400.0] {
            let ohm = curve.inverse(kelvin).unwrap();
            assert!((near(ohm) - kelvin).abs() < 1e-6);
        }
    }
}
