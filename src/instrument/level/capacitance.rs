//! Capacitance level probe: two coaxial tubes, liquid and vapour between them.
//!
//! `C = C_stray + C_empty (eps_l f + eps_v (1 - f))`, with `f` the covered part of the length. The
//! permittivities follow from the densities by Clausius and Mossotti; liquid helium has only 1.049,
//! so the whole span is 5 % of the capacitance, and vapour at 4.2 K is 13 % of that span.
//!
//! **Source**: Clausius-Mossotti relation; molar polarisability of helium 0.5172 cm3/mol, from
//! memory (ab initio values agree to 1e-4).

use serde::{Deserialize, Serialize};

use super::LevelError;
use crate::instrument::flow::HELIUM_MOLAR_MASS_KG_PER_MOL;

/// Molar polarisability of helium, m3/mol.
const POLARISABILITY_M3_PER_MOL: f64 = 0.5172e-6;
/// A part covered beyond 0 or 1 by up to this is drift, not a fault.
const BEYOND_PROBE: f64 = 0.02;

/// A capacitance probe.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CapacitanceProbe {
    /// Height of the lower end above the lowest inside point, m.
    pub lower_end_m: f64,
    /// Length of the sensitive part, measured along the height, m.
    pub active_length_m: f64,
    /// Capacitance of the sensitive part in vacuum, F.
    pub empty_f: f64,
    /// Capacitance of leads and ends, F.
    pub stray_f: f64,
}

/// A level with its total derivatives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CapacitanceLevel {
    /// Level above the lowest inside point, m.
    pub level_m: f64,
    /// Level by capacitance, m/F; less it is that by the capacitance of leads and ends.
    pub d_level_d_capacitance: f64,
    /// Level by the capacitance of the sensitive part in vacuum, m/F.
    pub d_level_d_empty: f64,
    /// Level by liquid density, m/(kg/m3).
    pub d_level_d_liquid_density: f64,
    /// Level by vapour density, m/(kg/m3).
    pub d_level_d_vapour_density: f64,
}

/// Relative permittivity of helium at a density in kg/m3, and its slope.
#[must_use]
pub fn helium_permittivity(density: f64) -> (f64, f64) {
    let per_density = POLARISABILITY_M3_PER_MOL / HELIUM_MOLAR_MASS_KG_PER_MOL;
    let x = per_density * density;
    let free = 1.0 - x;
    ((1.0 + 2.0 * x) / free, 3.0 * per_density / (free * free))
}

