//! Reading the store while it is written: connections of their own, each seeing whole commits only.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::{Connection, OpenFlags, OptionalExtension};

use super::error::StorageError;
use super::format;
use super::home::{LOG, beside, is_filled};
use super::journal::{self, Hash, JournalCheck, decode_outcome};
use super::open::all_series;
use super::polls::Series;
use super::retention::{self, Trimmed};
use crate::engine::{LedgerEntry, Outcome, OutcomeKind, Provenance};
use crate::plant::{BlockKey, Id};
use crate::time::Timestamp;

/// A connection that reads. One per thread; opening another is cheap ([`Self::try_clone`]).
#[derive(Debug)]
pub struct Reader {
    pub(super) db: Connection,
    path: PathBuf,
}

/// An outcome as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredOutcome {
    /// What was concluded.
    pub outcome: Outcome,
    /// What it rests on.
    pub provenance: Arc<Provenance>,
}

/// A row of the journal.
#[derive(Debug, Clone, PartialEq)]
pub struct JournalRow {
    /// Its number, from 1 without a gap.
    pub id: u64,
    /// What happened.
    pub outcome: StoredOutcome,
}

/// Ledger entries of a time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LedgerRead {
    /// Each with the position at which it was entered.
    pub entries: Vec<(u64, LedgerEntry)>,
    /// Rows of the journal that hold an entry of that time and do not read back.
    pub damaged: Vec<u64>,
}

/// The hash over all outcomes up to an event.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HashPoint {
    /// The event.
    pub seq: u64,
    /// The hash.
    pub hash: Hash,
}

/// How large the store is and how far it reaches.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Statistics {
    /// Last event on record.
    pub last_seq: u64,
    /// From this event on every event is on record, but for gaps.
    pub complete_from: u64,
    /// Bytes of the database file.
    pub file_bytes: u64,
    /// Bytes of the file that are free again.
    pub free_bytes: u64,
    /// Wall time of the oldest reading, where known.
    pub oldest: Option<Timestamp>,
    /// Wall time of the newest reading, where known.
    pub newest: Option<Timestamp>,
    /// Rows of sealed readings.
    pub sealed_rows: u64,
    /// Readings and ticks in them.
    pub sealed_events: u64,
    /// Bytes in them.
    pub sealed_bytes: u64,
    /// Head frames, not yet sealed.
    pub frames: u64,
    /// Rows of figures.
    pub figure_rows: u64,
    /// Bytes in them.
    pub figure_bytes: u64,
    /// Rows of the journal.
    pub journal_rows: u64,
    /// Stretches of events that were never recorded.
    pub gaps: u64,
}

const READ_ONLY: OpenFlags =
    OpenFlags::SQLITE_OPEN_READ_ONLY.union(OpenFlags::SQLITE_OPEN_NO_MUTEX);

impl Reader {
    /// Opens the store of a data directory for reading.
    ///
    /// # Errors
    /// When there is no store, or a later version wrote it.
    pub fn open(directory: &Path) -> Result<Self, StorageError> {
        Self::open_file(existing(directory)?)
    }

