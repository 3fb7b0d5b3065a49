//! What a resistance thermometer suffers from its own measurement: self-heating and lead wires.
//!
//! The excitation current heats the sensor above what it is to measure by `I^2 R` times its thermal
//! resistance, which rises steeply in the cold; and with two wires the leads count as sensor.
//!
//! **Source**: Ohm's law; thermal resistances are those of the installation.

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

#[cfg(test)]
mod tests {
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
}
