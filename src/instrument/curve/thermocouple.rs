//! Thermocouples of types E, K, T and N.
//!
//! The reference functions give the emf against a junction at 0 degrees Celsius as polynomials in
//! t, type K with an exponential term above zero. The inverse is the root of the same functions, not
//! the published approximate inverse, so that inverse and function agree to rounding.
//!
//! A loop's tolerance in kelvin holds only where the classes state it. Further down the sensitivity
//! vanishes (at -270 degrees Celsius 0.3 uV/K for N to 1.6 uV/K for E), and what was one kelvin
//! becomes many: there [`ThermocoupleCurve::tolerance_k`] takes the tolerance as an emf through the
//! slope. A channel states its wire's uncertainty likewise, as an emf
//! ([`crate::instrument::SharedKind::SignalAbsolute`]).
//!
//! **Source**: NIST Monograph 175 (1993) and NIST Standard Reference Database 60, the same functions
//! as IEC 60584-1; class limits of IEC 60584-1 from memory.

use serde::{Deserialize, Serialize};

use super::{CurveError, Interpolation, TableCurve, within_outputs};

/// Type by the letter of its pair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ThermocoupleType {
    /// Nickel-chromium against copper-nickel; the most sensitive one in the cold.
    E,
    /// Nickel-chromium against nickel-aluminium.
    K,
    /// Copper against copper-nickel.
    T,
    /// Nickel-chromium-silicon against nickel-silicon.
    N,
}

/// Thermocouple: emf in V against a junction at 0 degrees Celsius, to temperature in K.
#[derive(Debug, Clone, PartialEq)]
pub struct ThermocoupleCurve {
    kind: ThermocoupleType,
    /// Starts Newton's steps: emf in mV to t in degrees Celsius.
    start: TableCurve,
    ends_mv: (f64, f64),
}

/// Temperature of the far junction when the near one is not at 0 degrees Celsius.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compensated {
    /// Temperature of the measuring junction, K.
    pub temperature_k: f64,
    /// Its change per emf, K/V.
    pub per_volt: f64,
    /// Its change per temperature of the reference junction, K/K: large in the cold.
    pub per_junction_k: f64,
}

const ICE_POINT_K: f64 = 273.15;
const LOW_C: f64 = -270.0;
const MV_PER_V: f64 = 1e3;
/// Coldest temperature that a class states a limit for, degrees Celsius.
const CLASS_FLOOR_C: f64 = -200.0;

impl ThermocoupleType {
    const fn high_c(self) -> f64 {
        match self {
            Self::E => 1000.0,
            Self::K => 1372.0,
            Self::T => 400.0,
            Self::N => 1300.0,
        }
    }

    /// Emf in mV and sensitivity in mV/K at t in degrees Celsius.
    fn emf_and_slope(self, t: f64) -> (f64, f64) {
        let (emf, slope, _) = self.emf_and_derivatives(t);
        (emf, slope)
    }

    /// Emf in mV and its first and second derivatives.
    #[inline]
    fn emf_and_derivatives(self, t: f64) -> (f64, f64, f64) {
        // At zero the slope of type N jumps by 0.9 %. As NIST has it, zero belongs to the cold
        // part, and so does what rounding leaves of it.
        let warm = t > 1e-9;
        let terms = match (self, warm) {
            (Self::E, false) => E_COLD,
            (Self::E, true) => E_WARM,
            (Self::K, false) => K_COLD,
            (Self::K, true) => K_WARM,
            (Self::T, false) => T_COLD,
            (Self::T, true) => T_WARM,
            (Self::N, false) => N_COLD,
            (Self::N, true) => N_WARM,
        };
        let (mut emf, mut slope, half_bend) =
            terms
                .iter()
                .rev()
                .fold((0.0, 0.0, 0.0), |(emf, slope, half_bend), &term| {
                    (emf * t + term, slope * t + emf, half_bend * t + slope)
                });
        let mut bend = 2.0 * half_bend;
        if self == Self::K && warm {
            let [size, width, centre] = K_EXPONENTIAL;
            let rate = 2.0 * width * (t - centre);
            let part = size * libm::exp(0.5 * rate * (t - centre));
            emf += part;
            slope += rate * part;
            bend += (2.0 * width + rate * rate) * part;
        }
        (emf, slope, bend)
    }

