//! The ledger: helium that crossed the plant boundary, in two times.
//!
//! Every entry has a time when the helium moved (`effective_at`) and a place in the one order where
//! it was entered. Entries are never edited: a correction supersedes, and balances *as known* at
//! some event use the entries entered by then.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::actor::Actor;
use crate::plant::{Booking, Id};
use crate::time::{Span, Timestamp};

/// A ledger entry with its two times: when the helium moved, and (the event's `seq`) when it was entered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LedgerEntry {
    /// Text id, unique in the ledger.
    pub id: Id,
    /// What is booked.
    pub booking: Booking,
    /// The entry that this one replaces; entries are never edited in place.
    pub supersedes: Option<Id>,
    /// Who entered it, and where.
    pub actor: Actor,
}
