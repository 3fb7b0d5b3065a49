//! Vacuum: logarithmic gauges, gas factors, rate of rise, units of leaks.
//!
//! **Rate of rise**: in a closed volume `q = V dp/dt`. A cold wall pumps, so a rise measured against
//! cold walls is only a lower bound of the leak; outgassing saturates while a leak stays straight.
//!
//! **Source**: textbook relations; units from the SI definitions, vocabulary of ISO 20484.

use serde::{Deserialize, Serialize};

use super::curve::{CurveError, within_outputs, within_range};
use super::flow::{GAS_CONSTANT_J_PER_MOL_K, HELIUM_MOLAR_MASS_KG_PER_MOL};

/// A gauge whose signal is the logarithm of the pressure:
/// `p = factor 10^((signal - at_reference) decades_per_signal) reference`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogGauge {
    /// A pressure on the gauge's scale, Pa.
    pub reference_pa: f64,
    /// The signal there.
    pub signal_at_reference: f64,
    /// Decades of pressure per unit of signal.
    pub decades_per_signal: f64,
    /// True pressure per indicated pressure for the gas present: 1 for what it was calibrated with,
    /// 5 to 7 for helium on a hot cathode calibrated with nitrogen (common practice, no source).
    pub gas_factor: f64,
}

impl LogGauge {
    /// Pressure in Pa and its change per signal.
    #[must_use]
    pub fn pressure_and_slope(&self, signal: f64) -> (f64, f64) {
        let decades = (signal - self.signal_at_reference) * self.decades_per_signal;
        let pressure = self.gas_factor * self.reference_pa * libm::pow(10.0, decades);
        let slope = pressure * std::f64::consts::LN_10 * self.decades_per_signal;
        (pressure, slope)
    }

    /// The signal at a pressure in Pa; not finite when there is none.
    #[must_use]
    pub fn signal(&self, pressure_pa: f64) -> f64 {
        let decades = libm::log10(pressure_pa / (self.gas_factor * self.reference_pa));
        self.signal_at_reference + decades / self.decades_per_signal
    }
}

/// A logarithmic gauge between two signals.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LogGaugeCurve {
    /// The gauge.
    pub gauge: LogGauge,
    /// Least signal.
    pub low: f64,
    /// Greatest signal.
    pub high: f64,
}

impl LogGaugeCurve {
    pub(crate) fn value_and_slope(&self, signal: f64) -> Result<(f64, f64), CurveError> {
        let signal = within_range(signal, self.low, self.high)?;
        Ok(self.gauge.pressure_and_slope(signal))
    }

    pub(crate) fn inverse(&self, pressure_pa: f64) -> Result<f64, CurveError> {
        let ends = [self.low, self.high].map(|end| self.gauge.pressure_and_slope(end).0);
        let pressure_pa = within_outputs(pressure_pa, ends)?;
        let signal = self.gauge.signal(pressure_pa);
        if signal.is_finite() {
            Ok(signal.clamp(self.low, self.high))
        } else {
            Err(CurveError::NotANumber)
        }
    }
}

/// One pressure of a rise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RisePoint {
    /// Seconds since any common instant.
    pub time_s: f64,
    /// Pressure, Pa.
    pub pressure_pa: f64,
}

/// The closed volume of a rise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RiseVolume {
    /// Volume, m3.
    pub volume_m3: f64,
    /// Relative standard uncertainty of the volume.
    pub volume_relative_std: f64,
    /// Relative standard uncertainty of the pressures in common: gas factor, calibration.
    pub pressure_relative_std: f64,
    /// Whether walls are cold enough to pump what leaks in.
    pub cold_walls: bool,
}

/// A gas throughput from a rise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateOfRise {
    /// Throughput at the temperature of the volume, Pa m3/s.
    pub throughput: f64,
    /// Standard uncertainty, Pa m3/s: scatter about the line, volume, and gauge.
    pub std_uncertainty: f64,
    /// The leak is at least this, not this: cold walls pump.
    pub lower_bound: bool,
}

/// Why a rise gives no throughput.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum RiseError {
    /// Fewer than two points, or all at one time.
    #[error("a rate of rise needs pressures at two times at least")]
    TooFew,
    /// A number that is a NaN or an infinity, or a volume that is none.
    #[error("a pressure, a time or the volume is not a number that can be")]
    NotANumber,
}

/// Throughput by a straight line through the points, least squares.
///
/// With two points the line has no scatter, and the gauge and the volume alone make the uncertainty.
///
/// # Errors
/// [`RiseError`] when there is no line.
pub fn rate_of_rise(points: &[RisePoint], volume: &RiseVolume) -> Result<RateOfRise, RiseError> {
    let sound = points
        .iter()
        .all(|p| p.time_s.is_finite() && p.pressure_pa.is_finite());
    let numbers = [
        volume.volume_m3,
        volume.volume_relative_std,
        volume.pressure_relative_std,
    ];
    if !sound || volume.volume_m3 <= 0.0 || numbers.iter().any(|n| !n.is_finite()) {
        return Err(RiseError::NotANumber);
    }
    #[expect(clippy::cast_precision_loss, reason = "a count far below 2^53")]
    let n = points.len() as f64;
    let mean = |f: fn(&RisePoint) -> f64| points.iter().map(f).sum::<f64>() / n;
    let (time, pressure) = (mean(|p| p.time_s), mean(|p| p.pressure_pa));
    let about = |p: &RisePoint| (p.time_s - time, p.pressure_pa - pressure);
    let (mut tt, mut tp) = (0.0, 0.0);
    for (t, p) in points.iter().map(about) {
        tt += t * t;
        tp += t * p;
    }
    if points.len() < 2 || tt <= 0.0 {
        return Err(RiseError::TooFew);
    }
    let slope = tp / tt;
    let residuals: f64 = points
        .iter()
        .map(about)
        .map(|(t, p)| (p - slope * t) * (p - slope * t))
        .sum();
    let slope_variance = if points.len() > 2 {
        residuals / (n - 2.0) / tt
    } else {
        0.0
    };
    let throughput = volume.volume_m3 * slope;
    let scatter = volume.volume_m3 * libm::sqrt(slope_variance);
    let from_volume = throughput * volume.volume_relative_std;
    let from_gauge = throughput * volume.pressure_relative_std;
    let variance = scatter * scatter + from_volume * from_volume + from_gauge * from_gauge;
    if throughput.is_finite() && variance.is_finite() {
        Ok(RateOfRise {
            throughput,
            std_uncertainty: libm::sqrt(variance),
            lower_bound: volume.cold_walls,
        })
    } else {
        Err(RiseError::NotANumber)
    }
}