    /// IEC 60584-1 classes for the cold (class 3) and the warm (class 2), K; below -200 degrees
    /// Celsius none is stated.
    fn class_limit_k(self, t: f64) -> f64 {
        let (fixed, relative) = match (self, t < 0.0) {
            (Self::T, true) => (1.0, 0.015),
            (Self::T, false) => (1.0, 0.0075),
            (_, true) => (2.5, 0.015),
            (_, false) => (2.5, 0.0075),
        };
        f64::max(fixed, relative * t.abs())
    }
}

impl ThermocoupleCurve {
    /// The curve of a type.
    #[must_use]
    pub fn new(kind: ThermocoupleType) -> Option<Self> {
        // Steps that grow with the distance from the cold end, where the function bends most, and
        // a short one from zero, where the slope of type N jumps.
        let steps = 96;
        let width = kind.high_c() - LOW_C;
        let mut temperatures: Vec<f64> = (0..=steps)
            .map(|at| f64::from(at) / f64::from(steps))
            .map(|part| LOW_C + width * part * part)
            .chain([0.0, 0.01])
            .collect();
        temperatures.sort_by(f64::total_cmp);
        temperatures.dedup_by(|a, b| (*a - *b).abs() < 1e-3);
        let points: Vec<(f64, f64)> = temperatures
            .into_iter()
            .map(|t| (kind.emf_and_slope(t).0, t))
            .collect();
        let slopes: Vec<f64> = points
            .iter()
            .map(|&(_, t)| 1.0 / kind.emf_and_slope(t).1)
            .collect();
        let start = TableCurve::new(&points, Interpolation::MonotoneCubic)
            .ok()?
            .with_slopes(&points, &slopes);
        Some(Self {
            kind,
            ends_mv: start.range(),
            start,
        })
    }

    /// The type.
    #[must_use]
    pub fn kind(&self) -> ThermocoupleType {
        self.kind
    }

    /// Emf in V at a temperature in K, against a junction at 0 degrees Celsius.
    ///
    /// # Errors
    /// [`CurveError`] when the temperature is no number or outside the curve.
    pub fn emf(&self, temperature_k: f64) -> Result<f64, CurveError> {
        self.inverse(temperature_k)
    }

    /// Change of the emf per temperature, V/K.
    ///
    /// # Errors
    /// [`CurveError`] when the temperature is no number or outside the curve.
    pub fn sensitivity(&self, temperature_k: f64) -> Result<f64, CurveError> {
        let t = self.within(temperature_k)?;
        Ok(self.kind.emf_and_slope(t).1 / MV_PER_V)
    }

    /// Temperature when the reference junction is at `junction_k` instead of 0 degrees Celsius.
    ///
    /// # Errors
    /// [`CurveError`] when an input is no number or the result lies outside the curve.
    pub fn compensated(&self, emf_v: f64, junction_k: f64) -> Result<Compensated, CurveError> {
        let junction_emf = self.inverse(junction_k)?;
        let (temperature_k, per_volt) = self.value_and_slope(emf_v + junction_emf)?;
        let (_, junction_slope) = self.kind.emf_and_slope(junction_k - ICE_POINT_K);
        Ok(Compensated {
            temperature_k,
            per_volt,
            per_junction_k: junction_slope / MV_PER_V * per_volt,
        })
    }

    /// Largest deviation in K that a new wire of the usual class may have at a temperature in K.
    ///
    /// Below -200 degrees Celsius no class is stated: the limit there, as an emf, is taken through
    /// the slope. At 4 K that is 10 K and more, which is the honest answer.
    ///
    /// # Errors
    /// [`CurveError`] when the temperature is no number or outside the curve.
    pub fn tolerance_k(&self, temperature_k: f64) -> Result<f64, CurveError> {
        let t = self.within(temperature_k)?;
        let stated = t.max(CLASS_FLOOR_C);
        let limit = self.kind.class_limit_k(stated);
        let slope = |t| self.kind.emf_and_slope(t).1;
        Ok(limit * slope(stated) / slope(t))
    }

