//! Superconducting magnets: how far a conductor is from its limit, what its joints and leads do,
//! how a cold mass cools, and how much heat a bath takes.
//!
//! Everything here is a figure for people. None of it protects a magnet: a quench is over before a
//! slow reading has gone by. The site's own protection system comes first.
//!
//! Nothing has a default material: the strand's data come from the description or the command line.

mod boil_off;
mod cool_down;
mod critical_surface;
mod joint;
mod lead;
mod margin;
mod trend;

use serde::{Deserialize, Serialize};

pub use boil_off::{
    BathState, BoilOff, BoilOffError, LevelFall, from_level_fall, from_vent_flow,
    time_until_by_heat, time_until_by_trend,
};
pub use cool_down::{
    CoolDownError, Forecast, ForecastModel, Gradient, Target, debye_energy_j_per_mol,
    debye_heat_capacity_j_per_mol_k, end_to_end, forecast,
};
pub use critical_surface::{
    CriticalSurface, CriticalSurfaceError, CriticalSurfaceParameters, LOWEST_FIELD_T, Sharing,
};
pub use joint::{JointPair, JointRefusal, JointResistance, Resolution, joint_resistance};
pub use lead::{LeadCooling, LeadEnd, LeadError, LeadFlow, lead_end, lead_flow};
pub use margin::{
    Margin, MarginFigures, MarginInput, Strand, StrandError, load_line_fraction, margin,
};
pub use trend::{Arrival, Trend, trend};

/// A number with its standard uncertainty (k = 1), both in the unit of its context.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Figure {
    /// The value.
    pub value: f64,
    /// Standard uncertainty.
    pub std: f64,
}

impl Figure {
    /// From value and standard uncertainty.
    #[must_use]
    pub const fn new(value: f64, std: f64) -> Self {
        Self { value, std }
    }

    /// Both numbers are finite, and the uncertainty is not below zero.
    #[must_use]
    pub fn is_sound(self) -> bool {
        self.value.is_finite() && self.std.is_finite() && self.std >= 0.0
    }
}