/// The level of a bath from the capacitance in F and the densities in kg/m3.
///
/// # Errors
/// [`LevelError`] when an input is no number, liquid and vapour are too much alike, or no level on
/// the probe has that capacitance.
pub fn capacitance_level(
    probe: &CapacitanceProbe,
    capacitance_f: f64,
    liquid_density: f64,
    vapour_density: f64,
) -> Result<CapacitanceLevel, LevelError> {
    let CapacitanceProbe {
        lower_end_m,
        active_length_m,
        empty_f,
        stray_f,
    } = *probe;
    let numbers = [
        lower_end_m,
        active_length_m,
        empty_f,
        stray_f,
        capacitance_f,
        liquid_density,
        vapour_density,
    ];
    if numbers.iter().any(|number| !number.is_finite()) {
        return Err(LevelError::NotANumber);
    }
    if active_length_m <= 0.0 {
        return Err(LevelError::BadDimension {
            what: "the length of the probe",
            value: active_length_m,
            limit: "",
        });
    }
    if empty_f <= 0.0 {
        return Err(LevelError::BadCapacitance { empty_f });
    }
    let (liquid, liquid_slope) = helium_permittivity(liquid_density);
    let (vapour, vapour_slope) = helium_permittivity(vapour_density);
    let step = liquid - vapour;
    if !(vapour_density >= 0.0 && step > 1e-6) {
        return Err(LevelError::NoSurface {
            liquid: liquid_density,
            vapour: vapour_density,
        });
    }
    let part = ((capacitance_f - stray_f) / empty_f - vapour) / step;
    let height_m = lower_end_m + part * active_length_m;
    if !(-BEYOND_PROBE..=1.0 + BEYOND_PROBE).contains(&part) {
        return Err(LevelError::OutsideVessel {
            height_m,
            low_m: lower_end_m,
            high_m: lower_end_m + active_length_m,
        });
    }
    let part = part.clamp(0.0, 1.0);
    let scale = active_length_m / step;
    Ok(CapacitanceLevel {
        level_m: lower_end_m + part * active_length_m,
        d_level_d_capacitance: scale / empty_f,
        d_level_d_empty: -scale * (capacitance_f - stray_f) / (empty_f * empty_f),
        d_level_d_liquid_density: -scale * part * liquid_slope,
        d_level_d_vapour_density: -scale * (1.0 - part) * vapour_slope,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const PROBE: CapacitanceProbe = CapacitanceProbe {
        lower_end_m: 0.1,
        active_length_m: 0.8,
        empty_f: 120e-12,
        stray_f: 30e-12,
    };

    #[test]
    fn liquid_helium_has_its_permittivity() {
        // 1.0492 at 4.2 K, 125 kg/m3, as handbooks give it.
        let (eps, slope) = helium_permittivity(125.0);
        assert!((eps - 1.0492).abs() < 2e-4, "{eps}");
        let difference = (helium_permittivity(126.0).0 - helium_permittivity(124.0).0) / 2.0;
        assert!((slope / difference - 1.0).abs() < 1e-4);
    }

    #[test]
    fn reads_its_level_with_total_derivatives() {
        let (liquid, vapour) = (124.9, 16.9);
        let mixed = 0.6 * helium_permittivity(liquid).0 + 0.4 * helium_permittivity(vapour).0;
        let capacitance = PROBE.stray_f + PROBE.empty_f * mixed;
        let level = |c, l, v| capacitance_level(&PROBE, c, l, v).unwrap();
        let at = level(capacitance, liquid, vapour);
        assert!((at.level_m - 0.58).abs() < 1e-12);
        let slope = |up: CapacitanceLevel, down: CapacitanceLevel, step: f64| {
            (up.level_m - down.level_m) / (2.0 * step)
        };
        let by_c = slope(
            level(capacitance + 1e-15, liquid, vapour),
            level(capacitance - 1e-15, liquid, vapour),
            1e-15,
        );
        let by_l = slope(
            level(capacitance, liquid + 0.01, vapour),
            level(capacitance, liquid - 0.01, vapour),
            0.01,
        );
        let by_v = slope(
            level(capacitance, liquid, vapour + 0.01),
            level(capacitance, liquid, vapour - 0.01),
            0.01,
        );
        assert!((at.d_level_d_capacitance / by_c - 1.0).abs() < 1e-6);
        let with_empty = |empty_f| {
            let probe = CapacitanceProbe { empty_f, ..PROBE };
            capacitance_level(&probe, capacitance, liquid, vapour).unwrap()
        };
        let (more, less) = (with_empty(120.001e-12), with_empty(119.999e-12));
        let by_empty = slope(more, less, 0.001e-12);
        assert!((at.d_level_d_empty / by_empty - 1.0).abs() < 1e-5);
        assert!((at.d_level_d_liquid_density / by_l - 1.0).abs() < 1e-6);
        assert!((at.d_level_d_vapour_density / by_v - 1.0).abs() < 1e-6);
    }

    #[test]
    fn refuses_what_no_bath_has() {
        let at = |c, l, v| capacitance_level(&PROBE, c, l, v);
        assert!(matches!(
            at(200e-12, 125.0, 17.0),
            Err(LevelError::OutsideVessel { .. })
        ));
        assert!(matches!(
            at(152e-12, 69.0, 69.0),
            Err(LevelError::NoSurface { .. })
        ));
        assert_eq!(at(f64::NAN, 125.0, 17.0), Err(LevelError::NotANumber));
    }
}