    /// What an uncertainty stated in kelvin, for where classes are stated, is to be multiplied with:
    /// below -200 degrees Celsius it stays the same emf, and the sensitivity vanishes.
    pub(super) fn widening(&self, temperature_k: f64) -> f64 {
        let slope = |t| self.kind.emf_and_slope(t).1;
        match self.within(temperature_k) {
            Ok(t) if t < CLASS_FLOOR_C => slope(CLASS_FLOOR_C) / slope(t),
            _ => 1.0,
        }
    }

    #[inline]
    pub(super) fn value_and_slope(&self, emf_v: f64) -> Result<(f64, f64), CurveError> {
        let emf = emf_v * MV_PER_V;
        let (t, _) = self
            .start
            .value_and_slope(emf)
            .map_err(|error| match error {
                CurveError::Outside { .. } => {
                    let (low, high) = self.range();
                    let input = emf_v;
                    CurveError::Outside { input, low, high }
                }
                other => other,
            })?;
        let emf = emf.clamp(self.ends_mv.0, self.ends_mv.1);
        // The start is right to a millikelvin, so one step leaves 1e-9 K; the slope goes with it.
        let (got, slope, bend) = self.kind.emf_and_derivatives(t);
        let newton = (emf - got) / slope;
        let step = newton - 0.5 * bend / slope * newton * newton;
        let slope = slope + bend * step;
        let t = (t + step).clamp(LOW_C, self.kind.high_c());
        Ok((t + ICE_POINT_K, MV_PER_V / slope))
    }

    pub(super) fn inverse(&self, temperature_k: f64) -> Result<f64, CurveError> {
        let t = self.within(temperature_k)?;
        Ok(self.kind.emf_and_slope(t).0 / MV_PER_V)
    }

    pub(super) fn range(&self) -> (f64, f64) {
        (self.ends_mv.0 / MV_PER_V, self.ends_mv.1 / MV_PER_V)
    }

    /// Degrees Celsius of a temperature inside the curve.
    fn within(&self, temperature_k: f64) -> Result<f64, CurveError> {
        let ends = [LOW_C + ICE_POINT_K, self.kind.high_c() + ICE_POINT_K];
        let t = within_outputs(temperature_k, ends)? - ICE_POINT_K;
        Ok(t.clamp(LOW_C, self.kind.high_c()))
    }
}

// Coefficients in mV by powers of degrees Celsius, below and above zero.

