//! How well the models know the density of helium.
//!
//! Standard uncertainties (k = 1) of the model alone: what remains when temperature and pressure are
//! exact. It is the same wrong way for every vessel in the same state, so it is a shared part, and it
//! cancels in the difference of two inventories of the same state.
//!
//! **Source**: gas: from memory, after the claims of Ortiz Vega et al. (0.02 % to 0.1 % with k = 2
//! above 50 K and to 400 bar). Liquid: half to all of the difference between that equation and the
//! tables of Donnelly and Barenghi on saturation (0.08 % at 2.2 K, 0.22 % at 4.2 K, 0.31 % at 4.5 K,
//! 0.56 % at 4.8 K). Helium II: scatter of the tables.

use super::Phase;
use super::helium_ii::ISOBARS_END_K;
use crate::quantity::{Density, Temperature};

/// Standard uncertainty of the tables for a saturated helium II bath, kg/m3.
const SATURATED_HELIUM_II: f64 = 0.03;
/// Standard uncertainty of helium II under pressure, kg/m3: 0.15 kg/m3 as a rectangle.
const PRESSURISED_HELIUM_II: f64 = 0.09;

/// Standard uncertainty of a density from this floor, by its own model.
///
/// **Units**: kg/m3. **Range**: any state this floor gives; states within 20 mK of the critical
/// point get 5 %, since there the density is worth little.
#[must_use]
pub fn density_std_uncertainty(t: Temperature, density: Density, phase: Phase) -> Density {
    let (t, rho) = (t.si(), density.si());
    let relative = match phase {
        Phase::HeliumIi if t <= ISOBARS_END_K => return Density::new(PRESSURISED_HELIUM_II),
        Phase::HeliumIi => 1.0e-3,
        Phase::Liquid => liquid(t),
        // Second virial coefficient alone, or the equation near its lower end.
        Phase::Vapour => (0.002_f64).max(liquid(t)),
        Phase::Gas | Phase::Supercritical => gas(t, rho),
    };
    Density::new(relative * rho)
}

/// Standard uncertainty of the density of a saturated bath from its table or equation.
#[must_use]
pub fn bath_density_std_uncertainty(t: Temperature, density: Density) -> Density {
    if t.si() < super::LAMBDA_TEMPERATURE_K {
        return Density::new(SATURATED_HELIUM_II);
    }
    Density::new(liquid(t.si()) * density.si())
}

/// Below the critical temperature, relative.
fn liquid(t: f64) -> f64 {
    // Straight lines between the differences seen, then up to the critical point.
    const POINTS: [(f64, f64); 8] = [
        (2.0, 0.0005),
        (3.0, 0.0005),
        (4.0, 0.0012),
        (4.5, 0.0025),
        (4.8, 0.005),
        (5.0, 0.01),
        (5.15, 0.03),
        (5.2, 0.05),
    ];
    along(&POINTS, t)
}

/// Above the critical temperature, relative.
fn gas(t: f64, rho: f64) -> f64 {
    const POINTS: [(f64, f64); 6] = [
        (5.2, 0.05),
        (5.3, 0.01),
        (5.6, 0.004),
        (8.0, 0.0015),
        (20.0, 0.0005),
        (50.0, 0.0002),
    ];
    const DENSE: f64 = 110.0;
    let by_temperature = along(&POINTS, t);
    // Far above the critical density the fluid is as well known as the subcooled liquid.
    if rho > DENSE && t < 20.0 {
        by_temperature.min(0.002)
    } else {
        by_temperature
    }
}

fn along(points: &[(f64, f64)], x: f64) -> f64 {
    let first = points.first().map_or(0.0, |point| point.1);
    points
        .windows(2)
        .rev()
        .find_map(|pair| match pair {
            [(x0, y0), (x1, y1)] if x >= *x0 => {
                let f = ((x - x0) / (x1 - x0)).min(1.0);
                Some(y0 + f * (y1 - y0))
            }
            _ => None,
        })
        .unwrap_or(first)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn covers_the_difference_of_the_two_models() {
        // (T, equation minus table, kg/m3) of tests/reference/helium_eos_vs_table.csv.
        for (t, rho, gap) in [
            (2.2, 146.0, 0.115),
            (3.0, 141.2, 0.026),
            (4.2, 125.1, 0.272),
            (4.5, 118.5, 0.363),
            (4.8, 109.3, 0.617),
        ] {
            let std = bath_density_std_uncertainty(Temperature::new(t), Density::new(rho)).si();
            assert!(gap < 2.0 * std, "{t} K: {gap} against {std}");
            assert!(std < 0.01 * rho);
        }
    }

    #[test]
    fn warm_gas_is_known_best() {
        let std = |t: f64| {
            density_std_uncertainty(Temperature::new(t), Density::new(1.0), Phase::Gas).si()
        };
        assert!((std(300.0) - 0.0002).abs() < 1e-12);
        assert!(std(6.0) > std(10.0) && std(10.0) > std(30.0));
    }
}