    /// Opens the store of a data directory on a disk that takes nothing, for one reading at a time: after
    /// an end as asked the database would have to make files beside itself to be read, so it is told that
    /// nobody writes.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub fn open_still(directory: &Path) -> Result<Self, StorageError> {
        let path = existing(directory)?;
        if is_filled(&beside(&path, LOG)) {
            return Self::open_file(path);
        }
        let escaped = path.as_os_str().as_encoded_bytes().iter().map(|&byte| {
            let plain = byte.is_ascii_alphanumeric() || b"/._-".contains(&byte);
            if plain {
                char::from(byte).to_string()
            } else {
                format!("%{byte:02X}")
            }
        });
        let uri = format!("file:{}?immutable=1", escaped.collect::<String>());
        let flags = READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
        Self::prepared(Connection::open_with_flags(uri, flags)?, path)
    }

    fn open_file(path: PathBuf) -> Result<Self, StorageError> {
        Self::prepared(Connection::open_with_flags(&path, READ_ONLY)?, path)
    }

    fn prepared(db: Connection, path: PathBuf) -> Result<Self, StorageError> {
        db.execute_batch(
            "PRAGMA busy_timeout = 10000; PRAGMA cache_size = -4096; PRAGMA query_only = ON;",
        )?;
        let found: i64 = db.query_row("PRAGMA user_version", [], |row| row.get(0))?;
        if found > format::FORMAT {
            return Err(StorageError::NewerFormat {
                path,
                found,
                known: format::FORMAT,
            });
        }
        Ok(Self { db, path })
    }

    /// Another connection to the same store.
    ///
    /// # Errors
    /// As [`Self::open`].
    pub fn try_clone(&self) -> Result<Self, StorageError> {
        Self::open_file(self.path.clone())
    }

    /// Last event on record; 0 when there is none.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn last_seq(&self) -> Result<u64, StorageError> {
        let last: Option<i64> =
            self.db
                .query_row("SELECT max(seq) FROM hash_point", [], |row| row.get(0))?;
        Ok(last.unwrap_or(0).cast_unsigned())
    }

    /// The engine versions that made the outcomes on record, in the order they came.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn engines(&self) -> Result<Vec<Id>, StorageError> {
        let mut known = Provenances::new(&self.db);
        let mut found: Vec<Id> = Vec::new();
        let mut ids = self.db.prepare("SELECT id FROM provenance ORDER BY id")?;
        for id in ids.query_map([], |row| row.get(0))? {
            let engine = Id::clone(&known.get(id?)?.engine);
            if !found.contains(&engine) {
                found.push(engine);
            }
        }
        Ok(found)
    }

    /// The newest hash over all outcomes that was stored at or before an event.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn outcome_hash_at(&self, seq: u64) -> Result<Option<HashPoint>, StorageError> {
        Ok(self
            .db
            .query_row(
                "SELECT seq, hash FROM hash_point WHERE seq <= ? ORDER BY seq DESC LIMIT 1",
                [seq.min(i64::MAX.cast_unsigned()).cast_signed()],
                |row| {
                    Ok(HashPoint {
                        seq: row.get::<_, i64>(0)?.cast_unsigned(),
                        hash: row.get(1)?,
                    })
                },
            )
            .optional()?)
    }

    /// All blocks of registers that were ever read.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn blocks(&self) -> Result<Vec<Arc<BlockKey>>, StorageError> {
        Ok(self
            .series()?
            .into_iter()
            .filter_map(|series| series.key)
            .collect())
    }

    pub(super) fn series(&self) -> Result<Vec<Series>, StorageError> {
        all_series(&self.db)
    }

    /// Rows of the journal from a number on, oldest first.
    ///
    /// # Errors
    /// What the database refuses, and [`StorageError::Corrupt`] when a row does not read back.
    pub fn journal(&self, from_id: u64, limit: usize) -> Result<Vec<JournalRow>, StorageError> {
        self.journal_rows(
            "WHERE j.id >= ?1 ORDER BY j.id LIMIT ?2",
            from_id.min(i64::MAX.cast_unsigned()).cast_signed(),
            i64::try_from(limit).unwrap_or(i64::MAX),
        )
    }

    /// The newest rows of the journal, newest first.
    ///
    /// # Errors
    /// As [`Self::journal`].
    pub fn journal_newest(&self, limit: usize) -> Result<Vec<JournalRow>, StorageError> {
        self.journal_rows(
            "WHERE j.id >= ?1 ORDER BY j.id DESC LIMIT ?2",
            0,
            i64::try_from(limit).unwrap_or(i64::MAX),
        )
    }

    /// Rows of the journal that follow from the events `after < seq <= last`, oldest first.
    ///
    /// # Errors
    /// As [`Self::journal`].
    pub fn journal_within(&self, after: u64, last: u64) -> Result<Vec<JournalRow>, StorageError> {
        let signed = |seq: u64| seq.min(i64::MAX.cast_unsigned()).cast_signed();
        self.journal_rows(
            "WHERE j.seq > ?1 AND j.seq <= ?2 ORDER BY j.id",
            signed(after),
            signed(last),
        )
    }

    /// Ledger entries whose effective time lies in `[from, to)`, in that order. Entries that were
    /// superseded are among them. A damaged row takes no other one with it.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn ledger(&self, from: Timestamp, to: Timestamp) -> Result<LedgerRead, StorageError> {
        let mut damaged = Vec::new();
        let rows = self.journal_rows_but(
            "JOIN ledger l ON l.journal = j.id WHERE l.effective_utc >= ?1 AND l.effective_utc < ?2
             ORDER BY l.effective_utc, j.id",
            from.millis(),
            to.millis(),
            |row, _| {
                damaged.push(row);
                Ok(())
            },
        )?;
        let entries = rows
            .into_iter()
            .filter_map(|row| match row.outcome.outcome.kind {
                OutcomeKind::Booked(entry) => Some((row.outcome.outcome.seq, entry)),
                _ => None,
            })
            .collect();
        Ok(LedgerRead { entries, damaged })
    }

    pub(super) fn journal_rows(
        &self,
        which: &str,
        first: i64,
        second: i64,
    ) -> Result<Vec<JournalRow>, StorageError> {
        self.journal_rows_but(which, first, second, |row, error| {
            Err(StorageError::Corrupt {
                detail: format!("row {row} of the journal does not read back: {error}"),
            })
        })
    }

    /// Rows of the journal; what does not read back is told and, unless that is an error, left out.
    fn journal_rows_but(
        &self,
        which: &str,
        first: i64,
        second: i64,
        mut damaged: impl FnMut(u64, postcard::Error) -> Result<(), StorageError>,
    ) -> Result<Vec<JournalRow>, StorageError> {
        let mut statement = self.db.prepare_cached(&format!(
            "SELECT j.id, j.seq, j.idx, j.provenance, j.data FROM journal j {which}"
        ))?;
        let mut rows = statement.query([first, second])?;
        let mut provenances = Provenances::new(&self.db);
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            let id: i64 = row.get(0)?;
            let data: Vec<u8> = row.get(4)?;
            let (stamp, kind) = match decode_outcome(&data) {
                Ok(outcome) => outcome,
                Err(error) => {
                    damaged(id.cast_unsigned(), error)?;
                    continue;
                }
            };
            found.push(JournalRow {
                id: id.cast_unsigned(),
                outcome: StoredOutcome {
                    outcome: Outcome {
                        seq: row.get::<_, i64>(1)?.cast_unsigned(),
                        index: row.get(2)?,
                        stamp,
                        kind,
                    },
                    provenance: provenances.get(row.get(3)?)?,
                },
            });
        }
        Ok(found)
    }

    /// Goes through the journal's chain of hashes.
    ///
    /// # Errors
    /// What the database refuses; a journal that does not fit is no error but an answer.
    pub fn verify_journal(&self) -> Result<JournalCheck, StorageError> {
        let _view = View::begin(&self.db)?;
        journal::verify(&self.db)
    }

    /// What the disk budget has cost so far.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn trimmed(&self) -> Result<Vec<Trimmed>, StorageError> {
        retention::all(&self.db)
    }

    /// Stretches of events that were never recorded, first and last of each.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn gaps(&self) -> Result<Vec<(u64, u64)>, StorageError> {
        let mut statement = self
            .db
            .prepare("SELECT first_seq, last_seq FROM gap ORDER BY first_seq")?;
        let rows = statement.query_map([], |row| {
            Ok((
                row.get::<_, i64>(0)?.cast_unsigned(),
                row.get::<_, i64>(1)?.cast_unsigned(),
            ))
        })?;
        Ok(rows.collect::<Result<Vec<_>, _>>()?)
    }

    /// How large the store is and how far it reaches. Counts every row: some milliseconds per
    /// year of data.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn statistics(&self) -> Result<Statistics, StorageError> {
        let _view = View::begin(&self.db)?;
        let one = |sql: &str| -> Result<u64, StorageError> {
            let number: Option<i64> = self.db.query_row(sql, [], |row| row.get(0))?;
            Ok(number.unwrap_or(0).cast_unsigned())
        };
        let time = |sql: &str| -> Result<Option<Timestamp>, StorageError> {
            let millis: Option<i64> = self.db.query_row(sql, [], |row| row.get(0))?;
            Ok(millis.map(Timestamp::from_millis))
        };
        let page = one("PRAGMA page_size")?;
        Ok(Statistics {
            last_seq: self.last_seq()?,
            complete_from: one("SELECT max(last_seq) FROM trimmed WHERE what = 'raw readings'")?
                .saturating_add(1),
            file_bytes: one("PRAGMA page_count")?.saturating_mul(page),
            free_bytes: one("PRAGMA freelist_count")?.saturating_mul(page),
            oldest: time(
                "SELECT min(t) FROM (SELECT min(min_utc) AS t FROM sealed UNION ALL SELECT min(min_utc) FROM frame)",
            )?,
            newest: time(
                "SELECT max(t) FROM (SELECT max(max_utc) AS t FROM sealed UNION ALL SELECT max(max_utc) FROM frame)",
            )?,
            sealed_rows: one("SELECT count(*) FROM sealed")?,
            sealed_events: one("SELECT sum(events) FROM sealed")?,
            sealed_bytes: one("SELECT sum(length(data)) FROM sealed")?,
            frames: one("SELECT count(*) FROM frame")?,
            figure_rows: one("SELECT count(*) FROM figures")?,
            figure_bytes: one("SELECT sum(length(data)) FROM figures")?,
            journal_rows: one("SELECT count(*) FROM journal")?,
            gaps: one("SELECT count(*) FROM gap")?,
        })
    }
}

