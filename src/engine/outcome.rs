//! What the engine concludes: outcomes, each with the provenance that it rests on.

use serde::{Deserialize, Serialize};

use super::event::{Actor, LedgerEntry};
use crate::plant::{DescriptionHash, Id, Passage};
use crate::quantity::{Quality, Reason};
use crate::time::{Span, Stamp, Timestamp};

/// What a figure rests on; stands on every stored and published outcome.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Provenance {
    /// Raised when history is recomputed as corrected; 1 is "as known at the time".
    pub revision: u32,
    /// The description in force.
    pub description: DescriptionHash,
    /// Version of the engine.
    pub engine: Id,
}

/// One conclusion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outcome {
    /// The event that it follows from.
    pub seq: u64,
    /// Position among the outcomes of that event.
    pub index: u32,
    /// The event's time.
    pub stamp: Stamp,
    /// What is concluded.
    pub kind: OutcomeKind,
}

/// The kinds of conclusions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum OutcomeKind {
    /// Where the helium is, once a minute.
    Inventory(InventoryReport),
    /// What is lost, every ten minutes.
    Losses(LossReport),
    /// An alarm changed its state.
    Alarm(AlarmTransition),
    /// A channel changed its quality.
    ChannelQuality {
        /// The channel.
        channel: Id,
        /// From now on.
        quality: Quality,
        /// Why.
        reason: Reason,
    },
    /// A ledger entry was booked.
    Booked(LedgerEntry),
    /// An action or entry could not be carried out.
    Refused {
        /// Who asked.
        actor: Actor,
        /// Why not, in words.
        why: String,
    },
    /// A vessel changed its mode.
    ModeChanged {
        /// The vessel.
        vessel: Id,
        /// Its mode from now on.
        mode: Id,
        /// Who said so; none when a channel did.
        actor: Option<Actor>,
    },
    /// A line opened or shut.
    PassageChanged {
        /// The line.
        line: Id,
        /// From now on.
        passage: Passage,
        /// Who said so; none when a channel did.
        actor: Option<Actor>,
    },
    /// A channel was taken out of service or put back.
    ChannelService {
        /// The channel.
        channel: Id,
        /// In service from now on.
        in_service: bool,
        /// Why.
        reason: String,
        /// Who.
        actor: Actor,
    },
    /// The inventory changed because its reckoning did, not because helium moved.
    Restated {
        /// kg before.
        from_kg: f64,
        /// kg after.
        to_kg: f64,
        /// In words.
        why: String,
    },
    /// Another description holds from here.
    DescriptionChanged {
        /// Its hash.
        hash: DescriptionHash,
    },
    /// The wall clock stepped.
    ClockStepped {
        /// By how much, when both readings are known.
        by: Option<Span>,
    },
    /// Nothing was recorded for a while.
    RecordingGap {
        /// Polls skipped.
        polls: u64,
    },
}

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

/// States of an alarm, in the words of IEC 62682.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// No cause, nothing to acknowledge.
    Normal,
    /// Cause present, not acknowledged.
    Unacknowledged,
    /// Cause present, acknowledged.
    Acknowledged,
    /// Cause gone, not acknowledged.
    ReturnedUnacknowledged,
    /// Hidden by a person for a limited time.
    Shelved,
    /// Hidden by design.
    Suppressed,
    /// Out of service.
    OutOfService,
}

impl AlarmState {
    /// In words, for a screen.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned to normal, unacknowledged",
            Self::Shelved => "shelved",
            Self::Suppressed => "suppressed by design",
            Self::OutOfService => "out of service",
        }
    }
}

/// An alarm changed its state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmTransition {
    /// The alarm.
    pub alarm: Id,
    /// Before.
    pub from: AlarmState,
    /// After.
    pub to: AlarmState,
    /// What was measured, in words with unit.
    pub detail: String,
    /// Who did it; none when the plant did.
    pub actor: Option<Actor>,
}
