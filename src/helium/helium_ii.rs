//! Helium II: density along saturation and under pressure, latent heat, and the vapour above it.
//!
//! Density comes from published tables, read by cubic interpolation in temperature (Catmull-Rom)
//! and a parabola in pressure through the three isobars. Between 2.05 K, where the pressurised
//! tables stop, and 2.1768 K, where the equation of state begins, the effect of pressure is
//! interpolated between the two; so a pressurised bath crosses the lambda line without a step.
//!
//! **Range**: 0.8 K to 2.1768 K, saturation to 5 atm.
//! **Uncertainty**: 0.01 kg/m3 of the table at its points, 0.03 between, 0.05 within 20 mK of the
//! lambda point; under pressure 0.09 kg/m3.
//!
//! **Source**: R. J. Donnelly and C. F. Barenghi, J. Phys. Chem. Ref. Data 27, 1217 (1998); isobars
//! J. S. Brooks and R. J. Donnelly, J. Phys. Chem. Ref. Data 6, 51 (1977), as carried by the
//! public package heprops 1.3.0.
#![expect(
    clippy::indexing_slicing,
    reason = "cells are clamped below the constant table lengths"
)]

use super::equation_of_state::{Isotherm, MOLAR_MASS, REDUCING_DENSITY};
use super::error::HeliumError;
use super::lambda_line::LAMBDA_TEMPERATURE_K;
use super::saturation::{Saturation, saturation_by_equation};
use super::vapour_pressure::HELIUM_4_SUPERFLUID;
use super::{EOS_MIN_TEMPERATURE, density};
use crate::quantity::{AbsolutePressure, Density, Temperature};

/// Lowest temperature, K.
pub const MIN_TEMPERATURE_K: f64 = 0.8;
/// Highest pressure of the tables, Pa: 5 atm.
pub const MAX_PRESSURE_PA: f64 = 5.0 * ATMOSPHERE;
const ATMOSPHERE: f64 = 101_325.0;
const ISOBAR_PA: f64 = 2.5 * ATMOSPHERE;
/// Where the tables under pressure stop, K.
pub(super) const ISOBARS_END_K: f64 = 2.05;
const FIRST_K: f64 = 0.75;
const STEP_K: f64 = 0.05;
/// The gas constant that the low-temperature vapour pressure was published with, J/(mol K).
const R_1998: f64 = 8.314_510;

/// Saturated liquid, kg/m3, 0.75 K to 2.30 K by 0.05 K. **Source**: Donnelly and Barenghi 1998.
const SATURATED: [f64; 32] = [
    145.1304, 145.1281, 145.1257, 145.1232, 145.1207, 145.1183, 145.1163, 145.1150, 145.1144,
    145.1151, 145.1173, 145.1215, 145.1281, 145.1373, 145.1493, 145.1646, 145.1837, 145.2071,
    145.2352, 145.2686, 145.3079, 145.3538, 145.4070, 145.4684, 145.5394, 145.6217, 145.7181,
    145.8340, 145.9840, 146.1049, 145.9877, 145.8148,
];
/// At 2.5 atm, kg/m3, 0.75 K to 2.10 K by 0.05 K. **Source**: Brooks and Donnelly 1977.
const ISOBAR: [f64; 28] = [
    149.25, 149.24, 149.24, 149.24, 149.24, 149.25, 149.25, 149.25, 149.26, 149.26, 149.27, 149.29,
    149.30, 149.32, 149.34, 149.37, 149.41, 149.44, 149.49, 149.54, 149.60, 149.67, 149.75, 149.84,
    149.96, 150.09, 150.24, 150.41,
];
/// At 5 atm. The copy repeats 153.03 at 1.55 K, out of line with its neighbours: 153.08 here. The
/// copy's last value was added by hand by its author; the trend of the table (154.52) stands here.
const ISOBAR_5: [f64; 28] = [
    152.83, 152.83, 152.83, 152.83, 152.83, 152.84, 152.84, 152.85, 152.86, 152.87, 152.89, 152.91,
    152.93, 152.96, 152.99, 153.03, 153.08, 153.13, 153.19, 153.27, 153.35, 153.45, 153.57, 153.70,
    153.87, 154.05, 154.27, 154.52,
];
/// Heat of evaporation, J/mol, 0.8 K to 2.1 K by 0.1 K. **Source**: Donnelly and Barenghi 1998.
const LATENT: [f64; 14] = [
    76.38, 78.37, 80.33, 82.26, 84.14, 85.97, 87.73, 89.35, 90.77, 91.91, 92.72, 93.13, 93.07,
    92.27,
];