/// A unit of gas throughput.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeakUnit {
    /// Pa m3/s.
    PascalCubicMetre,
    /// mbar L/s.
    MillibarLitre,
    /// atm cm3/s.
    AtmosphereCubicCentimetre,
    /// torr L/s.
    TorrLitre,
}

impl LeakUnit {
    /// Pa m3/s per unit, by definition.
    #[must_use]
    pub const fn pa_m3_per_s(self) -> f64 {
        match self {
            Self::PascalCubicMetre => 1.0,
            Self::MillibarLitre => 0.1,
            Self::AtmosphereCubicCentimetre => 0.101_325,
            Self::TorrLitre => 101.325 / 760.0,
        }
    }
}

/// Temperature that a leak's throughput is stated at, K: 20 °C.
pub const THROUGHPUT_TEMPERATURE_K: f64 = 293.15;

/// Throughput in mbar L/s, at 20 °C, of a leak in kg/s of helium.
#[must_use]
pub fn leak_throughput_mbar_l_per_s(kg_per_s: f64) -> f64 {
    let unit = LeakUnit::MillibarLitre.pa_m3_per_s();
    kg_per_s / helium_mass_flow(unit, THROUGHPUT_TEMPERATURE_K)
}

/// Mass flow in kg/s of a helium throughput in Pa m3/s that is stated at a temperature in K.
#[must_use]
pub fn helium_mass_flow(throughput_pa_m3_per_s: f64, temperature_k: f64) -> f64 {
    throughput_pa_m3_per_s * HELIUM_MOLAR_MASS_KG_PER_MOL
        / (GAS_CONSTANT_J_PER_MOL_K * temperature_k)
}

#[cfg(test)]
mod tests {
    use super::*;

    const VOLUME: RiseVolume = RiseVolume {
        volume_m3: 0.5,
        volume_relative_std: 0.03,
        pressure_relative_std: 0.2,
        cold_walls: true,
    };

    fn line(noise: f64) -> Vec<RisePoint> {
        (0..20)
            .map(|at| {
                let time_s = f64::from(at) * 60.0;
                let sign = if at % 2 == 0 { 1.0 } else { -1.0 };
                RisePoint {
                    time_s,
                    pressure_pa: 1e-3 + 2e-6 * time_s + sign * noise,
                }
            })
            .collect()
    }

    #[test]
    fn a_straight_rise_has_the_uncertainty_of_gauge_and_volume() {
        let rise = rate_of_rise(&line(0.0), &VOLUME).unwrap();
        assert!((rise.throughput / 1e-6 - 1.0).abs() < 1e-9);
        let expected = 1e-6 * libm::sqrt(0.03 * 0.03 + 0.2 * 0.2);
        assert!((rise.std_uncertainty / expected - 1.0).abs() < 1e-6);
        assert!(rise.lower_bound);
        let noisy = rate_of_rise(&line(5e-4), &VOLUME).unwrap();
        assert!(noisy.std_uncertainty > rise.std_uncertainty * 1.1);
    }

    #[test]
    fn refuses_what_is_no_rise() {
        assert_eq!(rate_of_rise(&[], &VOLUME), Err(RiseError::TooFew));
        let [first, ..] = line(0.0)[..] else {
            panic!("points")
        };
        assert_eq!(
            rate_of_rise(&[first, first], &VOLUME),
            Err(RiseError::TooFew)
        );
        let bad = RisePoint {
            time_s: f64::NAN,
            ..first
        };
        assert_eq!(
            rate_of_rise(&[first, bad], &VOLUME),
            Err(RiseError::NotANumber)
        );
    }

    #[test]
    fn a_log_gauge_and_its_inverse() {
        let gauge = LogGauge {
            reference_pa: 1e-3,
            signal_at_reference: 4.0,
            decades_per_signal: 1.0,
            gas_factor: 5.9,
        };
        let (pressure, slope) = gauge.pressure_and_slope(6.0);
        assert!((pressure / 0.59 - 1.0).abs() < 1e-12);
        assert!((gauge.signal(pressure) - 6.0).abs() < 1e-12);
        let step = 1e-6;
        let difference = (gauge.pressure_and_slope(6.0 + step).0
            - gauge.pressure_and_slope(6.0 - step).0)
            / (2.0 * step);
        assert!((slope / difference - 1.0).abs() < 1e-8);
    }
}
