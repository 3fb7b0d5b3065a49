//! Level and content of vessels: strapping, differential pressure, superconducting wire,
//! capacitance.
//!
//! Heights are in m above the lowest inside point of the vessel, volumes in m3 of its inside.

mod capacitance;
mod column;
mod quadrature;
mod shape;
mod strapping;
mod wire;

pub use capacitance::{CapacitanceLevel, CapacitanceProbe, capacitance_level, helium_permittivity};
pub use column::{
    ColumnContent, ColumnLimit, ColumnState, DpColumn, STANDARD_GRAVITY_M_PER_S2, dp_bath,
};
pub use shape::{Head, Shape};
pub use strapping::{Immersed, Strapping};
pub use wire::{BathPhase, WireProbe, WireReading, wire_level};

use super::curve::CurveProblem;

/// Why a level or a content cannot be told.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LevelError {
    /// A dimension that cannot be one.
    #[error("{what} is {value} m; it must be above zero{limit}")]
    BadDimension {
        /// Which one.
        what: &'static str,
        /// As given, m.
        value: f64,
        /// What else it must keep to.
        limit: &'static str,
    },
    /// A capacitance probe without capacitance.
    #[error("the capacitance of the probe in vacuum is {empty_f} F; it must be above zero")]
    BadCapacitance {
        /// As given, F.
        empty_f: f64,
    },
    /// A strapping table that is no curve, or whose volume does not rise with height.
    #[error("strapping table: {0}")]
    BadTable(CurveProblem),
    /// More hardware than there is room for.
    #[error("the immersed hardware between {from_m} m and {to_m} m leaves no room for liquid")]
    HardwareTooLarge {
        /// Lower end of the hardware, m.
        from_m: f64,
        /// Upper end of the hardware, m.
        to_m: f64,
    },
    /// A height that is not inside the vessel.
    #[error(
        "a height of {height_m} m is outside the vessel, which reaches from {low_m} m to {high_m} m"
    )]
    OutsideVessel {
        /// The height, m.
        height_m: f64,
        /// Lowest height, m.
        low_m: f64,
        /// Greatest height, m.
        high_m: f64,
    },
    /// A volume that the vessel does not hold.
    #[error(
        "a volume of {volume_m3} m3 is outside what the vessel holds, {low_m3} m3 to {high_m3} m3"
    )]
    OutsideVolume {
        /// The volume, m3.
        volume_m3: f64,
        /// Least volume, m3.
        low_m3: f64,
        /// Greatest volume, m3.
        high_m3: f64,
    },
    /// A differential pressure that no level between the taps gives.
    #[error(
        "{dp_pa} Pa would be a level of {above_tap_m:.3} m above the lower tap, outside the {tap_distance_m} m between the taps; check the zero of the transmitter and what stands in its lines"
    )]
    OutsideTaps {
        /// As read, Pa.
        dp_pa: f64,
        /// The level it would mean, m.
        above_tap_m: f64,
        /// Height of the upper tap above the lower, m.
        tap_distance_m: f64,
    },
    /// Liquid and vapour too much alike, or no densities at all.
    #[error("a level needs a liquid denser than its vapour; got {liquid} kg/m3 and {vapour} kg/m3")]
    NoSurface {
        /// Liquid density, kg/m3.
        liquid: f64,
        /// Vapour density, kg/m3.
        vapour: f64,
    },
    /// An input that is a NaN or an infinity.
    #[error("an input of the level is not a number")]
    NotANumber,
}