/// Saturated liquid density and its slope in temperature, kg/m3 and kg/m3/K.
pub(super) fn saturated_liquid(t: f64) -> (f64, f64) {
    interpolate(&SATURATED, t)
}

/// Vapour pressure below the lambda point, Pa: ITS-90 from 1.25 K, below it the exact low-temperature
/// form with L0 = 59.83 J/mol, as Donnelly and Barenghi use it.
pub(super) fn vapour_pressure_pa(t: f64) -> f64 {
    match HELIUM_4_SUPERFLUID.pressure(Temperature::new(t)) {
        Ok(pressure) => pressure.si(),
        Err(_) => low_temperature_pressure(t),
    }
}

/// Temperature of a helium II bath from its vapour pressure, K.
pub(super) fn vapour_pressure_temperature_k(p: f64) -> Result<f64, HeliumError> {
    if let Ok(t) = HELIUM_4_SUPERFLUID.temperature(AbsolutePressure::new(p)) {
        return Ok(t.si());
    }
    let low = low_temperature_pressure(MIN_TEMPERATURE_K);
    let high = vapour_pressure_pa(LAMBDA_TEMPERATURE_K);
    if !(p >= low && p <= high) {
        return Err(HeliumError::PressureOutOfRange {
            pressure_pa: p,
            low_pa: low,
            high_pa: high,
            correlation: "the vapour pressure of helium II",
        });
    }
    let (mut below, mut above) = (MIN_TEMPERATURE_K, 1.26);
    for _ in 0..60 {
        let middle = 0.5 * (below + above);
        if low_temperature_pressure(middle) < p {
            below = middle;
        } else {
            above = middle;
        }
    }
    Ok(0.5 * (below + above))
}

/// Saturation below the lambda point; the vapour by its second virial coefficient.
pub(super) fn saturation(t: f64) -> Result<Saturation, HeliumError> {
    let liquid_and_slope = saturated_liquid(t);
    let p = vapour_pressure_pa(t);
    let h = 1e-4;
    let dp_dt = (vapour_pressure_pa(t + h / 2.0) - vapour_pressure_pa(t - h / 2.0)) / h;
    let along = |t: f64| vapour(t, vapour_pressure_pa(t));
    Ok(Saturation {
        temperature: Temperature::new(t),
        pressure: AbsolutePressure::new(p),
        liquid: Density::new(liquid_and_slope.0),
        vapour: Density::new(vapour(t, p)),
        latent_heat_j_per_kg: latent_heat(t)?,
        d_liquid_dp: liquid_and_slope.1 / dp_dt,
        d_vapour_dp: (along(t + h / 2.0) - along(t - h / 2.0)) / h / dp_dt,
        dp_dt,
    })
}

/// Liquid below 2.1768 K under pressure, kg/m3: helium II, or the sliver of helium I between the
/// lambda line and the lower end of the equation of state.
pub(super) fn pressurised_liquid(t: f64, p: f64) -> Result<f64, HeliumError> {
    if p > MAX_PRESSURE_PA {
        return Err(HeliumError::PressureOutOfRange {
            pressure_pa: p,
            low_pa: 0.0,
            high_pa: MAX_PRESSURE_PA,
            correlation: "the density of helium below 2.1768 K",
        });
    }
    if t <= ISOBARS_END_K {
        return Ok(parabola(t, p));
    }
    let compression = |rho: f64, t: f64| rho - saturated_liquid(t).0;
    let cold = compression(parabola(ISOBARS_END_K, p), ISOBARS_END_K);
    let isotherm = Isotherm::new(EOS_MIN_TEMPERATURE);
    let rho = density::solve(&isotherm, p, density::Branch::Liquid, None)? * REDUCING_DENSITY;
    let warm = compression(rho, EOS_MIN_TEMPERATURE);
    let f = (t - ISOBARS_END_K) / (EOS_MIN_TEMPERATURE - ISOBARS_END_K);
    Ok(saturated_liquid(t).0 + cold + f * (warm - cold))
}

