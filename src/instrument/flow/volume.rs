//! Standard volumes: a volume of gas at a stated reference condition is a mass.
//!
//! "Normal" and "standard" cubic metres differ by up to 9 % between conventions, so a volume without
//! its condition is not a quantity here.

use crate::quantity::{AbsolutePressure, Temperature};

/// Molar gas constant, J/(mol K). **Source**: exact since the SI of 2019.
pub const GAS_CONSTANT_J_PER_MOL_K: f64 = 8.31446261815324;
/// Molar mass of helium, kg/mol. **Source**: IUPAC standard atomic weight 4.002602.
pub const HELIUM_MOLAR_MASS_KG_PER_MOL: f64 = 4.002602e-3;

/// Temperature and pressure that a standard volume is stated at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReferenceCondition {
    /// Temperature.
    pub temperature: Temperature,
    /// Absolute pressure.
    pub pressure: AbsolutePressure,
}

impl ReferenceCondition {
    /// 0 degrees Celsius and 1 atm. **Source**: DIN 1343.
    pub const NORMAL: Self = Self::new(273.15, 101_325.0);
    /// 15 degrees Celsius and 1 atm. **Source**: ISO 13443.
    pub const STANDARD_15_C: Self = Self::new(288.15, 101_325.0);
    /// 20 degrees Celsius and 1 atm. **Source**: common practice, no source.
    pub const STANDARD_20_C: Self = Self::new(293.15, 101_325.0);

    /// From K and Pa.
    #[must_use]
    pub const fn new(temperature_k: f64, pressure_pa: f64) -> Self {
        Self {
            temperature: Temperature::new(temperature_k),
            pressure: AbsolutePressure::new(pressure_pa),
        }
    }

    /// Mass in kg of a standard volume in m3, ideal gas: 0.05 % above that of real helium.
    #[must_use]
    pub fn ideal_mass_kg(&self, volume_m3: f64) -> f64 {
        volume_m3 * ideal_helium_density(self.temperature.si(), self.pressure.si())
    }
}

/// Density in kg/m3 of helium as an ideal gas.
#[must_use]
pub fn ideal_helium_density(temperature_k: f64, pressure_pa: f64) -> f64 {
    pressure_pa * HELIUM_MOLAR_MASS_KG_PER_MOL / (GAS_CONSTANT_J_PER_MOL_K * temperature_k)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_condition_decides_the_mass() {
        let normal = ReferenceCondition::NORMAL.ideal_mass_kg(1.0);
        let at_20 = ReferenceCondition::STANDARD_20_C.ideal_mass_kg(1.0);
        assert!((normal - 0.178576).abs() < 1e-6);
        assert!((normal / at_20 - 293.15 / 273.15).abs() < 1e-12);
    }
}
