//! Flow: differential-pressure devices, totalisers, standard volumes.
//!
//! Density, viscosity and isentropic exponent are given: they belong to the helium floor.

mod constriction;
mod totaliser;
mod volume;

pub use constriction::{Constriction, Device, DpFlow, FlowError, GasState, Taps, VenturiKind};
pub use totaliser::{TotalError, Totaliser};
pub use volume::{
    GAS_CONSTANT_J_PER_MOL_K, HELIUM_MOLAR_MASS_KG_PER_MOL, ReferenceCondition,
    ideal_helium_density,
};
