//! Lines: ways of helium between sections, whether they pass, and what meters them.

use serde::{Deserialize, Serialize};

use super::{ChannelIx, Id, PressureSource, PuritySource, SectionIx, TemperatureSource};
use crate::instrument::flow::{Constriction, Totaliser};
use crate::quantity::GroupIx;

/// One end of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum End {
    /// Ends in a section.
    Section(SectionIx),
    /// Leaves the plant.
    Outside,
}

/// Whether helium can pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Passage {
    /// Open.
    Open,
    /// Shut.
    Shut,
    /// Not known.
    Unknown,
}

/// Where the state of a line comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum PassageSource {
    /// A person says so; this is what the description begins with.
    Person(Passage),
    /// A channel: open when its value is above the limit.
    Channel {
        /// Valve position or contact.
        channel: ChannelIx,
        /// Open above this value, SI.
        open_above: f64,
    },
}

/// A path between two sections, or between a section and the outside.
#[derive(Debug, Clone)]
pub struct Line {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// Upstream end.
    pub from: End,
    /// Downstream end.
    pub to: End,
    /// Whether helium can pass.
    pub passage: PassageSource,
    /// What tells its flow, when metered ([`crate::balance::meter::meter_flow`]).
    pub meter: Option<Meter>,
}

/// What tells the flow of a line, and the sources of error that are its own.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    /// How the flow is told.
    pub form: MeterForm,
    /// Fraction of the amount of substance that is helium; all of it, when not given.
    pub purity: Option<PuritySource>,
    /// Sources of error of the numbers that a person stated about the meter.
    pub groups: MeterGroups,
}

/// How the flow of a line is told.
#[derive(Debug, Clone, PartialEq)]
pub enum MeterForm {
    /// A channel that is a mass flow.
    MassFlow(ChannelIx),
    /// An orifice plate or a venturi tube between its channels.
    Constriction(ConstrictionMeter),
    /// A counter of what has passed.
    Totaliser(TotaliserMeter),
}

/// An orifice plate or a venturi tube between its channels.
#[derive(Debug, Clone, PartialEq)]
pub struct ConstrictionMeter {
    /// The device with its dimensions at the flowing temperature.
    pub device: Constriction,
    /// Standard uncertainty of the bore or throat, m.
    pub throat_std_m: f64,
    /// Standard uncertainty of the pipe, m.
    pub pipe_std_m: f64,
    /// Pressure before the device less that behind it.
    pub pressure_difference: ChannelIx,
    /// Pressure before the device.
    pub pressure: PressureSource,
    /// Temperature before the device.
    pub temperature: TemperatureSource,
}

/// A counter of what has passed.
#[derive(Debug, Clone, PartialEq)]
pub struct TotaliserMeter {
    /// The channel of the count (a plain number).
    pub count: ChannelIx,
    /// kg per count, where it rolls over; the largest step follows from `largest_flow`.
    pub counter: Totaliser,
    /// Standard uncertainty of what a count is worth, kg.
    pub per_count_std: f64,
    /// More than this cannot pass, kg/s.
    pub largest_flow: f64,
}

/// Sources of error of a meter, beside those of its channels: each the same for as long as the
/// meter stays as it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MeterGroups {
    /// The device: discharge coefficient and expansibility, or what a count is worth.
    pub device: GroupIx,
    /// Bore or throat.
    pub throat: GroupIx,
    /// Pipe.
    pub pipe: GroupIx,
    /// A temperature that a person stated.
    pub temperature: GroupIx,
    /// A helium fraction that a person stated.
    pub purity: GroupIx,
    /// Density of the gas from the model.
    pub model: GroupIx,
    /// The stated pressure of the air, while no barometer tells it.
    pub air: GroupIx,
}
