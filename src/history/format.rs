//! The store on disk.
//!
//! ```text
//! DATA DIRECTORY
//! ├─ history.db        SQLite, WAL, everything below; user_version = FORMAT
//! ├─ history.db-wal    what is committed and not yet moved into history.db
//! ├─ history.db-shm    index of the WAL, shared by readers and the writer
//! ├─ history.db.damaged-N   a file that no longer was a sound database, kept; its journal, ledger,
//! │                         descriptions and cursors were carried over as far as they read back
//! ├─ lock              locked while in use: process id, state, deaths in a row
//! └─ in-flight         the event being applied (only in careful mode)
//!
//! EVENTS (what the engine was told; replay merges all four by seq)
//!   sealed  one block of registers, about 3,600 readings      ┐
//!   sealed  series 0: ticks, about 3,600                      │ each event is in
//!   frame   one or 60 commits: all blocks and ticks not sealed │ exactly one place*
//!   event   one row per other event (postcard of Event)       ┘
//!   * a frame may still hold readings that are sealed meanwhile; those up to
//!     series.sealed_through do not count. Frames are deleted once all they hold is sealed.
//!
//!   sealed.data   stamps(tight) faults width { min span packing column }* CRC
//!   frame.data    { series length stamps(light) faults { difference }* }* CRC
//!   event.data    postcard(Event) CRC
//!   stamps        count seq[] monotonic[] (utc - monotonic)[] runs
//!                 runs: { count boot epoch<<1|utc-known }*
//!                 tight: pco columns; light: differences as variable-length integers
//!   faults        runs: { readings skipped, length, code }*
//!                 code 1 not connected, 2 timed out, 3 broken, 4 mismatch,
//!                 0x100 + n refused with Modbus exception n
//!   column        one register: constant, or pco over its 16-bit codes (wire truth)
//!
//! OUTCOMES (what the engine concluded; each with the id of its provenance)
//!   figures  inventories, losses, channel qualities: 64 and more in a row, before that
//!            those of one commit (sealed = 0)
//!            data = packing stamps index[] { count length }* lz4(byte columns) CRC
//!   journal  all others, one row each, append-only, never dropped
//!            data = postcard(stamp, kind)
//!            hash = SHA-256(hash of the row before, id, seq, index, provenance, data)
//!   ledger   which journal rows book helium, by entry id and effective time
//!   journal_end  last row and its hash, so that a cut-off end shows
//!   hash_point   SHA-256 chain over all outcomes up to a commit
//!
//! KEPT WHOLE: description (every one ever in force), snapshot (the last three),
//! cursor (one per destination), trimmed (what the disk budget has cost),
//! gap (events that were never recorded)
//!
//! CRC: CRC-32C of all bytes before it, little-endian. Integers without a width are
//! variable-length, signed ones zigzag. seq and boot are stored in SQLite's signed 64 bits.
//! ```
//!
//! A commit is one transaction with `synchronous=FULL`: it is on the disk when it returns. Rows of
//! journal and ledger cannot be changed or deleted by SQL (triggers); whoever edits the file
//! otherwise breaks the chain of hashes.

use rusqlite::Connection;

use super::error::StorageError;
use crate::engine::OutcomeKind;

/// The format that this version writes.
pub const FORMAT: i64 = 1;

/// Marks the file as a store of ours ("CLDL").
pub(super) const APPLICATION_ID: i64 = 0x434c_444c;

/// The database in the data directory.
pub(super) const FILE: &str = "history.db";

/// The id of the ticks among the series.
pub(super) const TICKS: i64 = 0;

/// Readings of a block at which its row is sealed.
pub(super) const SEAL_AT: usize = 3_600;

/// Commits whose head frames are merged into one, so that a query of the last hour reads few rows.
pub(super) const MERGE_AT: usize = 60;

/// Commits after which readings are sealed however few, so that a slow block cannot keep frames
/// for ever: twelve hours of a commit each 10 s.
pub(super) const MOST_COMMITS: u64 = 4_320;

/// Bytes of a page of the database.
pub(super) const PAGE: usize = 4_096;

/// Reports at which a row of figures is sealed.
pub(super) const FIGURES_AT: usize = 64;

/// Snapshots that are kept.
pub(super) const SNAPSHOTS: i64 = 3;

const SCHEMA: &str = "
CREATE TABLE series (id INTEGER PRIMARY KEY, sealed_through INTEGER NOT NULL, key BLOB UNIQUE);
CREATE TABLE sealed (series INTEGER NOT NULL, first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL,
    min_utc INTEGER, max_utc INTEGER, events INTEGER NOT NULL, data BLOB NOT NULL);
CREATE UNIQUE INDEX sealed_by_seq ON sealed (series, last_seq);
CREATE INDEX sealed_by_time ON sealed (series, max_utc, min_utc);
CREATE TABLE frame (first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL,
    min_utc INTEGER, max_utc INTEGER, data BLOB NOT NULL);
CREATE INDEX frame_by_time ON frame (max_utc, min_utc);
CREATE TABLE event (seq INTEGER PRIMARY KEY, data BLOB NOT NULL);
CREATE TABLE provenance (id INTEGER PRIMARY KEY, data BLOB NOT NULL UNIQUE);
CREATE TABLE figures (kind INTEGER NOT NULL, first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL,
    min_utc INTEGER, max_utc INTEGER, records INTEGER NOT NULL, sealed INTEGER NOT NULL,
    provenance INTEGER NOT NULL, data BLOB NOT NULL);
