//! The embedded store: raw readings, outcomes, journal, ledger, descriptions, snapshots, and how
//! far each destination has come. The only floor that touches the data directory; it knows events
//! and outcomes, not where they come from or go to.
//!
//! One [`Store`] writes, on one thread; any number of [`Reader`]s read meanwhile. The form on disk
//! is drawn in [`mod@format`].

mod codec;
mod error;
mod figures;
pub mod format;
mod home;
mod journal;
mod kept;
mod open;
mod outbox;
mod polls;
mod raw;
mod reader;
mod records;
mod replay;
mod rescue;
mod retention;
mod rows;
mod stamps;
mod writer;

pub use error::{Damage, StorageError};
pub use figures::{Dated, Found};
pub use home::Suspect;
pub use journal::{Hash, JournalCheck, OutcomeHasher};
pub use open::MovedAside;
pub use outbox::Cursors;
pub use raw::{RawSample, RawSamples};
pub use reader::{HashPoint, JournalRow, LedgerRead, Reader, Statistics, StoredOutcome};
pub use replay::Replayed;
pub use rescue::Rescued;
pub use retention::Trimmed;
pub use writer::{Recovery, Store, StoreSettings};
