//! Properties row by row: the text of one row in, the text of its answer out.
//!
//! A row that cannot be computed carries its problem in the last column and leaves the others empty;
//! where only the density is known it gives that, and says so. Numbers are the shortest text that
//! reads back to the same bits.

use super::{HeliumError, PhaseHint, density_with_slopes, saturation_at_temperature, state};
use crate::quantity::{AbsolutePressure, Temperature};

/// Columns that a row of states needs.
pub const STATE_INPUTS: [&str; 2] = ["temperature_K", "pressure_Pa"];
/// Columns that are added to a row of states.
pub const STATE_OUTPUTS: [&str; 6] = [
    "density_kg_m3",
    "enthalpy_J_kg",
    "entropy_J_kgK",
    "speed_of_sound_m_s",
    "phase",
    "problem",
];
/// Column that a row on the saturation line needs.
pub const SATURATION_INPUTS: [&str; 1] = ["temperature_K"];
/// Columns that are added to a row on the saturation line.
pub const SATURATION_OUTPUTS: [&str; 5] = [
    "pressure_Pa",
    "liquid_density_kg_m3",
    "vapour_density_kg_m3",
    "latent_heat_J_kg",
    "problem",
];

/// [`STATE_OUTPUTS`] of one row. Energies are differences from 300 K, 101 325 Pa.
#[must_use]
pub fn state_row(temperature: &str, pressure: &str) -> [String; 6] {
    let [t, p] = STATE_INPUTS;
    let inputs = number(t, temperature).and_then(|t| Ok((t, number(p, pressure)?)));
    let (t, p) = match inputs {
        Ok((t, p)) => (Temperature::new(t), AbsolutePressure::new(p)),
        Err(problem) => return only_problem(problem),
    };
    match state(t, p, PhaseHint::Stable) {
        Ok(state) => [
            shortest(state.density_kg_per_m3),
            shortest(state.enthalpy_j_per_kg),
            shortest(state.entropy_j_per_kg_k),
            shortest(state.speed_of_sound_m_per_s),
            state.phase.words().to_owned(),
            String::new(),
        ],
        Err(problem @ HeliumError::OnlyDensity { .. }) => {
            match density_with_slopes(t, p, PhaseHint::Stable) {
                Ok(found) => [
                    shortest(found.density.si()),
                    String::new(),
                    String::new(),
                    String::new(),
                    found.phase.words().to_owned(),
                    problem.to_string(),
                ],
                Err(problem) => only_problem(problem.to_string()),
            }
        }
        Err(problem) => only_problem(problem.to_string()),
    }
}

/// [`SATURATION_OUTPUTS`] of one row.
#[must_use]
pub fn saturation_row(temperature: &str) -> [String; 5] {
    let [column] = SATURATION_INPUTS;
    let found = number(column, temperature).and_then(|t| {
        saturation_at_temperature(Temperature::new(t)).map_err(|error| error.to_string())
    });
    match found {
        Ok(s) => [
            shortest(s.pressure.si()),
            shortest(s.liquid.si()),
            shortest(s.vapour.si()),
            shortest(s.latent_heat_j_per_kg),
            String::new(),
        ],
        Err(problem) => only_problem(problem),
    }
}

/// Empty columns and a problem in the last.
#[must_use]
pub fn only_problem<const N: usize>(problem: String) -> [String; N] {
    let mut row = std::array::from_fn(|_| String::new());
    if let Some(last) = row.last_mut() {
        *last = problem;
    }
    row
}

fn number(column: &str, text: &str) -> Result<f64, String> {
    let text = text.trim();
    if text.is_empty() {
        return Err(format!("{column} is empty"));
    }
    text.parse()
        .map_err(|_| format!("{column}: {text:?} is not a number"))
}

fn shortest(value: f64) -> String {
    format!("{value:?}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_back_to_the_same_bits() {
        let [density, enthalpy, entropy, speed, phase, problem] = state_row("4.5", "300000");
        let s = state(
            Temperature::new(4.5),
            AbsolutePressure::new(3e5),
            PhaseHint::Stable,
        )
        .unwrap();
        assert_eq!(density.parse::<f64>(), Ok(s.density_kg_per_m3));
        assert_eq!(enthalpy.parse::<f64>(), Ok(s.enthalpy_j_per_kg));
        assert_eq!(entropy.parse::<f64>(), Ok(s.entropy_j_per_kg_k));
        assert_eq!(speed.parse::<f64>(), Ok(s.speed_of_sound_m_per_s));
        assert_eq!((phase.as_str(), problem.as_str()), ("liquid", ""));
    }

    #[test]
    fn names_each_phase() {
        for (t, p, phase) in [
            ("1.9", "101325", "helium II"),
            ("1.9", "1000", "vapour"),
            ("4.2", "120000", "liquid"),
            ("4.2", "90000", "vapour"),
            ("300", "101325", "gas"),
            ("6", "300000", "supercritical"),
        ] {
            let row = state_row(t, p);
            assert_eq!(row[4], phase, "{t} K {p} Pa");
            assert!(row[0].parse::<f64>().unwrap() > 0.0);
        }
    }

    #[test]
    fn helium_ii_gives_its_density_and_says_what_is_missing() {
        let row = state_row("1.9", "100000");
        assert!((row[0].parse::<f64>().unwrap() - 147.2346).abs() < 0.01);
        assert!(row[1].is_empty() && row[2].is_empty() && row[3].is_empty());
        assert!(row[5].contains("only the density"), "{}", row[5]);
    }

    #[test]
    fn a_row_that_cannot_be_computed_carries_its_problem() {
        for (t, p, words) in [
            ("", "1e5", "temperature_K is empty"),
            ("warm", "1e5", "is not a number"),
            ("4.2", "NaN", "not a finite number"),
            ("inf", "1e5", "not a finite number"),
            ("0.3", "1e5", "outside"),
            ("2000", "1e5", "outside"),
            ("300", "-1", "outside"),
            ("300", "2e8", "outside"),
            ("4.2", "2e7", "solid"),
            ("1.9", "1e6", "below 2.1768 K"),
        ] {
            let row = state_row(t, p);
            assert!(row[5].contains(words), "{t:?} {p:?}: {}", row[5]);
            assert!(row.iter().take(5).all(String::is_empty));
        }
        let row = saturation_row("6");
        assert!(row[4].contains("outside"), "{}", row[4]);
        assert!(row.iter().take(4).all(String::is_empty));
    }

    #[test]
    fn saturation_covers_both_sides_of_the_lambda_point() {
        for t in ["1.5", "2.1768", "4.2", "5.19"] {
            let row = saturation_row(t);
            assert!(row[4].is_empty(), "{t}: {}", row[4]);
            assert!(
                row.iter()
                    .take(4)
                    .all(|cell| cell.parse::<f64>().unwrap() > 0.0)
            );
        }
    }
}
