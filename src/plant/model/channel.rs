//! Channels: sensors as configured, and what is known of their errors.

use serde::{Deserialize, Serialize};

use super::{ChannelIx, DeviceIx, Id, RegisterTable, SectionIx};
use crate::instrument::chain::Chain;
use crate::instrument::uncertainty::ChannelUncertainty;
use crate::quantity::{QuantityKind, Unit};
use crate::time::{Span, Timestamp};

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
