//! How far each destination has come. The outcomes themselves are not copied: a delivery reads
//! them from the store ([`super::Reader::outcomes_after`]) and advances its cursor once they are
//! acknowledged.

use std::path::Path;

use rusqlite::{Connection, OptionalExtension, params};

use super::error::StorageError;
use super::reader::existing;

/// Cursors of the destinations, on a connection of their own.
#[derive(Debug)]
pub struct Cursors {
    db: Connection,
}

impl Cursors {
    /// Opens the cursors of a data directory whose store exists.
    ///
    /// # Errors
    /// When there is no store, or what the database refuses.
    pub fn open(directory: &Path) -> Result<Self, StorageError> {
        let path = existing(directory)?;
        let flags =
            rusqlite::OpenFlags::SQLITE_OPEN_READ_WRITE | rusqlite::OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let db = Connection::open_with_flags(path, flags)?;
        // A cursor lost in a power cut only means that something is delivered twice, so no sync.
        db.execute_batch("PRAGMA busy_timeout = 10000; PRAGMA synchronous = NORMAL;")?;
        Ok(Self { db })
    }

    /// The last event that a destination has acknowledged; 0 for a new one.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn get(&self, destination: &str) -> Result<u64, StorageError> {
        let seq: Option<i64> = self
            .db
            .prepare_cached("SELECT seq FROM cursor WHERE destination = ?")?
            .query_row([destination], |row| row.get(0))
            .optional()?;
        Ok(seq.unwrap_or(0).cast_unsigned())
    }

    /// Notes that a destination has acknowledged all up to an event.
    ///
    /// # Errors
    /// [`StorageError::CursorBackwards`] when it already stands further, and what the database
    /// refuses.
    pub fn advance(&self, destination: &str, seq: u64) -> Result<(), StorageError> {
        let asked = seq.min(i64::MAX.cast_unsigned()).cast_signed();
        let changed = self
            .db
            .prepare_cached(
                "INSERT INTO cursor (destination, seq) VALUES (?1, ?2)
                 ON CONFLICT (destination) DO UPDATE SET seq = ?2 WHERE seq <= ?2",
            )?
            .execute(params![destination, asked])?;
        if changed == 1 {
            return Ok(());
        }
        Err(StorageError::CursorBackwards {
            destination: destination.to_owned(),
            at: self.get(destination)?,
            asked: seq,
        })
    }
}
