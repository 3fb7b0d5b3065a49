//! What the engine concludes: outcomes, each with the provenance that it rests on.

use serde::{Deserialize, Serialize};

use super::event::{Actor, LedgerEntry};
pub use crate::alarm::{AlarmState, AlarmTransition};
pub use crate::balance::reconciled::{
    Kilograms, RECONCILED_OVER, ReconciledArea, ReconciledLine, Reconciliation, SuspectKind,
    SuspectMember, SuspectSet,
};
pub use crate::balance::report::{
    BoilOffFrom, ExcessLoss, Explanation, Happening, HappeningKind, Hypothesis, HypothesisGroup,
    HypothesisKind, InventoryReport, IsolationTest, LossRate, LossReport, MassFigure, RoomLeft,
    WindowBalance,
};
use crate::plant::{DescriptionHash, Id, Passage};
use crate::quantity::{Quality, Reason};
use crate::time::{Span, Stamp};

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
    /// Something moved much helium.
    Happening(Happening),
    /// What could explain the loss that stands.
    Explained(Explanation),
}
