//! The plant as checked: it can hold only what is right.
//!
//! [`super::load()`] makes it from the files of a description and collects every problem on the way.
//! Things refer to each other by index newtypes into the vectors of [`Plant`]; text ids stay with
//! each thing, since ids (not positions) survive a change of description.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::instrument::chain::Chain;
use crate::instrument::flow::{Constriction, Totaliser};
use crate::instrument::level::{CapacitanceProbe, Strapping};
use crate::instrument::uncertainty::ChannelUncertainty;
use crate::quantity::{
    AbsolutePressure, Fraction, GroupIx, Length, Mass, MassFlow, QuantityKind, Si, Temperature,
    Unit, Volume,
};
use crate::time::{Span, Timestamp};

use super::magnets::{CoolDownIx, MagnetIx, Magnets};

/// A text id from the description; cheap to clone.
pub type Id = Arc<str>;

macro_rules! index {
    ($($(#[$doc:meta])* $name:ident => $field:ident: $of:ident;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub u32);

        impl $name {
            /// As a position in its vector.
            #[must_use]
            pub fn index(self) -> usize {
                self.0 as usize
            }
        }

        impl Plant {
            #[doc = concat!("The thing at that index, if it is of this plant (see [`", stringify!($name), "`]).")]
            #[must_use]
            pub fn $field(&self, ix: $name) -> Option<&$of> {
                self.all.$field.get(ix.index())
            }
        }
    )*};
}

index! {
    /// Position of a device.
    DeviceIx => device: Device;
    /// Position of a channel.
    ChannelIx => channel: Channel;
    /// Position of a vessel.
    VesselIx => vessel: Vessel;
    /// Position of a section.
    SectionIx => section: Section;
    /// Position of a line.
    LineIx => line: Line;
}

/// The things of a plant, each kind in the order of the description.
#[derive(Debug, Clone, Default)]
pub struct Things {
    /// Modbus servers.
    pub device: Vec<Device>,
    /// Sensors as configured.
    pub channel: Vec<Channel>,
    /// Volumes that hold helium.
    pub vessel: Vec<Vessel>,
    /// Control volumes of the balance.
    pub section: Vec<Section>,
    /// Paths between sections, or between a section and the outside.
    pub line: Vec<Line>,
}

/// A whole plant description, checked.
#[derive(Debug, Clone)]
pub struct Plant {
    /// The place and what holds for all of it.
    pub site: Site,
    /// Devices, channels, vessels, sections and lines.
    pub all: Things,
    /// Shared sources of error, addressed by [`crate::quantity::GroupIx`].
    pub groups: Vec<Group>,
    /// Magnets, joints, leads, cool-downs and what is watched in baths.
    pub magnets: Magnets,
    /// Alarms and alerts.
    pub alarms: Vec<AlarmRule>,
    /// Ledger entries that the description begins with.
    pub ledger_seed: Vec<Booking>,
    /// What is delivered where.
    pub deliveries: Deliveries,
    /// Settings of the pages.
    pub console: Console,
    /// Halls whose oxygen is watched.
    pub halls: Vec<Hall>,
    /// Hash of the description's texts.
    pub hash: DescriptionHash,
}

/// SHA-256 over the description's file names and texts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DescriptionHash(pub [u8; 32]);

impl std::fmt::Display for DescriptionHash {
    /// The first twelve hexadecimal digits: enough to tell descriptions apart on a page.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0
            .iter()
            .take(6)
            .try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

/// A value stated by a person, with its standard uncertainty in SI.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Stated<Q> {
    /// The value.
    pub value: Q,
    /// Standard uncertainty (k = 1), SI.
    pub std: f64,
}

/// The place and what holds for all of it.
#[derive(Debug, Clone)]
pub struct Site {
    /// Short text id, used in topics and series.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// IANA name of the time zone that pages show.
    pub time_zone: String,
    /// Helium that this plant is known to lose, with uncertainty; the excess over it matters.
    pub accepted_loss: Stated<MassFlow>,
    /// The barometer's channel.
    pub barometer: Option<ChannelIx>,
    /// Air pressure assumed while there is no usable barometer reading.
    pub air_pressure: Stated<AbsolutePressure>,
    /// Gas that all baths together give off, where it is stated for the whole site.
    pub boil_off: Option<Stated<MassFlow>>,
    /// False alerts of excess loss that the engineer accepts, per year, of the plant and all its areas
    /// together.
    pub false_alerts_per_year: f64,
    /// What a kilogram costs, if the report should say so: number and currency.
    pub helium_price_per_kg: Option<(f64, String)>,
    /// Whom to call, and where the site's own rules are; shown with every caution.
    pub local_rules: String,
}

/// How a device is reached.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Link {
    /// Modbus TCP.
    Tcp {
        /// Host name or address.
        host: String,
        /// TCP port, usually 502.
        port: u16,
    },
}

