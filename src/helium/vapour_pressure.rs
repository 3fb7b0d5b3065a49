//! Vapour-pressure thermometry on the International Temperature Scale of 1990.
//!
//! ```text
//! T90 / K = A0 + sum_{i=1..9} Ai ((ln(p / Pa) - B) / C)^i
//! ```
//!
//! **Source**: H. Preston-Thomas, Metrologia 27, 3 (1990), equation 3 and table 3. The 3He constant
//! A0 is from memory (one public transcription has 1.053477, 30 uK away).

use super::error::{HeliumError, finite};
use crate::quantity::{AbsolutePressure, Temperature};

/// One equation of the scale with the range in which it defines it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VapourPressureScale {
    name: &'static str,
    low_k: f64,
    high_k: f64,
    b: f64,
    c: f64,
    a: [f64; 10],
}

/// 3He, 0.65 K to 3.2 K.
pub const HELIUM_3: VapourPressureScale = VapourPressureScale {
    name: "the 3He vapour-pressure scale (ITS-90)",
    low_k: 0.65,
    high_k: 3.2,
    b: 7.3,
    c: 4.3,
    a: [
        1.053447, 0.980106, 0.676380, 0.372692, 0.151656, -0.002263, 0.006596, 0.088966, -0.004770,
        -0.054943,
    ],
};

/// 4He below the lambda point, 1.25 K to 2.1768 K.
pub const HELIUM_4_SUPERFLUID: VapourPressureScale = VapourPressureScale {
    name: "the superfluid 4He vapour-pressure scale (ITS-90)",
    low_k: 1.25,
    high_k: 2.1768,
    b: 5.6,
    c: 2.9,
    a: [
        1.392408, 0.527153, 0.166756, 0.050988, 0.026514, 0.001975, -0.017976, 0.005409, 0.013259,
        0.0,
    ],
};

/// 4He above the lambda point, 2.1768 K to 5.0 K.
pub const HELIUM_4_NORMAL: VapourPressureScale = VapourPressureScale {
    name: "the normal 4He vapour-pressure scale (ITS-90)",
    low_k: 2.1768,
    high_k: 5.0,
    b: 10.3,
    c: 1.9,
    a: [
        3.146631, 1.357655, 0.413923, 0.091159, 0.016349, 0.001826, -0.004325, -0.004973, 0.0, 0.0,
    ],
};

impl VapourPressureScale {
    /// Temperature of a bath from its vapour pressure.
    ///
    /// # Errors
    /// [`HeliumError::PressureOutOfRange`] outside the range of the equation.
    pub fn temperature(&self, pressure: AbsolutePressure) -> Result<Temperature, HeliumError> {
        let p = finite(pressure.si(), "pressure")?;
        // A hair of room: the ends of the range in pressure are themselves solutions.
        let room = 1e-9;
        let low = self.pressure_pa(self.low_k);
        let high = self.pressure_pa(self.high_k);
        if p < low * (1.0 - room) || p > high * (1.0 + room) {
            return Err(HeliumError::PressureOutOfRange {
                pressure_pa: p,
                low_pa: low,
                high_pa: high,
                correlation: self.name,
            });
        }
        Ok(Temperature::new(self.evaluate(libm::log(p)).0))
    }

    /// Slope dT/dp at a vapour pressure, K/Pa.
    ///
    /// # Errors
    /// As [`Self::temperature`].
    pub fn slope_k_per_pa(&self, pressure: AbsolutePressure) -> Result<f64, HeliumError> {
        self.temperature(pressure)?;
        let p = pressure.si();
        Ok(self.evaluate(libm::log(p)).1 / p)
    }

    /// Vapour pressure at a temperature, by inverting the equation.
    ///
    /// # Errors
    /// [`HeliumError::TemperatureOutOfRange`] outside the range of the equation.
    pub fn pressure(&self, temperature: Temperature) -> Result<AbsolutePressure, HeliumError> {
        let t = finite(temperature.si(), "temperature")?;
        if t < self.low_k || t > self.high_k {
            return Err(HeliumError::TemperatureOutOfRange {
                temperature_k: t,
                low_k: self.low_k,
                high_k: self.high_k,
                correlation: self.name,
            });
        }
        Ok(AbsolutePressure::new(self.pressure_pa(t)))
    }

    /// T and dT/d(ln p).
    fn evaluate(&self, ln_p: f64) -> (f64, f64) {
        let x = (ln_p - self.b) / self.c;
        let (mut value, mut slope) = (0.0, 0.0);
        for &a in self.a.iter().rev() {
            slope = slope * x + value;
            value = value * x + a;
        }
        (value, slope / self.c)
    }

    fn pressure_pa(&self, t: f64) -> f64 {
        let mut ln_p = self.b;
        for _ in 0..50 {
            let (value, slope) = self.evaluate(ln_p);
            // T rises with p over the whole range, so Newton with a bounded step settles.
            let step = ((t - value) / slope).clamp(-1.0, 1.0);
            ln_p += step;
            if step.abs() < 1e-14 {
                break;
            }
        }
        libm::exp(ln_p)
    }
}

/// Temperature of a 4He bath from its vapour pressure, on the branch that holds there.
///
/// **Range**: 114.7 Pa to 196.0 kPa (1.25 K to 5.0 K).
///
/// # Errors
/// [`HeliumError::PressureOutOfRange`] outside the range.
pub fn vapour_pressure_temperature(pressure: AbsolutePressure) -> Result<Temperature, HeliumError> {
    branch_at_pressure(pressure).temperature(pressure)
}

/// Vapour pressure of a 4He bath at a temperature.
///
/// **Range**: 1.25 K to 5.0 K.
///
/// # Errors
/// [`HeliumError::TemperatureOutOfRange`] outside the range.
pub fn vapour_pressure(temperature: Temperature) -> Result<AbsolutePressure, HeliumError> {
    if temperature.si() < HELIUM_4_NORMAL.low_k {
        HELIUM_4_SUPERFLUID.pressure(temperature)
    } else {
        HELIUM_4_NORMAL.pressure(temperature)
    }
}

fn branch_at_pressure(pressure: AbsolutePressure) -> VapourPressureScale {
    if pressure.si() < super::lambda_line::LAMBDA_PRESSURE_PA {
        HELIUM_4_SUPERFLUID
    } else {
        HELIUM_4_NORMAL
    }
}
