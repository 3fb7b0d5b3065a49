//! What the description says of superconducting magnets: conductors, magnets, joints, current
//! leads, cool-downs, and what is watched in a bath.

use serde::{Deserialize, Serialize};

use super::model::{ChannelIx, Id, SectionIx, Stated, VesselIx};
use crate::magnet::{CriticalSurface, Figure, Strand};
use crate::quantity::{
    Length, MassFlow, Power, Resistance, Temperature, TemperatureDifference, Voltage,
};
use crate::time::Span;

/// Everything that the description says of magnets, each kind in its order.
#[derive(Debug, Clone, Default)]
pub struct Magnets {
    /// Conductors.
    pub conductors: Vec<Conductor>,
    /// Magnets.
    pub magnets: Vec<Magnet>,
    /// Joints.
    pub joints: Vec<Joint>,
    /// Current leads.
    pub leads: Vec<CurrentLead>,
    /// Cold masses that are cooled down and warmed up.
    pub cool_downs: Vec<CoolDown>,
    /// Baths whose heat load or endurance is watched.
    pub baths: Vec<BathWatch>,
}

/// Position of a magnet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct MagnetIx(pub u32);

/// Position of a cool-down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct CoolDownIx(pub u32);

impl MagnetIx {
    /// As a position in its vector.
    #[must_use]
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

impl CoolDownIx {
    /// As a position in its vector.
    #[must_use]
    pub fn index(self) -> usize {
        self.0 as usize
    }
}

/// A superconductor, by the data of its strand.
#[derive(Debug, Clone)]
pub struct Conductor {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// Its critical surface.
    pub surface: CriticalSurface,
    /// Superconductor of one strand.
    pub strand: Strand,
    /// Strands that share the current evenly.
    pub strands: u32,
    /// Standard uncertainty of the critical current, as a part of it.
    pub critical_current_std: f64,
}

/// A magnet.
#[derive(Debug, Clone)]
pub struct Magnet {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// The section it belongs to.
    pub section: SectionIx,
    /// Position of its conductor in [`Magnets::conductors`].
    pub conductor: usize,
    /// Channel of its current.
    pub current: ChannelIx,
    /// Peak field on the conductor per ampere, T/A.
    pub load_line_t_per_a: Figure,
    /// Thermometers; the warmest counts.
    pub temperatures: Vec<ChannelIx>,
    /// The bath it stands in; its temperature counts where no thermometer is usable.
    pub bath: Option<VesselIx>,
}

/// A joint, or several in a row behind one pair of voltage taps.
#[derive(Debug, Clone)]
pub struct Joint {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// The section it belongs to.
    pub section: SectionIx,
    /// Channel of the voltage.
    pub voltage: ChannelIx,
    /// Channel of the current.
    pub current: ChannelIx,
    /// Voltage at no current, as it was last found: offset and thermal voltage.
    pub zero: Stated<Voltage>,
    /// Smallest step of voltage that the converter tells.
    pub resolution: Voltage,
    /// Resistance that is to be seen.
    pub wanted: Resistance,
}

/// Which end of a lead a thermometer is at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LeadEndName {
    /// At room temperature.
    Warm,
    /// At the cold mass or the shield.
    Cold,
}

/// The thermometer of a lead, with its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeadThermometer {
    /// The channel.
    pub channel: ChannelIx,
    /// Where it is.
    pub end: LeadEndName,
    /// Lowest that is well.
    pub low: Temperature,
    /// Highest that is well.
    pub high: Temperature,
}

/// The cooling flow of a lead, with what it needs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeadGas {
    /// Channel of the mass flow.
    pub flow: ChannelIx,
    /// Need, kg/s per A.
    pub need_kg_per_s_per_a: f64,
    /// Need at rest.
    pub at_rest: MassFlow,
}

/// A current lead.
#[derive(Debug, Clone)]
pub struct CurrentLead {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// The section it belongs to.
    pub section: SectionIx,
    /// Channel of the current.
    pub current: ChannelIx,
    /// Its thermometer.
    pub thermometer: Option<LeadThermometer>,
    /// Its cooling flow.
    pub gas: Option<LeadGas>,
}

/// A cold mass with a thermometer at each end.
#[derive(Debug, Clone)]
pub struct CoolDown {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// The section it belongs to.
    pub section: SectionIx,
    /// Thermometer at the end where the helium comes in.
    pub start: ChannelIx,
    /// Thermometer at the other end.
    pub end: ChannelIx,
    /// Largest difference between the ends.
    pub gradient_limit: TemperatureDifference,
    /// Where it is to end.
    pub target: Temperature,
    /// Counts as reached within this.
    pub within: TemperatureDifference,
    /// Debye temperature of the mass, where it is stated.
    pub debye: Option<Temperature>,
    /// The rate is taken over this time.
    pub over: Span,
}

/// What is watched in a bath.
#[derive(Debug, Clone)]
pub struct BathWatch {
    /// The vessel, a bath.
    pub vessel: VesselIx,
    /// Channel of the flow through its vent: all that leaves it.
    pub vent: Option<ChannelIx>,
    /// Lowest level that is allowed, above the lowest inside point.
    pub low_level: Option<Length>,
    /// Heat load as stated, for when it is not measured.
    pub heat_load: Option<Stated<Power>>,
    /// Valve through which it is filled, and the value above which that is open; while it is, the
    /// fall of the liquid says nothing of the heat load.
    pub supply: Option<(ChannelIx, f64)>,
}

impl Magnets {
    /// The magnet at that position.
    #[must_use]
    pub fn magnet(&self, ix: MagnetIx) -> Option<&Magnet> {
        self.magnets.get(ix.index())
    }

    /// The cool-down at that position.
    #[must_use]
    pub fn cool_down(&self, ix: CoolDownIx) -> Option<&CoolDown> {
        self.cool_downs.get(ix.index())
    }

    /// Whether nothing is said of magnets.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.magnets.is_empty()
            && self.joints.is_empty()
            && self.leads.is_empty()
            && self.cool_downs.is_empty()
            && self.baths.is_empty()
    }
}
