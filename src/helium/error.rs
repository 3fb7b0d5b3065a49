//! Why a property cannot be given.

/// Why a property of helium cannot be given. Each says the limit that was met.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum HeliumError {
    /// A temperature or pressure that is not a number.
    #[error("the {quantity} is not a finite number")]
    NotFinite {
        /// `temperature` or `pressure`.
        quantity: &'static str,
    },
    /// Temperature outside what the correlation covers.
    #[error("{temperature_k} K is outside {low_k} to {high_k} K, where {correlation} holds")]
    TemperatureOutOfRange {
        /// As asked, K.
        temperature_k: f64,
        /// Lowest, K.
        low_k: f64,
        /// Highest, K.
        high_k: f64,
        /// Which correlation.
        correlation: &'static str,
    },
    /// Pressure outside what the correlation covers.
    #[error("{pressure_pa} Pa is outside {low_pa} to {high_pa} Pa, where {correlation} holds")]
    PressureOutOfRange {
        /// As asked, Pa.
        pressure_pa: f64,
        /// Lowest, Pa.
        low_pa: f64,
        /// Highest, Pa.
        high_pa: f64,
        /// Which correlation.
        correlation: &'static str,
    },
    /// Density that helium does not reach in the range.
    #[error("a density of {density_kg_per_m3} kg/m3 is outside 0 to {high_kg_per_m3} kg/m3")]
    DensityOutOfRange {
        /// As asked, kg/m3.
        density_kg_per_m3: f64,
        /// Highest, kg/m3.
        high_kg_per_m3: f64,
    },
    /// An enthalpy that no state at this pressure has.
    #[error(
        "no state at {pressure_pa} Pa has an enthalpy of {enthalpy_j_per_kg} J/kg; they reach from {low_j_per_kg:.0} to {high_j_per_kg:.0} J/kg (from 300 K, 101325 Pa)"
    )]
    EnthalpyOutOfRange {
        /// As asked, J/kg.
        enthalpy_j_per_kg: f64,
        /// As asked, Pa.
        pressure_pa: f64,
        /// Least at this pressure, J/kg.
        low_j_per_kg: f64,
        /// Greatest at this pressure, J/kg.
        high_j_per_kg: f64,
    },
    /// A quality beyond saturated liquid or saturated vapour.
    #[error("a quality of {quality} is not between 0 (saturated liquid) and 1 (saturated vapour)")]
    QualityOutOfRange {
        /// As asked.
        quality: f64,
    },
    /// Helium is solid here.
    #[error(
        "helium is solid at {temperature_k} K and {pressure_pa} Pa: it freezes at {melting_pressure_pa:.0} Pa"
    )]
    Solid {
        /// As asked, K.
        temperature_k: f64,
        /// As asked, Pa.
        pressure_pa: f64,
        /// Where it freezes at this temperature, Pa.
        melting_pressure_pa: f64,
    },
    /// Only the density of helium II is known here, not its other properties.
    #[error(
        "only the density is tabulated below the lambda line ({lambda_k} K at this pressure), not energies or speed of sound"
    )]
    OnlyDensity {
        /// As asked, K.
        temperature_k: f64,
        /// Lambda temperature at this pressure, K.
        lambda_k: f64,
    },
    /// The phase asked for does not exist here, not even as a metastable one.
    #[error("no {phase} exists at {temperature_k} K and {pressure_pa} Pa, not even metastable")]
    NoSuchPhase {
        /// `liquid` or `vapour`.
        phase: &'static str,
        /// As asked, K.
        temperature_k: f64,
        /// As asked, Pa.
        pressure_pa: f64,
    },
    /// Too close to the critical point for liquid and vapour to be told apart.
    #[error(
        "{temperature_k} K is too close to the critical point ({critical_k} K) to tell liquid from vapour"
    )]
    TooCloseToCritical {
        /// As asked, K.
        temperature_k: f64,
        /// Critical temperature, K.
        critical_k: f64,
    },
    /// The solver did not settle; a defect, since it always should.
    #[error(
        "the density solver did not settle at {temperature_k} K and {pressure_pa} Pa; please report this"
    )]
    NotSettled {
        /// As asked, K.
        temperature_k: f64,
        /// As asked, Pa.
        pressure_pa: f64,
    },
}

/// `value` when it is a finite number.
pub(super) fn finite(value: f64, quantity: &'static str) -> Result<f64, HeliumError> {
    if value.is_finite() {
        Ok(value)
    } else {
        Err(HeliumError::NotFinite { quantity })
    }
}
