//! The append-only journal: alarm transitions, bookings, refusals, changes of mode and
//! description. Each row's hash covers the row before, so an edit shows from there on.

use std::ops::ControlFlow;

use rusqlite::{Connection, OptionalExtension, params};
use sha2::{Digest, Sha256};

use super::error::StorageError;
use crate::engine::{Outcome, OutcomeKind};
use crate::time::Stamp;

/// A SHA-256 value.
pub type Hash = [u8; 32];

/// Running hash over outcomes in their order: two runs that concluded the same have the same one.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct OutcomeHasher(Hash);

impl OutcomeHasher {
    /// Goes on from a hash that was stored.
    #[must_use]
    pub const fn from_hash(hash: Hash) -> Self {
        Self(hash)
    }

    /// Takes in one outcome.
    ///
    /// # Errors
    /// [`StorageError::Encode`] when the outcome has no stored form.
    pub fn add(&mut self, outcome: &Outcome) -> Result<(), StorageError> {
        let body = encode_outcome(outcome)?;
        self.add_encoded(outcome.seq, outcome.index, &body);
        Ok(())
    }

    pub(super) fn add_encoded(&mut self, seq: u64, index: u32, body: &[u8]) {
        self.0 = Sha256::new()
            .chain_update(self.0)
            .chain_update(seq.to_le_bytes())
            .chain_update(index.to_le_bytes())
            .chain_update(body)
            .finalize()
            .into();
    }

    /// The hash over all outcomes so far.
    #[must_use]
    pub const fn hash(&self) -> Hash {
        self.0
    }
}

/// What an outcome says, without its position.
pub(super) fn encode_outcome(outcome: &Outcome) -> Result<Vec<u8>, StorageError> {
    postcard::to_allocvec(&(&outcome.stamp, &outcome.kind))
        .map_err(|error| StorageError::encode("outcome", &error))
}

pub(super) fn decode_outcome(bytes: &[u8]) -> Result<(Stamp, OutcomeKind), postcard::Error> {
    match postcard::take_from_bytes(bytes)? {
        (outcome, []) => Ok(outcome),
        _ => Err(postcard::Error::DeserializeBadEncoding),
    }
}

/// What the journal says of itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum JournalCheck {
    /// Every row fits the one before.
    Whole {
        /// How many rows.
        rows: u64,
        /// Hash of the last one; noted elsewhere, it proves later that nothing before was changed.
        hash: Hash,
    },
    /// Something was changed, removed or added.
    Broken {
        /// The first row that does not fit.
        row: u64,
        /// What does not fit.
        why: &'static str,
    },
}

/// Where the chain of rows ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct JournalEnd {
    pub(super) id: i64,
    pub(super) hash: Hash,
}

/// A row waiting for its commit.
#[derive(Debug)]
pub(super) struct NewRow {
    pub(super) seq: i64,
    pub(super) index: u32,
    pub(super) data: Vec<u8>,
    pub(super) provenance: (i64, std::sync::Arc<[u8]>),
    /// Entry id and effective time, for a booking.
    pub(super) booking: Option<(String, i64)>,
}

impl JournalEnd {
    pub(super) fn read(db: &Connection) -> Result<Self, StorageError> {
        let end = db
            .query_row("SELECT id, hash FROM journal_end", [], |row| {
                Ok(Self {
                    id: row.get(0)?,
                    hash: row.get(1)?,
                })
            })
            .optional()?;
        Ok(end.unwrap_or_default())
    }

    /// Writes rows after this one; to be called inside a transaction.
    pub(super) fn append(&mut self, db: &Connection, rows: &[NewRow]) -> Result<(), StorageError> {
        if rows.is_empty() {
            return Ok(());
        }
        let mut insert = db.prepare_cached(
            "INSERT INTO journal (id, seq, idx, provenance, data, hash) VALUES (?, ?, ?, ?, ?, ?)",
        )?;
        let mut insert_booking = db.prepare_cached(
            "INSERT INTO ledger (journal, entry, effective_utc) VALUES (?, ?, ?)",
        )?;
        for row in rows {
            self.id = self.id.saturating_add(1);
            let (provenance, provenance_bytes) = &row.provenance;
            self.hash = link(
                &self.hash,
                self.id,
                row.seq,
                row.index,
                provenance_bytes,
                &row.data,
            );
            insert.execute(params![
                self.id, row.seq, row.index, provenance, row.data, self.hash
            ])?;
            if let Some((entry, effective)) = &row.booking {
                insert_booking.execute(params![self.id, entry, effective])?;
            }
        }
        db.prepare_cached("INSERT OR REPLACE INTO journal_end (one, id, hash) VALUES (1, ?, ?)")?
            .execute(params![self.id, self.hash])?;
        Ok(())
    }
}