/// A Modbus server that is read.
#[derive(Debug, Clone)]
pub struct Device {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// How it is reached.
    pub link: Link,
    /// Modbus unit identifier.
    pub unit_id: u8,
    /// A request without a whole answer in this time has failed.
    pub timeout: Span,
    /// Unused registers that may be read along to merge two reads into one.
    pub gap_limit: u16,
}

/// Which table of registers; both are only ever read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum RegisterTable {
    /// Read by function 3.
    Holding,
    /// Read by function 4.
    Input,
}

impl RegisterTable {
    /// The Modbus function code that reads it.
    #[must_use]
    pub fn function(self) -> u8 {
        match self {
            Self::Holding => 3,
            Self::Input => 4,
        }
    }
}

/// One sensor as configured.
#[derive(Debug, Clone)]
pub struct Channel {
    /// Text id, as on the drawing: `S1-TT-101`.
    pub id: Id,
    /// What it measures, in words.
    pub name: String,
    /// What it is, in words: "thin-film resistance sensor".
    pub instrument: String,
    /// The section it belongs to, for pages.
    pub section: Option<SectionIx>,
    /// The device that serves it.
    pub device: DeviceIx,
    /// Table of registers.
    pub table: RegisterTable,
    /// First register, counted from 0 as on the wire.
    pub address: u16,
    /// From registers to the SI value.
    pub chain: Chain,
    /// What the value is.
    pub kind: QuantityKind,
    /// Unit for people.
    pub unit: &'static Unit,
    /// Lowest and highest value that is believed, SI; the ends are accepted.
    pub range: (f64, f64),
    /// Independent and shared parts of the uncertainty.
    pub uncertainty: ChannelUncertainty,
    /// How often it is read.
    pub interval: Span,
    /// A value older than this is stale.
    pub stale_after: Span,
    /// A pulsed measurement is held this long between pulses.
    pub hold: Option<Span>,
    /// The calibration is valid to here.
    pub calibration_valid_to: Option<Timestamp>,
    /// The channel of a thermocouple's reference junction.
    pub cold_junction: Option<ChannelIx>,
    /// A channel that should read the same; both are uncertain while they differ by more than three
    /// standard uncertainties of their difference.
    pub agrees_with: Option<ChannelIx>,
}

impl Channel {
    /// Registers it occupies.
    #[must_use]
    pub fn words(&self) -> u16 {
        self.chain.format.words()
    }
}

/// A shared source of error.
#[derive(Debug, Clone)]
pub struct Group {
    /// Text id: a channel's own id, or a name that several channels use.
    pub id: Id,
    /// How it behaves in time.
    pub behaviour: Behaviour,
}

/// How a shared error behaves in time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Behaviour {
    /// The same for weeks: cancels in the difference of two inventories.
    Constant,
    /// Forgotten over this time (thermometer lag, sun, stratification).
    Correlated {
        /// Correlation time.
        time: Span,
    },
}

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

/// A hall with helium in it and people.
#[derive(Debug, Clone)]
pub struct Hall {
    /// Text id.
    pub id: Id,
    /// Name as people say it.
    pub name: String,
    /// Its volume and its fan.
    pub air: crate::air::Hall,
    /// Its oxygen monitors; never empty.
    pub oxygen: Vec<OxygenMonitor>,
    /// Sections whose vessels stand in it.
    pub sections: Vec<SectionIx>,
}

/// An oxygen monitor of a hall.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OxygenMonitor {
    /// The channel (a fraction).
    pub channel: ChannelIx,
    /// What it responds to.
    pub scale: crate::instrument::oxygen::OxygenScale,
}

/// What crossed the plant boundary.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BookingKind {
    /// Helium received.
    Delivery,
    /// Helium handed out for good.
    Dispatch,
    /// Helium vented and measured.
    MeteredVent,
    /// Helium used to purge.
    Purge,
    /// A portable vessel left with a user.
    LoanOut,
    /// A portable vessel came back.
    LoanBack,
    /// A correction of the books; its sign is that of the mass.
    Correction,
}

