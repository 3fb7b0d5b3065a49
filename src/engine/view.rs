//! The engine's state as one immutable picture, for the pages, the HTTP API and live messages.
//!
//! Every number goes out with its unit as text beside it or in its field's name.

use serde::{Deserialize, Serialize};

pub use super::magnets::MagnetReport;
use super::outcome::{
    AlarmState, Explanation, Happening, InventoryReport, LossReport, Provenance, Reconciliation,
    RoomLeft,
};
use crate::plant::{AlarmClass, Id, Passage, Priority};
use crate::quantity::{Quality, Reason};
use crate::time::{Span, Timestamp};

/// Everything known after one event; by default, what is known before the first.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct View {
    /// The last event that it rests on.
    pub seq: u64,
    /// Wall time of that event, when known.
    pub at: Option<Timestamp>,
    /// Clock epoch.
    pub epoch: u32,
    /// What the figures rest on.
    pub provenance: Option<Provenance>,
    /// Each channel, in the order of the description.
    pub channels: Vec<ChannelView>,
    /// Where the helium is, as of the last tick.
    pub inventory: Option<InventoryReport>,
    /// Vessels with what they hold, in the order of the description.
    pub vessels: Vec<VesselView>,
    /// Lines and their state.
    pub lines: Vec<LineView>,
    /// What is lost: the plant first, then sections.
    pub losses: Vec<LossReport>,
    /// What could explain the plant's loss, while one stands.
    pub explanation: Option<Explanation>,
    /// Meters and areas of the last day held against each other; none while the plant is one area.
    #[serde(default)]
    pub reconciliation: Option<Reconciliation>,
    /// What moved much helium, newest last; the last few dozen.
    pub happenings: Vec<Happening>,
    /// Room for gas if the compressors stop now.
    pub room: Option<RoomLeft>,
    /// Margins, baths, joints, leads and cool-downs.
    #[serde(default)]
    pub magnets: MagnetReport,
    /// Each alarm, in the order of the description.
    pub alarms: Vec<AlarmView>,
    /// Ledger entries in the order they were entered.
    pub ledger: Vec<LedgerView>,
    /// Share of each channel or shared source in the variance of the plant's inventory, largest first.
    pub budget: Vec<BudgetShare>,
    /// Each device.
    pub devices: Vec<DeviceView>,
    /// Events applied since the engine was made.
    pub events: u64,
}

/// One channel now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelView {
    /// Text id.
    pub id: Id,
    /// Value in the channel's unit for people; none when bad.
    pub value: Option<f64>,
    /// Standard uncertainty in the same unit; none when bad.
    pub std: Option<f64>,
    /// The unit.
    pub unit: Id,
    /// Quality.
    pub quality: Quality,
    /// Why not plainly good.
    pub reason: Reason,
    /// Wall time of the last reading, when known.
    pub read_at: Option<Timestamp>,
    /// Age of the last usable reading.
    pub age: Option<Span>,
}

/// One vessel now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct VesselView {
    /// Text id.
    pub id: Id,
    /// Its mode.
    pub mode: Id,
    /// Mass, kg; none when nothing can be said.
    pub mass_kg: Option<f64>,
    /// Standard uncertainty, kg.
    pub std_kg: Option<f64>,
    /// Liquid part of the mass, kg, for a bath.
    pub liquid_kg: Option<f64>,
    /// Level above the lowest inside point, m, for a bath.
    pub level_m: Option<f64>,
    /// Pressure used, Pa absolute.
    pub pressure_pa: Option<f64>,
    /// Temperature used, K.
    pub temperature_k: Option<f64>,
    /// Density of the liquid or of the single phase, kg/m3.
    pub density_kg_m3: Option<f64>,
    /// Quality.
    pub quality: Quality,
    /// Why not plainly good.
    pub reason: Reason,
}

/// One line now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LineView {
    /// Text id.
    pub id: Id,
    /// Whether helium can pass.
    pub passage: Passage,
    /// Metered flow, kg/s.
    pub flow_kg_per_s: Option<f64>,
    /// Standard uncertainty of the metered flow, kg/s.
    pub flow_std_kg_per_s: Option<f64>,
}

/// One alarm now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmView {
    /// Text id.
    pub id: Id,
    /// Alarm or alert.
    pub class: AlarmClass,
    /// How urgent.
    pub priority: Priority,
    /// State.
    pub state: AlarmState,
    /// When its cause appeared; for a normal one, since when it is normal.
    pub since: Option<Timestamp>,
    /// How long ago, by the monotonic clock.
    pub age: Option<Span>,
    /// What was measured when it was raised, with unit.
    pub detail: String,
    /// Who acknowledged, shelved or took it out of service.
    pub actor: Option<String>,
    /// A shelved alarm comes back at this time.
    pub shelved_until: Option<Timestamp>,
}

/// One ledger entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LedgerView {
    /// Text id.
    pub id: Id,
    /// Position of the event that entered it; 0 for one of the description.
    pub entered_seq: u64,
    /// When it was entered.
    pub entered_at: Option<Timestamp>,
    /// When the helium began to move.
    pub effective_at: Timestamp,
    /// Over how long.
    pub over: Span,
    /// Kind in words.
    pub kind: String,
    /// Signed mass, kg: positive came in.
    pub mass_kg: f64,
    /// Standard uncertainty, kg.
    pub std_kg: f64,
    /// Who.
    pub author: String,
    /// In words.
    pub note: String,
    /// The section concerned, when known.
    pub section: Option<Id>,
    /// The entry that replaced it.
    pub superseded_by: Option<Id>,
}

/// A share of the variance of the plant's inventory.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BudgetShare {
    /// Channel or shared source.
    pub source: Id,
    /// Standard uncertainty that it brings, kg.
    pub std_kg: f64,
    /// Share of the variance, 0 to 1.
    pub share: f64,
}

/// One device now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeviceView {
    /// Text id.
    pub id: Id,
    /// Whether its last poll was answered.
    pub answers: bool,
    /// Why not, in words.
    pub fault: String,
    /// Polls answered since the engine was made.
    pub good_polls: u64,
    /// Polls that failed since the engine was made.
    pub failed_polls: u64,
    /// Wall time of the last answer.
    pub last_answer: Option<Timestamp>,
}
