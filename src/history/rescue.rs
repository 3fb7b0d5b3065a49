//! After damage: what a file that is no sound database any more still says of journal, ledger,
//! descriptions and cursors goes over into the fresh store. Readings and figures do not; the file
//! is kept, so they are not lost for a person who needs them.

use std::path::Path;

use rusqlite::{Connection, OpenFlags, params};

use super::codec::checked;
use super::error::StorageError;
use super::journal::{Hash, JournalEnd, NewRow, booking_of, decode_outcome, link};

/// What was carried over from a damaged file.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Rescued {
    /// Rows of the journal, from the first to the last that fits the chain of hashes.
    pub journal_rows: u64,
    /// Descriptions.
    pub descriptions: u64,
    /// Last event the file knew of; the fresh store goes on after it, so no number is used twice.
    pub last_seq: u64,
}

/// Carries over what can be; what cannot be read is left.
pub(super) fn rescue(damaged: &Path, fresh: &mut Connection) -> Result<Rescued, StorageError> {
    let mut rescued = Rescued::default();
    let Ok(old) = Connection::open_with_flags(damaged, OpenFlags::SQLITE_OPEN_READ_ONLY) else {
        return Ok(rescued);
    };
    let tx = fresh.transaction()?;
    for (id, data) in provenances(&old) {
        tx.execute(
            "INSERT OR IGNORE INTO provenance (id, data) VALUES (?, ?)",
            params![id, data],
        )?;
    }
    let journal = journal(&old);
    rescued.journal_rows = u64::try_from(journal.len()).unwrap_or(u64::MAX);
    let last_journal = journal.last().map_or(0, |row| row.seq);
    JournalEnd::default().append(&tx, &journal)?;
    for (hash, data) in descriptions(&old) {
        rescued.descriptions += 1;
        tx.execute(
            "INSERT OR IGNORE INTO description (hash, data) VALUES (?, ?)",
            params![hash, data],
        )?;
    }
    for (destination, seq) in cursors(&old) {
        tx.execute(
            "INSERT OR IGNORE INTO cursor (destination, seq) VALUES (?, ?)",
            params![destination, seq],
        )?;
    }
    let (last_point, hash) = old
        .query_row(
            "SELECT seq, hash FROM hash_point ORDER BY seq DESC LIMIT 1",
            [],
            |row| Ok((row.get::<_, i64>(0)?, row.get::<_, Hash>(1)?)),
        )
        .unwrap_or_default();
    let last = last_point.max(last_journal);
    if last > 0 {
        tx.execute(
            "INSERT INTO hash_point (seq, hash, keep) VALUES (?, ?, 1)",
            params![last, hash],
        )?;
        tx.execute(
            "INSERT INTO gap (first_seq, last_seq) VALUES (1, ?)",
            [last],
        )?;
    }
    tx.commit()?;
    rescued.last_seq = last.cast_unsigned();
    Ok(rescued)
}

/// All rows up to the first that cannot be read.
fn rows<T>(
    old: &Connection,
    sql: &str,
    read: impl FnMut(&rusqlite::Row<'_>) -> rusqlite::Result<T>,
) -> Vec<T> {
    let Ok(mut statement) = old.prepare(sql) else {
        return Vec::new();
    };
    let Ok(rows) = statement.query_map([], read) else {
        return Vec::new();
    };
    rows.map_while(Result::ok).collect()
}

fn provenances(old: &Connection) -> Vec<(i64, Vec<u8>)> {
    rows(old, "SELECT id, data FROM provenance ORDER BY id", |row| {
        Ok((row.get(0)?, row.get(1)?))
    })
}

fn descriptions(old: &Connection) -> Vec<(Vec<u8>, Vec<u8>)> {
    let mut all = rows(old, "SELECT hash, data FROM description", |row| {
        Ok((row.get(0)?, row.get::<_, Vec<u8>>(1)?))
    });
    all.retain(|(_, data)| checked(data).is_ok());
    all
}

fn cursors(old: &Connection) -> Vec<(String, i64)> {
    rows(old, "SELECT destination, seq FROM cursor", |row| {
        Ok((row.get(0)?, row.get(1)?))
    })
}

/// The journal as far as its chain of hashes holds.
fn journal(old: &Connection) -> Vec<NewRow> {
    let mut before = JournalEnd::default();
    rows(
        old,
        "SELECT j.id, j.seq, j.idx, j.provenance, j.data, j.hash, p.data
         FROM journal j JOIN provenance p ON p.id = j.provenance ORDER BY j.id",
        |row| {
            let new = NewRow {
                seq: row.get(1)?,
                index: row.get(2)?,
                data: row.get(4)?,
                provenance: (row.get(3)?, row.get::<_, Vec<u8>>(6)?.into()),
                booking: None,
            };
            Ok((row.get::<_, i64>(0)?, row.get::<_, Hash>(5)?, new))
        },
    )
    .into_iter()
    .map_while(|(id, hash, mut new)| {
        let expected = link(
            &before.hash,
            id,
            new.seq,
            new.index,
            &new.provenance.1,
            &new.data,
        );
        if id != before.id + 1 || expected != hash {
            return None;
        }
        before = JournalEnd { id, hash };
        let (_, kind) = decode_outcome(&new.data).ok()?;
        new.booking = booking_of(&kind);
        Some(new)
    })
    .collect()
}