/// Vapour below 2.1768 K, kg/m3, to the second virial coefficient B = a - b / T.
///
/// **Source**: Donnelly and Barenghi 1998 (a = 23.05 cm3/mol, b = 421.77 cm3 K/mol).
pub(super) fn vapour(t: f64, p: f64) -> f64 {
    let b = 2.305e-5 - 4.2177e-4 / t;
    let rt = R_1998 * t;
    // p = n R T (1 + B n): the root that goes to the ideal gas.
    let root = libm::sqrt((1.0 + 4.0 * b * p / rt).max(0.0));
    2.0 * p / (rt * (1.0 + root)) * MOLAR_MASS
}

fn parabola(t: f64, p: f64) -> f64 {
    let p0 = vapour_pressure_pa(t);
    let (r0, r1, r2) = (
        saturated_liquid(t).0,
        interpolate(&ISOBAR, t).0,
        interpolate(&ISOBAR_5, t).0,
    );
    let first = (r1 - r0) / (ISOBAR_PA - p0);
    let second = ((r2 - r1) / (MAX_PRESSURE_PA - ISOBAR_PA) - first) / (MAX_PRESSURE_PA - p0);
    r0 + (p - p0) * (first + second * (p - ISOBAR_PA))
}

fn latent_heat(t: f64) -> Result<f64, HeliumError> {
    const LAST_K: f64 = 2.1;
    if t <= LAST_K {
        let position = (t - MIN_TEMPERATURE_K) / 0.1;
        return Ok(cubic(&LATENT, position).0 / MOLAR_MASS);
    }
    // From the last table value to the equation of state at the lambda point.
    let from = LATENT[LATENT.len() - 1] / MOLAR_MASS;
    let to = saturation_by_equation(Temperature::new(LAMBDA_TEMPERATURE_K))?.latent_heat_j_per_kg;
    Ok(from + (t - LAST_K) / (LAMBDA_TEMPERATURE_K - LAST_K) * (to - from))
}

fn low_temperature_pressure(t: f64) -> f64 {
    // i0 = ln((2 pi m)^(3/2) k^(5/2) / h^3) in SI, for 4He.
    const I0: f64 = 9.941_634_77;
    libm::exp(I0 - 59.83 / (R_1998 * t) + 2.5 * libm::log(t))
}

/// Value and slope per kelvin of a table that starts at 0.75 K in steps of 0.05 K.
fn interpolate<const N: usize>(table: &[f64; N], t: f64) -> (f64, f64) {
    let (value, slope) = cubic(table, (t - FIRST_K) / STEP_K);
    (value, slope / STEP_K)
}

/// Catmull-Rom through equally spaced values; one-sided slopes at the ends.
fn cubic<const N: usize>(table: &[f64; N], position: f64) -> (f64, f64) {
    #[expect(clippy::cast_precision_loss, reason = "table lengths are below 40")]
    let last = (N - 2) as f64;
    // A hair above keeps a table point on itself despite the rounding of the division.
    let whole = libm::floor(position + 1e-9).clamp(0.0, last);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the table"
    )]
    let i = whole as usize;
    let f = position - whole;
    let (a, b) = (table[i], table[i + 1]);
    let slope_a = if i == 0 {
        b - a
    } else {
        0.5 * (b - table[i - 1])
    };
    let slope_b = if i + 2 < N {
        0.5 * (table[i + 2] - a)
    } else {
        b - a
    };
    let rise = b - a;
    let c2 = 3.0 * rise - 2.0 * slope_a - slope_b;
    let c3 = slope_a + slope_b - 2.0 * rise;
    (
        a + f * (slope_a + f * (c2 + f * c3)),
        slope_a + f * (2.0 * c2 + 3.0 * f * c3),
    )
}
