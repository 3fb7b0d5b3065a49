//! What the engine is told: one ordered stream of sequenced, stamped events.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

pub use crate::actor::Actor;
pub use crate::balance::ledger::LedgerEntry;
use crate::plant::{BlockKey, DescriptionHash, Id, Passage};
use crate::time::{Span, Stamp, Timestamp};

/// Time between two ticks of the engine's grid.
pub const TICK: Span = Span::from_millis(10_000);

/// One thing that happened. Replay goes by `seq`, never by time.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// Position in the one order; rises by one from event to event.
    pub seq: u64,
    /// When.
    pub stamp: Stamp,
    /// What.
    pub kind: EventKind,
}

/// The kinds of events.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum EventKind {
    /// A block of registers was read, or could not be.
    Poll(Poll),
    /// The 10 s grid: everything computed is computed here.
    Tick,
    /// A person did something.
    Action(Action),
    /// A ledger entry was made.
    Ledger(LedgerEntry),
    /// The wall clock stepped; a new clock epoch begins.
    ClockStepped {
        /// What the wall clock would have said.
        expected: Option<Timestamp>,
        /// What it says.
        now: Option<Timestamp>,
    },
    /// From here on this description holds.
    DescriptionInForce {
        /// Its hash; the text is kept under it.
        hash: DescriptionHash,
    },
    /// Polls were skipped because they could not be recorded.
    NotPolled {
        /// How many.
        polls: u64,
        /// Since when.
        since: Stamp,
    },
    /// An event that stopped the engine twice was set aside.
    SetAside {
        /// Its position.
        seq: u64,
    },
}

/// A whole block read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Poll {
    /// What was read.
    pub block: Arc<BlockKey>,
    /// The registers as they were on the wire, or why there are none.
    pub words: Result<Vec<u16>, PollFault>,
}

/// Why a block could not be read.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, thiserror::Error,
)]
pub enum PollFault {
    /// No connection to the device.
    #[error("no connection")]
    NotConnected,
    /// No whole answer in time.
    #[error("no answer in time")]
    TimedOut,
    /// The connection broke during the request.
    #[error("connection broken")]
    Broken,
    /// An answer that does not fit the request: another transaction, unit, function or length.
    #[error("the answer does not fit the request")]
    Mismatch,
    /// The device refused with a Modbus exception code.
    #[error("the device refuses with Modbus exception {0}")]
    Exception(u8),
}

/// What a person did.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Action {
    /// Who, and where.
    pub actor: Actor,
    /// What.
    pub kind: ActionKind,
}

/// The things a person can do. None of them reaches the plant: Coldledger only reads.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum ActionKind {
    /// "I have seen this alarm."
    Acknowledge {
        /// The alarm's id.
        alarm: Id,
    },
    /// Hide an alarm for a limited time.
    Shelve {
        /// The alarm's id.
        alarm: Id,
        /// For how long.
        time: Span,
        /// Why.
        reason: String,
    },
    /// Bring a shelved alarm back.
    Unshelve {
        /// The alarm's id.
        alarm: Id,
    },
    /// Take an alarm out of service, or put it back.
    AlarmInService {
        /// The alarm's id.
        alarm: Id,
        /// Whether it is in service from now on.
        in_service: bool,
        /// Why.
        reason: String,
    },
    /// Say in what mode a vessel is.
    SetMode {
        /// The vessel's id.
        vessel: Id,
        /// The mode's id.
        mode: Id,
    },
    /// Say whether a line is open.
    SetPassage {
        /// The line's id.
        line: Id,
        /// Its state.
        passage: Passage,
    },
    /// Take a channel out of service, or put it back.
    ChannelInService {
        /// The channel's id.
        channel: Id,
        /// Whether it is in service from now on.
        in_service: bool,
        /// Why.
        reason: String,
    },
}