CREATE UNIQUE INDEX figures_by_seq ON figures (kind, last_seq);
CREATE INDEX figures_by_time ON figures (kind, max_utc, min_utc);
CREATE TABLE journal (id INTEGER PRIMARY KEY, seq INTEGER NOT NULL, idx INTEGER NOT NULL,
    provenance INTEGER NOT NULL, data BLOB NOT NULL, hash BLOB NOT NULL);
CREATE UNIQUE INDEX journal_by_seq ON journal (seq, idx);
CREATE TABLE ledger (journal INTEGER PRIMARY KEY REFERENCES journal (id), entry TEXT NOT NULL,
    effective_utc INTEGER NOT NULL);
CREATE INDEX ledger_by_time ON ledger (effective_utc);
CREATE TABLE journal_end (one INTEGER PRIMARY KEY CHECK (one = 1), id INTEGER NOT NULL, hash BLOB NOT NULL);
CREATE TABLE hash_point (seq INTEGER PRIMARY KEY, hash BLOB NOT NULL, keep INTEGER NOT NULL);
CREATE TABLE description (hash BLOB PRIMARY KEY, data BLOB NOT NULL);
CREATE TABLE snapshot (id INTEGER PRIMARY KEY, seq INTEGER NOT NULL, header BLOB NOT NULL, data BLOB NOT NULL);
CREATE TABLE cursor (destination TEXT PRIMARY KEY, seq INTEGER NOT NULL);
CREATE TABLE trimmed (id INTEGER PRIMARY KEY, what TEXT NOT NULL, first_seq INTEGER NOT NULL,
    last_seq INTEGER NOT NULL, dropped_rows INTEGER NOT NULL, bytes INTEGER NOT NULL);
CREATE TABLE gap (first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL);
CREATE TRIGGER journal_stays BEFORE DELETE ON journal BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER journal_unchanged BEFORE UPDATE ON journal BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER ledger_stays BEFORE DELETE ON ledger BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER ledger_unchanged BEFORE UPDATE ON ledger BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER journal_once BEFORE INSERT ON journal
    WHEN EXISTS (SELECT 1 FROM journal WHERE id = NEW.id OR (seq = NEW.seq AND idx = NEW.idx))
    BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER ledger_once BEFORE INSERT ON ledger WHEN EXISTS (SELECT 1 FROM ledger WHERE journal = NEW.journal)
    BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
INSERT INTO series (id, sealed_through, key) VALUES (0, 0, NULL);
";

/// What must hold before the first table is made.
pub(super) fn prepare_file(db: &Connection) -> Result<(), StorageError> {
    db.execute_batch("PRAGMA page_size = 4096; PRAGMA auto_vacuum = INCREMENTAL;")?;
    Ok(())
}

/// What every connection that writes needs.
pub(super) fn prepare_writing(db: &Connection) -> Result<(), StorageError> {
    db.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA busy_timeout = 10000;
         PRAGMA journal_size_limit = 67108864; PRAGMA cache_size = -8192; PRAGMA foreign_keys = OFF;",
    )?;
    Ok(())
}

/// Makes the tables of an empty file, in one transaction.
pub(super) fn create(db: &Connection) -> Result<(), StorageError> {
    db.execute_batch(&format!(
        "BEGIN IMMEDIATE; {SCHEMA} PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {FORMAT}; COMMIT;"
    ))?;
    Ok(())
}

/// What outcomes are stored as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Lane {
    /// Append-only.
    Journal,
    /// Figures, in rows of many.
    Figures(Figure),
}

/// Kinds of figures; the number is what stands in the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Figure {
    Inventory = 1,
    PlantLosses = 2,
    SectionLosses = 3,
    ChannelQuality = 4,
}

impl Figure {
    pub(super) const ALL: [Self; 4] = [
        Self::Inventory,
        Self::PlantLosses,
        Self::SectionLosses,
        Self::ChannelQuality,
    ];
}

impl Lane {
    pub(super) fn of(kind: &OutcomeKind) -> Self {
        match kind {
            OutcomeKind::Inventory(_) => Self::Figures(Figure::Inventory),
            OutcomeKind::Losses(report) if report.section.is_none() => {
                Self::Figures(Figure::PlantLosses)
            }
            OutcomeKind::Losses(_) => Self::Figures(Figure::SectionLosses),
            OutcomeKind::ChannelQuality { .. } => Self::Figures(Figure::ChannelQuality),
            OutcomeKind::Alarm(_)
            | OutcomeKind::Booked(_)
            | OutcomeKind::Refused { .. }
            | OutcomeKind::ModeChanged { .. }
            | OutcomeKind::PassageChanged { .. }
            | OutcomeKind::ChannelService { .. }
            | OutcomeKind::Restated { .. }
            | OutcomeKind::DescriptionChanged { .. }
            | OutcomeKind::ClockStepped { .. }
            | OutcomeKind::RecordingGap { .. }
            | OutcomeKind::Happening(_)
            | OutcomeKind::Explained(_) => Self::Journal,
        }
    }
}
