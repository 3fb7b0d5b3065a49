//! Properties row by row: the text of one row in, the text of its answer out.
//!
//! A row that cannot be computed carries its problem in the last column and leaves the others empty;
//! where only the density is known it gives that, and says so. Numbers are the shortest text that
//! reads back to the same bits.

use super::{
    HeliumError, Mixture, PhaseHint, at_enthalpy, at_quality, density_with_slopes,
    saturation_at_temperature, state, viscosity_pa_s,
};
use crate::quantity::{AbsolutePressure, Density, Temperature};

/// Columns that a row of states needs.
pub const STATE_INPUTS: [&str; 2] = ["temperature_K", "pressure_Pa"];
/// Column that may name the phase to take near saturation.
pub const PHASE_INPUT: &str = "phase";
/// Columns that are added to a row of states.
pub const STATE_OUTPUTS: [&str; 10] = [
    "density_kg_m3",
    "enthalpy_J_kg",
    "entropy_J_kgK",
    "speed_of_sound_m_s",
    "internal_energy_J_kg",
    "cp_J_kgK",
    "cv_J_kgK",
    "viscosity_Pas",
    "phase",
    "problem",
];
/// Names of the column that, with `pressure_Pa`, makes a row of states by enthalpy.
pub const ENTHALPY_INPUTS: [&str; 2] = ["enthalpy_J_kg", "enthalpy_J_per_kg"];
/// Column that, with `pressure_Pa`, makes a row of states by quality.
pub const QUALITY_INPUT: &str = "quality";
/// Columns that are added to a row by enthalpy or quality. The one that was given is not among them,
/// see [`mixture_row`].
pub const MIXTURE_OUTPUTS: [&str; 12] = [
    "temperature_K",
    "density_kg_m3",
    "quality",
    "enthalpy_J_kg",
    "entropy_J_kgK",
    "speed_of_sound_m_s",
    "internal_energy_J_kg",
    "cp_J_kgK",
    "cv_J_kgK",
    "viscosity_Pas",
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

/// [`STATE_OUTPUTS`] of one row. Energies are differences from 300 K, 101 325 Pa. An empty phase is
/// the stable one.
#[must_use]
pub fn state_row(temperature: &str, pressure: &str, phase: &str) -> [String; 10] {
    let [t, p] = STATE_INPUTS;
    let inputs = number(t, temperature)
        .and_then(|t| Ok((t, number(p, pressure)?)))
        .and_then(|(t, p)| Ok((t, p, hint(phase)?)));
    let (t, p, hint) = match inputs {
        Ok((t, p, hint)) => (Temperature::new(t), AbsolutePressure::new(p), hint),
        Err(problem) => return only_problem(problem),
    };
    match state(t, p, hint) {
        Ok(state) => [
            shortest(state.density_kg_per_m3),
            shortest(state.enthalpy_j_per_kg),
            shortest(state.entropy_j_per_kg_k),
            shortest(state.speed_of_sound_m_per_s),
            shortest(state.internal_energy_j_per_kg),
            shortest(state.cp_j_per_kg_k),
            shortest(state.cv_j_per_kg_k),
            viscosity(t, state.density_kg_per_m3),
            state.phase.words().to_owned(),
            String::new(),
        ],
        Err(problem @ HeliumError::OnlyDensity { .. }) => match density_with_slopes(t, p, hint) {
            Ok(found) => {
                let mut row: [String; 10] = only_problem(problem.to_string());
                let [density, .., phase, _] = &mut row;
                *density = shortest(found.density.si());
                found.phase.words().clone_into(phase);
                row
            }
            Err(problem) => only_problem(problem.to_string()),
        },
        Err(problem) => only_problem(problem.to_string()),
    }
}

/// What a row gives besides its pressure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Given {
    /// Enthalpy, J/kg from 300 K, 101 325 Pa.
    Enthalpy,
    /// Mass fraction of vapour.
    Quality,
}

impl Given {
    /// [`MIXTURE_OUTPUTS`] without the column that was given.
    #[must_use]
    pub fn outputs(self) -> Vec<&'static str> {
        let given = match self {
            Self::Enthalpy => ENTHALPY_INPUTS[0],
            Self::Quality => QUALITY_INPUT,
        };
        MIXTURE_OUTPUTS
            .into_iter()
            .filter(|column| *column != given)
            .collect()
    }
}

/// [`Given::outputs`] of one row. Liquid and vapour together have no one speed of sound, heat capacity
/// or viscosity: those stay empty.
#[must_use]
pub fn mixture_row(given: Given, pressure: &str, value: &str) -> Vec<String> {
    let (name, found) = match given {
        Given::Enthalpy => (ENTHALPY_INPUTS[0], at_enthalpy as Solver),
        Given::Quality => (QUALITY_INPUT, at_quality as Solver),
    };
    let found = number("pressure_Pa", pressure)
        .and_then(|p| Ok((p, number(name, value)?)))
        .and_then(|(p, value)| {
            found(AbsolutePressure::new(p), value).map_err(|error| error.to_string())
        });
    let whole = match found {
        Ok(found) => mixture_cells(&found),
        Err(problem) => only_problem(problem),
    };
    MIXTURE_OUTPUTS
        .into_iter()
        .zip(whole)
        .filter(|(column, _)| *column != name)
        .map(|(_, cell)| cell)
        .collect()
}

