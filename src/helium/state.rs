//! A thermodynamic state: density, energies, heat capacities, speed of sound, slopes.

use std::sync::LazyLock;

use super::density::{Branch, solve};
use super::equation_of_state::{GAS_CONSTANT, Isotherm, REDUCING_DENSITY};
use super::phase::Phase;

/// Temperature of the zero of enthalpy, energy and entropy, K.
pub const REFERENCE_TEMPERATURE_K: f64 = 300.0;
/// Pressure of the zero of enthalpy, energy and entropy, Pa.
pub const REFERENCE_PRESSURE_PA: f64 = 101_325.0;

/// Every property of one state. Energies and entropy are differences from 300 K, 101 325 Pa.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// K.
    pub temperature_k: f64,
    /// Pa.
    pub pressure_pa: f64,
    /// kg/m3.
    pub density_kg_per_m3: f64,
    /// J/kg.
    pub internal_energy_j_per_kg: f64,
    /// J/kg.
    pub enthalpy_j_per_kg: f64,
    /// J/(kg K).
    pub entropy_j_per_kg_k: f64,
    /// Heat capacity at constant pressure, J/(kg K).
    pub cp_j_per_kg_k: f64,
    /// Heat capacity at constant volume, J/(kg K).
    pub cv_j_per_kg_k: f64,
    /// m/s.
    pub speed_of_sound_m_per_s: f64,
    /// (dp/drho) at constant temperature, Pa m3/kg.
    pub dp_drho: f64,
    /// (dp/dT) at constant density, Pa/K.
    pub dp_dt: f64,
    /// (drho/dT) at constant pressure, kg/m3/K.
    pub drho_dt: f64,
    /// (drho/dp) at constant temperature, kg/m3/Pa.
    pub drho_dp: f64,
    /// Phase.
    pub phase: Phase,
}

impl State {
    /// Isentropic exponent of the real fluid, rho w^2 / p.
    #[must_use]
    pub fn isentropic_exponent(&self) -> f64 {
        self.density_kg_per_m3 * self.speed_of_sound_m_per_s * self.speed_of_sound_m_per_s
            / self.pressure_pa
    }
}

struct Zero {
    enthalpy: f64,
    energy: f64,
    entropy: f64,
}

static ZERO: LazyLock<Zero> = LazyLock::new(|| {
    let isotherm = Isotherm::new(REFERENCE_TEMPERATURE_K);
    // The reference is a warm gas, where the solver always settles (a test holds it to that).
    let delta = solve(&isotherm, REFERENCE_PRESSURE_PA, Branch::Single, None).unwrap_or(f64::NAN);
    energies(&isotherm, delta)
});

/// Enthalpy, energy and entropy with an arbitrary zero.
fn energies(isotherm: &Isotherm, delta: f64) -> Zero {
    let full = isotherm.full_residual(delta);
    Zero {
        enthalpy: isotherm.rt * (2.5 + full.a_d + full.a_t),
        energy: isotherm.rt * (1.5 + full.a_t),
        entropy: GAS_CONSTANT
            * (1.5 + full.a_t - full.a - libm::log(delta) - 1.5 * isotherm.ln_tau()),
    }
}

/// The state at a reduced density on an isotherm.
pub(super) fn describe(isotherm: &Isotherm, delta: f64, pressure: f64, phase: Phase) -> State {
    let zero = &*ZERO;
    let full = isotherm.full_residual(delta);
    let here = energies(isotherm, delta);
    let rho = delta * REDUCING_DENSITY;
    let slope = 1.0 + 2.0 * full.a_d + full.a_dd;
    let thermal = 1.0 + full.a_d - full.a_dt;
    let cv = GAS_CONSTANT * (1.5 - full.a_tt);
    let cp = cv + GAS_CONSTANT * thermal * thermal / slope;
    let dp_drho = isotherm.rt * slope;
    let dp_dt = rho * GAS_CONSTANT * thermal;
    State {
        temperature_k: isotherm.temperature,
        pressure_pa: pressure,
        density_kg_per_m3: rho,
        internal_energy_j_per_kg: here.energy - zero.energy,
        enthalpy_j_per_kg: here.enthalpy - zero.enthalpy,
        entropy_j_per_kg_k: here.entropy - zero.entropy,
        cp_j_per_kg_k: cp,
        cv_j_per_kg_k: cv,
        speed_of_sound_m_per_s: libm::sqrt((dp_drho * cp / cv).max(0.0)),
        dp_drho,
        dp_dt,
        drho_dt: -dp_dt / dp_drho,
        drho_dp: 1.0 / dp_drho,
        phase,
    }
}