impl BookingKind {
    /// +1 when the mass entered the plant, -1 when it left.
    #[must_use]
    pub fn sign(self) -> f64 {
        match self {
            Self::Delivery | Self::LoanBack | Self::Correction => 1.0,
            Self::Dispatch | Self::MeteredVent | Self::Purge | Self::LoanOut => -1.0,
        }
    }

    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Delivery => "delivery",
            Self::Dispatch => "dispatch",
            Self::MeteredVent => "metered vent",
            Self::Purge => "purge",
            Self::LoanOut => "loan out",
            Self::LoanBack => "loan back",
            Self::Correction => "correction",
        }
    }

    /// All kinds, in the order of declaration.
    pub const ALL: [Self; 7] = [
        Self::Delivery,
        Self::Dispatch,
        Self::MeteredVent,
        Self::Purge,
        Self::LoanOut,
        Self::LoanBack,
        Self::Correction,
    ];
}

/// A dated entry of helium that crossed the plant boundary.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Booking {
    /// When the helium began to cross the boundary.
    pub effective_at: Timestamp,
    /// How long it took; the mass is spread evenly over it.
    pub over: Span,
    /// What it was.
    pub kind: BookingKind,
    /// How much, kg; positive but for a correction.
    pub mass: Stated<Mass>,
    /// Who says so.
    pub author: String,
    /// In words.
    pub note: String,
    /// The section concerned, when known.
    pub section: Option<Id>,
}

/// Whether a person must act in time (alarm) or should look into it (alert), as IEC 62682 tells them apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmClass {
    /// Needs a timely operator response.
    Alarm,
    /// For the engineer; no timely response is needed.
    Alert,
}

/// How urgent an alarm is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Priority {
    /// Act now.
    High,
    /// Act soon.
    Medium,
    /// Act within the shift.
    Low,
}

/// Which way a limit is crossed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// Above, or rising.
    Up,
    /// Below, or falling.
    Down,
}

/// What part of the plant a figure is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// All of it: the first and firmest figure.
    Plant,
    /// One section.
    Section(SectionIx),
}

/// What raises an alarm. Limits and deadbands are in SI.
#[derive(Debug, Clone, PartialEq)]
pub enum AlarmSource {
    /// A channel beyond a limit; it returns when the deadband is passed.
    Limit {
        /// The channel.
        channel: ChannelIx,
        /// Above or below.
        direction: Direction,
        /// The limit, SI.
        limit: f64,
        /// How far back inside it must come, SI difference.
        deadband: f64,
    },
    /// A channel changing faster than a limit.
    RateOfChange {
        /// The channel.
        channel: ChannelIx,
        /// Rising or falling.
        direction: Direction,
        /// SI per second, positive.
        limit_per_s: f64,
        /// Measured over this time.
        over: Span,
    },
    /// Any of these channels bad or stale.
    NotUsable {
        /// The channels.
        channels: Vec<ChannelIx>,
    },
    /// Channels that should read alike differ from their median by more than a limit.
    Disagreement {
        /// The channels; at least three, or two.
        channels: Vec<ChannelIx>,
        /// Largest difference from the median, SI difference.
        limit: f64,
        /// Only while each of these lines is open.
        while_open: Vec<LineIx>,
    },
    /// A vessel's helium mass beyond a limit.
    VesselMass {
        /// The vessel.
        vessel: VesselIx,
        /// Above or below.
        direction: Direction,
        /// kg.
        limit: f64,
        /// kg.
        deadband: f64,
    },
    /// More helium is being lost than accepted, as the sequential test of the loss decides.
    ExcessLoss {
        /// Of what.
        scope: Scope,
    },
    /// More unaccounted loss over a window than a limit and than its own decision threshold.
    UnaccountedLoss {
        /// Of what.
        scope: Scope,
        /// Over how long.
        over: Span,
        /// kg.
        limit: f64,
    },
    /// A magnet's temperature margin below a limit, or lost.
    Margin {
        /// The magnet.
        magnet: MagnetIx,
        /// K.
        limit: f64,
        /// K.
        deadband: f64,
    },
    /// A bath that reaches its low level, by its trend, in less than a time.
    TimeUntilLow {
        /// The vessel, a bath with a low level.
        vessel: VesselIx,
        /// s.
        limit: f64,
        /// s.
        deadband: f64,
    },
    /// The ends of a cold mass further apart than its stated limit.
    Gradient {
        /// The cool-down.
        cool_down: CoolDownIx,
        /// K.
        deadband: f64,
    },
    /// Less time than this until gas must be vented if the compressors stop now.
    RoomLeft {
        /// The limit; it returns once a fifth more is left.
        below: Span,
    },
    /// A device does not answer.
    DeviceLost {
        /// The device.
        device: DeviceIx,
    },
}

