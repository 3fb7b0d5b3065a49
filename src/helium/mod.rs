//! Helium properties: every published correlation that the mass of helium rests on.
//!
//! | where | model |
//! |---|---|
//! | 2.1768 K to 1500 K, to 1000 bar or freezing | equation of state of Ortiz-Vega et al. |
//! | 0.8 K to 2.1768 K, to 5 atm | tables of Donnelly and Barenghi, density only |
//! | vapour below 2.1768 K | second virial coefficient |
//! | vapour-pressure thermometry | ITS-90, both branches of 4He, and 3He |
//!
//! Outside a range the answer is a [`HeliumError`], never an extrapolation. The tables that hold
//! solver starts are worked out from the equation on first use (a few milliseconds); they decide how
//! many steps a solution takes, never its value beyond 1e-11.

pub mod batch;
mod density;
mod equation_of_state;
mod error;
mod exponential;
mod helium_ii;
mod lambda_line;
mod liquid_bath;
mod melting;
mod mixture;
mod phase;
mod properties;
mod saturation;
mod start;
mod state;
mod transport;
mod uncertainty;
mod vapour_pressure;

pub use error::HeliumError;
pub use helium_ii::{
    MAX_PRESSURE_PA as HELIUM_II_MAX_PRESSURE_PA, MIN_TEMPERATURE_K as HELIUM_II_MIN_TEMPERATURE_K,
};
pub use lambda_line::{LAMBDA_PRESSURE_PA, LAMBDA_TEMPERATURE_K, lambda_temperature};
pub use liquid_bath::{BathDensity, liquid_bath_density, liquid_bath_density_at_pressure};
pub use melting::melting_pressure_pa;
pub use mixture::{Mixture, at_enthalpy, at_quality};
pub use phase::{Phase, PhaseHint};
pub use properties::{
    DensityWithSlopes, density, density_from, density_with_slopes, density_with_slopes_from,
    saturation_at_pressure, saturation_at_temperature, state,
};
pub use saturation::{Saturation, saturation_by_equation, saturation_by_equation_at};
pub use state::{REFERENCE_PRESSURE_PA, REFERENCE_TEMPERATURE_K, State};
pub use transport::{HELIUM_MOLAR_MASS_KG_PER_MOL, IDEAL_ISENTROPIC_EXPONENT, viscosity_pa_s};
pub use uncertainty::{bath_density_std_uncertainty, density_std_uncertainty};
pub use vapour_pressure::{
    HELIUM_3, HELIUM_4_NORMAL, HELIUM_4_SUPERFLUID, VapourPressureScale, vapour_pressure,
    vapour_pressure_temperature,
};

/// Lowest temperature of the equation of state, K: the lambda point.
pub const EOS_MIN_TEMPERATURE: f64 = 2.1768;
/// Highest temperature, K.
pub const MAX_TEMPERATURE: f64 = 1500.0;
/// Highest pressure, Pa: 1000 bar.
pub const MAX_PRESSURE_PA: f64 = 1.0e8;
/// Critical temperature of the equation, K (its published value is rounded to 5.1953 K).
pub const CRITICAL_TEMPERATURE: f64 = 5.195_300_013_635_951;
/// Critical pressure of the equation, Pa.
pub const CRITICAL_PRESSURE_PA: f64 = 228_322.8;