pub(super) fn link(
    before: &Hash,
    id: i64,
    seq: i64,
    index: u32,
    provenance: &[u8],
    data: &[u8],
) -> Hash {
    // Lengths are hashed too, so that no byte can move from one field into the next.
    let length = |bytes: &[u8]| u64::try_from(bytes.len()).unwrap_or(u64::MAX).to_le_bytes();
    Sha256::new()
        .chain_update(before)
        .chain_update(id.to_le_bytes())
        .chain_update(seq.to_le_bytes())
        .chain_update(index.to_le_bytes())
        .chain_update(length(provenance))
        .chain_update(provenance)
        .chain_update(length(data))
        .chain_update(data)
        .finalize()
        .into()
}

struct Row {
    id: i64,
    seq: i64,
    index: u32,
    provenance: Option<Vec<u8>>,
    data: Vec<u8>,
    hash: Vec<u8>,
    entry: Option<String>,
    effective: Option<i64>,
}

/// Goes through the whole journal, and the ledger's index with it.
pub(super) fn verify(db: &Connection) -> Result<JournalCheck, StorageError> {
    let mut statement = db.prepare(
        "SELECT j.id, j.seq, j.idx, p.data, j.data, j.hash, l.entry, l.effective_utc FROM journal j
         LEFT JOIN provenance p ON p.id = j.provenance LEFT JOIN ledger l ON l.journal = j.id
         ORDER BY j.id",
    )?;
    let mut rows = statement.query([])?;
    let mut at = JournalEnd::default();
    while let Some(row) = rows.next()? {
        let row = Row {
            id: row.get(0)?,
            seq: row.get(1)?,
            index: row.get(2)?,
            provenance: row.get(3)?,
            data: row.get(4)?,
            hash: row.get(5)?,
            entry: row.get(6)?,
            effective: row.get(7)?,
        };
        if let ControlFlow::Break(why) = fits(&mut at, &row) {
            return Ok(JournalCheck::Broken {
                row: at.id.saturating_add(1).cast_unsigned(),
                why,
            });
        }
    }
    let end = JournalEnd::read(db)?;
    if end != at {
        return Ok(JournalCheck::Broken {
            row: end.id.min(at.id).saturating_add(1).cast_unsigned(),
            why: "the journal's end was cut off or added to",
        });
    }
    let bookings: i64 = db.query_row(
        "SELECT count(*) FROM ledger WHERE journal NOT IN (SELECT id FROM journal)",
        [],
        |row| row.get(0),
    )?;
    if bookings > 0 {
        return Ok(JournalCheck::Broken {
            row: at.id.saturating_add(1).cast_unsigned(),
            why: "the ledger names a row that the journal does not have",
        });
    }
    Ok(JournalCheck::Whole {
        rows: at.id.cast_unsigned(),
        hash: at.hash,
    })
}

fn fits(at: &mut JournalEnd, row: &Row) -> ControlFlow<&'static str> {
    if row.id != at.id.saturating_add(1) {
        return ControlFlow::Break("a row is missing or has another number");
    }
    let Some(provenance) = &row.provenance else {
        return ControlFlow::Break("its provenance is missing");
    };
    let hash = link(&at.hash, row.id, row.seq, row.index, provenance, &row.data);
    if hash.as_slice() != row.hash.as_slice() {
        return ControlFlow::Break("its hash does not fit");
    }
    let Ok((_, kind)) = decode_outcome(&row.data) else {
        return ControlFlow::Break("it does not read back");
    };
    if booking_of(&kind) != row.entry.clone().zip(row.effective) {
        return ControlFlow::Break("the ledger says something else");
    }
    *at = JournalEnd { id: row.id, hash };
    ControlFlow::Continue(())
}

/// Entry id and effective time of a booking.
pub(super) fn booking_of(kind: &OutcomeKind) -> Option<(String, i64)> {
    match kind {
        OutcomeKind::Booked(entry) => {
            Some((entry.id.to_string(), entry.booking.effective_at.millis()))
        }
        _ => None,
    }
}
