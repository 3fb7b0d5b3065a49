//! Vessels and sections: where helium is, and what tells how much.

use serde::{Deserialize, Serialize};

use super::{ChannelIx, Id, SectionIx, Stated, VesselIx};
use crate::instrument::level::{CapacitanceProbe, Strapping};
use crate::quantity::{AbsolutePressure, Fraction, Length, Mass, MassFlow, Temperature, Volume};

/// Where the pressure of a vessel comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum PressureSource {
    /// A channel; a gauge reading is made absolute with the barometer.
    Channel(ChannelIx),
    /// The surrounding air plus a stated overpressure in Pa (an open bag, a vented line).
    Air {
        /// Overpressure, Pa.
        over_pa: f64,
    },
}

/// Where a temperature comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum TemperatureSource {
    /// A channel.
    Channel(ChannelIx),
    /// Stated by a person.
    Stated(Stated<Temperature>),
}

/// Where a level comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum LevelSource {
    /// A channel that gives a height above the vessel's lowest inside point.
    Height {
        /// The channel (a length).
        channel: ChannelIx,
        /// Height of the probe's lower end above the lowest inside point.
        bottom: Length,
        /// How much it reads high below the lambda line, where a film climbs the wire.
        superfluid_bias: Option<Stated<Length>>,
    },
    /// A channel that gives the difference of pressure between bottom and top tap.
    DifferentialPressure {
        /// The channel (a pressure difference).
        channel: ChannelIx,
        /// Height of the bottom tap above the lowest inside point.
        bottom_tap: Length,
        /// Height of the top tap above the lowest inside point.
        top_tap: Length,
        /// Temperature of the helium gas that fills the lines to the transmitter at the bath's
        /// pressure; none when they weigh nothing (evacuated, or their weight zeroed away).
        lines: Option<Stated<Temperature>>,
    },
    /// A channel that gives the liquid's volume, as level controllers with a vessel table do.
    Volume {
        /// The channel (a volume).
        channel: ChannelIx,
    },
    /// A channel that gives the capacitance of a probe.
    Capacitance {
        /// The channel (a capacitance).
        channel: ChannelIx,
        /// The probe.
        probe: CapacitanceProbe,
        /// Standard uncertainty of its capacitance in vacuum, F.
        empty_std_f: f64,
        /// Standard uncertainty of the capacitance of leads and ends, F.
        stray_std_f: f64,
    },
}

/// Liquid that is colder at the bottom than at its surface.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Stratified {
    /// Temperature at the lowest inside point.
    pub bottom: TemperatureSource,
    /// Temperature at the surface.
    pub surface: TemperatureSource,
    /// Height above the lowest inside point where the colder layer ends and the warmer begins;
    /// without it the temperature rises evenly from bottom to surface.
    pub interface: Option<Stated<Length>>,
}

/// In what state a liquid is; decided by the description, never by noise.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum LiquidState {
    /// On the saturation line at the bath's pressure.
    Saturated,
    /// Pressurised: density from pressure and this temperature.
    Subcooled(TemperatureSource),
    /// A pumped bath, saturated at this temperature, which may lie on either side of the lambda line.
    Pumped(TemperatureSource),
    /// Pressurised and layered: density from pressure and two temperatures.
    Stratified(Stratified),
}

/// In what state the vapour above a liquid is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum VapourState {
    /// On the saturation line at the bath's pressure.
    Saturated,
    /// Warmer than saturation: density from pressure and this temperature.
    Superheated(TemperatureSource),
}

/// What a vessel holds and how that is measured.
#[derive(Debug, Clone)]
#[expect(
    clippy::large_enum_variant,
    reason = "a plant has tens of vessels; boxing would only add an indirection"
)]
pub enum Contents {
    /// One phase filling a volume: a gas tank, a cylinder bank, a supply line.
    Fluid {
        /// Inside volume.
        volume: Stated<Volume>,
        /// Pressure.
        pressure: PressureSource,
        /// Temperature.
        temperature: TemperatureSource,
        /// Fraction of the amount of substance that is helium; the rest counts as nitrogen-like air.
        purity: Option<PuritySource>,
    },
    /// Liquid with vapour above it.
    Bath {
        /// Liquid volume against height; its total is the inside volume.
        strapping: Strapping,
        /// Standard uncertainty of the inside volume.
        volume_std: f64,
        /// Level.
        level: LevelSource,
        /// Pressure of the vapour.
        pressure: PressureSource,
        /// State of the liquid.
        liquid: LiquidState,
        /// State of the vapour.
        vapour: VapourState,
    },
    /// A gas bag near the pressure of the surrounding air.
    Bag {
        /// Channel of the gas volume.
        volume: ChannelIx,
        /// Overpressure of the bag, Pa.
        over_pa: f64,
        /// Temperature.
        temperature: TemperatureSource,
        /// Fraction of helium.
        purity: Option<PuritySource>,
    },
    /// Helium without sensors (cold box, exchangers, pipes): the mass that the mode states.
    Unmeasured,
}

/// Where the helium fraction of a recovery gas comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum PuritySource {
    /// A channel (a fraction).
    Channel(ChannelIx),
    /// Stated by a person.
    Stated(Stated<Fraction>),
}

/// A way a vessel is run, and the helium it then holds outside its measured contents.
#[derive(Debug, Clone)]
pub struct Mode {
    /// Text id: `in-use`, `isolated`, `warm`, `pumped`, `regenerating`.
    pub id: Id,
    /// Helium held up in this mode beside the measured contents.
    pub holdup: Stated<Mass>,
    /// Whether the measured contents count in this mode.
    pub counts_contents: bool,
}

/// A volume that holds helium.
#[derive(Debug, Clone)]
pub struct Vessel {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// The section it belongs to.
    pub section: SectionIx,
    /// What it holds and how that is measured.
    pub contents: Contents,
    /// Its modes; never empty.
    pub modes: Vec<Mode>,
    /// Position in `modes` that the description begins with.
    pub first_mode: usize,
    /// A channel whose code says the mode: channel, then (code, position in `modes`).
    pub mode_channel: Option<(ChannelIx, Vec<(i64, usize)>)>,
    /// Stands in the weather: its gas follows the day.
    pub outdoors: bool,
    /// Where a gas store is full.
    pub full_at: Option<FullAt>,
    /// Gas that a bath gives off while nothing is done to it.
    pub boil_off: Option<Stated<MassFlow>>,
    /// The vacuum around it, where a gauge watches it.
    pub insulation_vacuum: Option<InsulationVacuum>,
}

/// Where a gas store is full: what its relief valve or its people let it come to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FullAt {
    /// A tank or a cylinder bank, at this pressure.
    Pressure(AbsolutePressure),
    /// A bag, at this volume.
    Volume(Volume),
}

/// An evacuated space around a cold vessel. While it stands, no loss that matters goes into it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InsulationVacuum {
    /// Its gauge (an absolute pressure).
    pub channel: ChannelIx,
    /// The evacuated volume.
    pub volume: Stated<Volume>,
}

/// A control volume of the balance.
#[derive(Debug, Clone)]
pub struct Section {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// Its vessels.
    pub vessels: Vec<VesselIx>,
}