type Solver = fn(AbsolutePressure, f64) -> Result<Mixture, HeliumError>;

fn mixture_cells(found: &Mixture) -> [String; 12] {
    let maybe = |value: Option<f64>| value.map_or_else(String::new, shortest);
    let single = found.single.as_ref();
    let helium_ii = found.enthalpy_j_per_kg.is_none();
    [
        shortest(found.temperature_k),
        shortest(found.density_kg_per_m3),
        maybe(found.quality),
        maybe(found.enthalpy_j_per_kg),
        maybe(found.entropy_j_per_kg_k),
        maybe(single.map(|state| state.speed_of_sound_m_per_s)),
        maybe(found.internal_energy_j_per_kg),
        maybe(single.map(|state| state.cp_j_per_kg_k)),
        maybe(single.map(|state| state.cv_j_per_kg_k)),
        single.map_or_else(String::new, |state| {
            viscosity(
                Temperature::new(state.temperature_k),
                state.density_kg_per_m3,
            )
        }),
        match single {
            Some(state) => state.phase.words(),
            None if helium_ii => "helium II and vapour",
            None => "liquid and vapour",
        }
        .to_owned(),
        if helium_ii {
            "below the lambda point only temperature and density are tabulated".to_owned()
        } else {
            String::new()
        },
    ]
}

/// The phase that a field asks for. The words of the answers are taken as well, so that an answer can
/// be asked again.
fn hint(phase: &str) -> Result<PhaseHint, String> {
    match phase {
        "" | "stable" | "gas" | "supercritical" => Ok(PhaseHint::Stable),
        "liquid" | "helium II" => Ok(PhaseHint::Liquid),
        "vapour" => Ok(PhaseHint::Vapour),
        other => Err(format!(
            "{PHASE_INPUT}: {other:?} is no phase; write liquid, vapour or stable, or leave it empty"
        )),
    }
}

fn viscosity(t: Temperature, density_kg_per_m3: f64) -> String {
    viscosity_pa_s(t, Density::new(density_kg_per_m3)).map_or_else(|_| String::new(), shortest)
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
        let [density, enthalpy, entropy, speed, .., phase, problem] =
            state_row("4.5", "300000", "");
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
            let row = state_row(t, p, "");
            assert_eq!(row[8], phase, "{t} K {p} Pa");
            assert!(row[0].parse::<f64>().unwrap() > 0.0);
        }
    }

    #[test]
    fn helium_ii_gives_its_density_and_says_what_is_missing() {
        let row = state_row("1.9", "100000", "");
        assert!((row[0].parse::<f64>().unwrap() - 147.2346).abs() < 0.01);
        assert!(row[1..8].iter().all(String::is_empty));
        assert_eq!(row[8], "helium II");
        assert!(row[9].contains("only the density"), "{}", row[9]);
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
            let row = state_row(t, p, "");
            assert!(row[9].contains(words), "{t:?} {p:?}: {}", row[9]);
            assert!(row.iter().take(9).all(String::is_empty));
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

    #[test]
    fn the_phase_decides_near_saturation() {
        let density = |phase| state_row("4.2", "99000", phase)[0].parse::<f64>().unwrap();
        assert!(density("vapour") < 20.0 && density("liquid") > 120.0);
        assert_eq!(density(""), density("vapour"));
        let row = state_row("4.2", "99000", "ice");
        assert!(row[9].contains("is no phase"), "{}", row[9]);
        let row = state_row("4.2", "300000", "vapour");
        assert!(row[9].contains("no vapour exists"), "{}", row[9]);
    }

    #[test]
    fn enthalpy_and_quality_come_back() {
        for quality in ["0.0", "0.25", "1.0"] {
            let by_quality = mixture_row(Given::Quality, "130000", quality);
            let columns = Given::Quality.outputs();
            assert_eq!(by_quality.len(), columns.len());
            assert_eq!(columns[2], "enthalpy_J_kg");
            let by_enthalpy = mixture_row(Given::Enthalpy, "130000", &by_quality[2]);
            let number = |text: &String| text.parse::<f64>().unwrap();
            assert!((number(&by_enthalpy[0]) - number(&by_quality[0])).abs() < 1e-9);
            assert!((number(&by_enthalpy[1]) / number(&by_quality[1]) - 1.0).abs() < 1e-9);
            if quality == "0.25" {
                assert!((number(&by_enthalpy[2]) - 0.25).abs() < 1e-9);
                assert_eq!(by_enthalpy[9], "liquid and vapour");
            }
        }
    }

    #[test]
    fn mixtures_outside_say_why() {
        for (given, p, value, words) in [
            (Given::Quality, "130000", "1.5", "not between 0"),
            (Given::Quality, "300000", "0.5", "outside"),
            (Given::Quality, "x", "0.5", "pressure_Pa"),
            (Given::Quality, "130000", "", "quality is empty"),
            (Given::Enthalpy, "130000", "NaN", "not a finite number"),
            (Given::Enthalpy, "130000", "-1e9", "no state at 130000 Pa"),
            (Given::Enthalpy, "1e9", "0", "outside"),
            (
                Given::Quality,
                "2000",
                "0.5",
                "only temperature and density",
            ),
        ] {
            let row = mixture_row(given, p, value);
            let problem = row.last().unwrap();
            assert!(problem.contains(words), "{p} {value}: {problem}");
        }
    }
}
