//! The plant as checked: it can hold only what is right.
//!
//! [`super::load()`] makes it from the files of a description and collects every problem on the way.
//! Things refer to each other by index newtypes into the vectors of [`Plant`]; text ids stay with
//! each thing, since ids (not positions) survive a change of description.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::instrument::chain::Chain;
use crate::instrument::level::Strapping;
use crate::instrument::uncertainty::ChannelUncertainty;
use crate::quantity::{
    AbsolutePressure, Fraction, Length, Mass, MassFlow, QuantityKind, Si, Temperature, Unit, Volume,
};
use crate::time::{Span, Timestamp};

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
    /// Alarms and alerts.
    pub alarms: Vec<AlarmRule>,
    /// Ledger entries that the description begins with.
    pub ledger_seed: Vec<Booking>,
    /// What is delivered where.
    pub deliveries: Deliveries,
    /// Settings of the pages.
    pub console: Console,
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
    /// False alerts of excess loss that the engineer accepts, per year.
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
    },
    /// A channel that gives the difference of pressure between bottom and top tap.
    DifferentialPressure {
        /// The channel (a pressure difference).
        channel: ChannelIx,
        /// Height of the bottom tap above the lowest inside point.
        bottom_tap: Length,
        /// Height of the top tap above the lowest inside point.
        top_tap: Length,
    },
    /// A channel that gives the liquid's volume, as level controllers with a vessel table do.
    Volume {
        /// The channel (a volume).
        channel: ChannelIx,
    },
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
    /// The vacuum around it, where a gauge watches it.
    pub insulation_vacuum: Option<InsulationVacuum>,
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
    /// Mass flow channel, when metered.
    pub meter: Option<ChannelIx>,
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