const E_COLD: &[f64] = &[
    0.0,
    0.058665508708,
    4.5410977124e-05,
    -7.7998048686e-07,
    -2.5800160843e-08,
    -5.9452583057e-10,
    -9.3214058667e-12,
    -1.0287605534e-13,
    -8.0370123621e-16,
    -4.3979497391e-18,
    -1.6414776355e-20,
    -3.9673619516e-23,
    -5.5827328721e-26,
    -3.4657842013e-29,
];
const E_WARM: &[f64] = &[
    0.0,
    0.05866550871,
    4.5032275582e-05,
    2.8908407212e-08,
    -3.3056896652e-10,
    6.502440327e-13,
    -1.9197495504e-16,
    -1.2536600497e-18,
    2.1489217569e-21,
    -1.4388041782e-24,
    3.5960899481e-28,
];
const K_COLD: &[f64] = &[
    0.0,
    0.039450128025,
    2.3622373598e-05,
    -3.2858906784e-07,
    -4.9904828777e-09,
    -6.7509059173e-11,
    -5.7410327428e-13,
    -3.1088872894e-15,
    -1.0451609365e-17,
    -1.9889266878e-20,
    -1.6322697486e-23,
];
const K_WARM: &[f64] = &[
    -0.017600413686,
    0.038921204975,
    1.8558770032e-05,
    -9.9457592874e-08,
    3.1840945719e-10,
    -5.6072844889e-13,
    5.6075059059e-16,
    -3.2020720003e-19,
    9.7151147152e-23,
    -1.2104721275e-26,
];
const T_COLD: &[f64] = &[
    0.0,
    0.038748106364,
    4.4194434347e-05,
    1.1844323105e-07,
    2.0032973554e-08,
    9.0138019559e-10,
    2.2651156593e-11,
    3.6071154205e-13,
    3.8493939883e-15,
    2.8213521925e-17,
    1.4251594779e-19,
    4.8768662286e-22,
    1.079553927e-24,
    1.3945027062e-27,
    7.9795153927e-31,
];
const T_WARM: &[f64] = &[
    0.0,
    0.038748106364,
    3.329222788e-05,
    2.0618243404e-07,
    -2.1882256846e-09,
    1.0996880928e-11,
    -3.0815758772e-14,
    4.547913529e-17,
    -2.7512901673e-20,
];
const N_COLD: &[f64] = &[
    0.0,
    0.026159105962,
    1.0957484228e-05,
    -9.3841111554e-08,
    -4.6412039759e-11,
    -2.6303357716e-12,
    -2.2653438003e-14,
    -7.6089300791e-17,
    -9.3419667835e-20,
];
const N_WARM: &[f64] = &[
    0.0,
    0.025929394601,
    1.571014188e-05,
    4.3825627237e-08,
    -2.5261169794e-10,
    6.4311819339e-13,
    -1.0063471519e-15,
    9.9745338992e-19,
    -6.0863245607e-22,
    2.0849229339e-25,
    -3.0682196151e-29,
];
/// Type K above zero: size in mV, width in 1/K2, centre in degrees Celsius.
const K_EXPONENTIAL: [f64; 3] = [0.1185976, -1.183432e-4, 126.9686];

#[cfg(test)]
mod tests {
    use super::*;

    const TYPES: [ThermocoupleType; 4] = [
        ThermocoupleType::E,
        ThermocoupleType::K,
        ThermocoupleType::T,
        ThermocoupleType::N,
    ];

    #[test]
    fn inverse_of_inverse_from_end_to_end() {
        for kind in TYPES {
            let curve = ThermocoupleCurve::new(kind).unwrap();
            let steps = 20_000;
            for at in 0..=steps {
                let part = f64::from(at) / f64::from(steps);
                let kelvin = 3.15 + (kind.high_c() + 270.0) * part * part;
                let volt = curve.inverse(kelvin).unwrap();
                let (back, slope) = curve.value_and_slope(volt).unwrap();
                // One rounding of the emf is up to 1e-9 K where the sensitivity vanishes.
                assert!((back - kelvin).abs() < 1e-7, "{kind:?} {kelvin}: {back}");
                assert!(slope > 0.0);
            }
        }
    }

    #[test]
    fn a_warm_reference_junction_adds_its_own_emf() {
        let curve = ThermocoupleCurve::new(ThermocoupleType::T).unwrap();
        let junction = 296.0;
        let emf = curve.inverse(80.0).unwrap() - curve.inverse(junction).unwrap();
        let at = |junction| curve.compensated(emf, junction).unwrap();
        let read = at(junction);
        assert!((read.temperature_k - 80.0).abs() < 1e-9);
        let slope = (at(junction + 0.01).temperature_k - at(junction - 0.01).temperature_k) / 0.02;
        assert!((read.per_junction_k / slope - 1.0).abs() < 1e-5);
        // 41 uV/K warm against 17 uV/K at 80 K: the junction's error more than doubles.
        assert!(read.per_junction_k > 2.0);
    }

    #[test]
    fn the_tolerance_grows_where_the_sensitivity_vanishes() {
        let curve = ThermocoupleCurve::new(ThermocoupleType::T).unwrap();
        let at = |kelvin| curve.tolerance_k(kelvin).unwrap();
        assert!((at(273.15) - 1.0).abs() < 1e-12);
        assert!((at(73.15) - 3.0).abs() < 1e-9);
        assert!(at(20.0) > 8.0 && at(4.2) > 30.0);
        assert!(curve.tolerance_k(2.0).is_err());
        assert!(curve.value_and_slope(f64::NAN).is_err());
        assert!(curve.value_and_slope(0.1).is_err());
    }
}