/// An alarm or alert as configured; none is without cause, consequence, response and time.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmRule {
    /// Text id.
    pub id: Id,
    /// Short message.
    pub name: String,
    /// Alarm or alert.
    pub class: AlarmClass,
    /// How urgent.
    pub priority: Priority,
    /// What raises it.
    pub source: AlarmSource,
    /// The condition must hold this long.
    pub on_delay: Span,
    /// The condition must be gone this long.
    pub off_delay: Span,
    /// What has probably happened.
    pub cause: String,
    /// What follows when nothing is done.
    pub consequence: String,
    /// What the person should do.
    pub response: String,
    /// How long there is.
    pub time_to_respond: Span,
    /// The hazard to people.
    pub caution: String,
    /// The section concerned, for pages.
    pub section: Option<SectionIx>,
}

/// Which channels a delivery carries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Selection {
    /// Every channel.
    All,
    /// None.
    None,
    /// These.
    Channels(Vec<ChannelIx>),
}

/// What one destination is given.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Delivery {
    /// Channels whose measured values are sent.
    pub channels: Selection,
    /// At most one value per channel in this time.
    pub every: Span,
    /// Inventories of vessels, sections and plant.
    pub inventory: bool,
    /// Loss figures.
    pub losses: bool,
    /// Alarm transitions and ledger entries.
    pub alarms: bool,
}

/// What is delivered where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Deliveries {
    /// To the message broker.
    pub mqtt: Delivery,
    /// First levels of every topic.
    pub topic_root: String,
    /// To the time-series store.
    pub series: Delivery,
}

/// Settings of the pages.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Console {
    /// Heading of every page.
    pub title: String,
    /// Unit in which loss rates are shown.
    pub loss_unit: String,
    /// Channels that the Channels page shows first.
    pub pinned: Vec<ChannelIx>,
}

impl Plant {
    /// The channel of that id.
    #[must_use]
    pub fn channel_by_id(&self, id: &str) -> Option<(ChannelIx, &Channel)> {
        numbered(&self.all.channel)
            .find(|(_, channel)| &*channel.id == id)
            .map(|(ix, c)| (ChannelIx(ix), c))
    }

    /// The vessel of that id.
    #[must_use]
    pub fn vessel_by_id(&self, id: &str) -> Option<(VesselIx, &Vessel)> {
        numbered(&self.all.vessel)
            .find(|(_, vessel)| &*vessel.id == id)
            .map(|(ix, v)| (VesselIx(ix), v))
    }

    /// The section of that id.
    #[must_use]
    pub fn section_by_id(&self, id: &str) -> Option<(SectionIx, &Section)> {
        numbered(&self.all.section)
            .find(|(_, section)| &*section.id == id)
            .map(|(ix, s)| (SectionIx(ix), s))
    }

    /// The line of that id.
    #[must_use]
    pub fn line_by_id(&self, id: &str) -> Option<(LineIx, &Line)> {
        numbered(&self.all.line)
            .find(|(_, line)| &*line.id == id)
            .map(|(ix, l)| (LineIx(ix), l))
    }

    /// The device of that id.
    #[must_use]
    pub fn device_by_id(&self, id: &str) -> Option<(DeviceIx, &Device)> {
        numbered(&self.all.device)
            .find(|(_, device)| &*device.id == id)
            .map(|(ix, d)| (DeviceIx(ix), d))
    }

    /// The SI value of a channel in its unit for people, with digits fitting its uncertainty.
    #[must_use]
    pub fn show(&self, ix: ChannelIx, value: Si, std: f64) -> String {
        self.channel(ix)
            .map_or_else(String::new, |channel| channel.unit.format(value.0, std))
    }
}

fn numbered<T>(things: &[T]) -> impl Iterator<Item = (u32, &T)> {
    (0u32..).zip(things)
}
