//! The plant as checked: it can hold only what is right.
//!
//! [`super::load()`] makes it from the files of a description and collects every problem on the way.
//! Things refer to each other by index newtypes into the vectors of [`Plant`]; text ids stay with
//! each thing, since ids (not positions) survive a change of description.

mod alarm;
mod booking;
mod channel;
mod delivery;
mod device;
mod hall;
mod line;
mod vessel;

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::plant::magnets::Magnets;
use crate::quantity::{AbsolutePressure, MassFlow, Si};

pub use alarm::{AlarmClass, AlarmRule, AlarmSource, Direction, Priority, Scope};
pub use booking::{Booking, BookingKind};
pub use channel::{Behaviour, Channel, Group};
pub use delivery::{Console, Deliveries, Delivery, Selection};
pub use device::{Device, Link, RegisterTable};
pub use hall::{Hall, OxygenMonitor};
pub use line::{
    ConstrictionMeter, End, Line, Meter, MeterForm, MeterGroups, Passage, PassageSource,
    TotaliserMeter,
};
pub use vessel::{
    Contents, FullAt, InsulationVacuum, LevelSource, LiquidState, Mode, PressureSource,
    PuritySource, Section, Stratified, TemperatureSource, VapourState, Vessel,
};

/// A text id from the description; cheap to clone.
pub type Id = Arc<str>;

macro_rules! index {
    ($($(#[$doc:meta])* $name:ident => $field:ident, $by_id:ident: $of:ident;)*) => {$(
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

            #[doc = concat!("The ", stringify!($field), " of that id.")]
            #[must_use]
            pub fn $by_id(&self, id: &str) -> Option<($name, &$of)> {
                (0u32..)
                    .map($name)
                    .zip(&self.all.$field)
                    .find(|(_, thing)| &*thing.id == id)
            }
        }
    )*};
}

index! {
    /// Position of a device.
    DeviceIx => device, device_by_id: Device;
    /// Position of a channel.
    ChannelIx => channel, channel_by_id: Channel;
    /// Position of a vessel.
    VesselIx => vessel, vessel_by_id: Vessel;
    /// Position of a section.
    SectionIx => section, section_by_id: Section;
    /// Position of a line.
    LineIx => line, line_by_id: Line;
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

impl Plant {
    /// The SI value of a channel in its unit for people, with digits fitting its uncertainty.
    #[must_use]
    pub fn show(&self, ix: ChannelIx, value: Si, std: f64) -> String {
        self.channel(ix)
            .map_or_else(String::new, |channel| channel.unit.format(value.0, std))
    }
}