/// The database of a data directory, if it has one.
pub(super) fn existing(directory: &Path) -> Result<PathBuf, StorageError> {
    let path = directory.join(format::FILE);
    if path.exists() {
        Ok(path)
    } else {
        Err(StorageError::NoStore {
            directory: directory.to_owned(),
        })
    }
}

/// Looks provenances up, each once.
pub(super) struct Provenances<'a> {
    db: &'a Connection,
    known: Vec<(i64, Arc<Provenance>)>,
}

impl<'a> Provenances<'a> {
    pub(super) fn new(db: &'a Connection) -> Self {
        Self {
            db,
            known: Vec::new(),
        }
    }

    pub(super) fn get(&mut self, id: i64) -> Result<Arc<Provenance>, StorageError> {
        if let Some((_, provenance)) = self.known.iter().find(|(known, _)| *known == id) {
            return Ok(Arc::clone(provenance));
        }
        let data: Vec<u8> = self
            .db
            .prepare_cached("SELECT data FROM provenance WHERE id = ?")?
            .query_row([id], |row| row.get(0))?;
        let provenance =
            postcard::from_bytes(&data)
                .map(Arc::new)
                .map_err(|error| StorageError::Corrupt {
                    detail: format!("provenance {id} does not read back: {error}"),
                })?;
        self.known.push((id, Arc::clone(&provenance)));
        Ok(provenance)
    }
}

/// While it lives, its connection sees the store as it was at one commit.
#[derive(Debug)]
pub(super) struct View<'a> {
    db: &'a Connection,
    /// An outer view ends it.
    nested: bool,
}

impl<'a> View<'a> {
    pub(super) fn begin(db: &'a Connection) -> Result<Self, StorageError> {
        let nested = !db.is_autocommit();
        if !nested {
            db.execute_batch("BEGIN")?;
        }
        Ok(Self { db, nested })
    }
}

impl Drop for View<'_> {
    fn drop(&mut self) {
        if !self.nested {
            // Ending a read cannot fail in a way that anyone could act on.
            drop(self.db.execute_batch("COMMIT"));
        }
    }
}
