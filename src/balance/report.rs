//! What the balance reports: masses, windows, loss rates.

use serde::{Deserialize, Serialize};

use crate::plant::Id;
use crate::quantity::{Quality, Reason};
use crate::time::{Span, Timestamp};

/// A mass with its standard uncertainty and quality.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MassFigure {
    /// kg.
    pub mass_kg: f64,
    /// Combined standard uncertainty, kg.
    pub std_kg: f64,
    /// How far it can be used.
    pub quality: Quality,
    /// Why not plainly good.
    pub reason: Reason,
}

/// Where the helium is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InventoryReport {
    /// The whole plant.
    pub plant: MassFigure,
    /// Part of the plant's standard uncertainty that stays the same for weeks (calibrations), kg.
    pub constant_std_kg: f64,
    /// Each section, in the order of the description.
    pub sections: Vec<(Id, MassFigure)>,
    /// Each vessel, in the order of the description.
    pub vessels: Vec<(Id, MassFigure)>,
}

/// What is lost, of the plant or of a section.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossReport {
    /// The section's id; none for the plant.
    pub section: Option<Id>,
    /// Balance over windows of 1 h, 8 h, 24 h and 7 days, as far as there is history.
    pub windows: Vec<WindowBalance>,
    /// Loss rate over the last days, once there is enough history.
    pub rate: Option<LossRate>,
    /// Whether more is being lost than accepted, as the sequential test decides.
    pub excess: Option<ExcessLoss>,
    /// Accepted loss and its standard uncertainty, kg/s.
    pub accepted_kg_per_s: (f64, f64),
}

/// Opening inventory + received - dispatched - closing inventory = unaccounted loss.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WindowBalance {
    /// Length of the window.
    pub over: Span,
    /// From.
    pub from: Option<Timestamp>,
    /// kg.
    pub opening_kg: f64,
    /// Booked in, kg.
    pub received_kg: f64,
    /// Booked out, kg.
    pub dispatched_kg: f64,
    /// kg.
    pub closing_kg: f64,
    /// Unaccounted loss, kg.
    pub unaccounted_kg: f64,
    /// Its standard uncertainty; errors that stay the same cancel, others do not.
    pub std_kg: f64,
    /// Accepted loss over the window, kg.
    pub accepted_kg: f64,
    /// Unaccounted less accepted, kg.
    pub excess_kg: f64,
    /// Standard uncertainty of the excess, kg.
    pub excess_std_kg: f64,
    /// Excess above which a loss is said to be seen (ISO 11929, 5 %), kg.
    pub decision_threshold_kg: f64,
    /// Smallest excess that would be seen with 95 % (ISO 11929), kg.
    pub detection_limit_kg: f64,
    /// Part of the window for which there are data, 0 to 1.
    pub coverage: f64,
    /// Vessels whose mass was carried forward or substituted in it.
    pub doubtful_vessels: Vec<Id>,
}

/// A loss rate by generalised least squares.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LossRate {
    /// Over how long it was estimated.
    pub over: Span,
    /// Loss rate, kg/s; positive is a loss. Includes the accepted loss.
    pub rate_kg_per_s: f64,
    /// Standard uncertainty, kg/s.
    pub std_kg_per_s: f64,
    /// Rate above the accepted one at which a loss is said to be seen, kg/s.
    pub decision_threshold_kg_per_s: f64,
    /// Smallest excess that would be seen with 95 %, kg/s.
    pub detection_limit_kg_per_s: f64,
    /// Standard deviation of the independent noise found, kg.
    pub white_std_kg: f64,
    /// Standard deviation of the correlated noise found, kg.
    pub correlated_std_kg: f64,
    /// Its correlation time, s.
    pub correlation_time_s: f64,
    /// Amplitude of the daily wave taken out, kg.
    pub daily_wave_kg: f64,
}

/// A loss beyond the accepted one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ExcessLoss {
    /// Whether the sequential test has raised.
    pub raised: bool,
    /// When it began, best estimate.
    pub since: Option<Timestamp>,
    /// 95 % band of the beginning.
    pub since_band: Option<(Timestamp, Timestamp)>,
    /// Rate over the accepted one, kg/s.
    pub excess_kg_per_s: f64,
    /// Standard uncertainty, the unknown beginning included, kg/s.
    pub std_kg_per_s: f64,
    /// Helium lost beyond the accepted loss since it began, kg.
    pub lost_kg: f64,
    /// Its standard uncertainty, kg.
    pub lost_std_kg: f64,
}
