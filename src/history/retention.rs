//! The disk budget: when it is exceeded, the oldest readings and figures go, and what went is on
//! record. Journal, ledger, descriptions and the rare events (actions, bookings) stay.

use rusqlite::{Connection, params};

use super::error::StorageError;

/// Rows that are looked at together.
const STEP: i64 = 64;

/// What was dropped to keep the disk budget.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trimmed {
    /// "raw readings" or "figures".
    pub what: String,
    /// First event that a dropped row was about.
    pub first_seq: u64,
    /// Last event that a dropped row was about.
    pub last_seq: u64,
    /// Rows dropped.
    pub rows: u64,
    /// Bytes of data in them.
    pub bytes: u64,
}

/// Bytes in use, without pages that are free again.
pub(super) fn used_bytes(db: &Connection) -> Result<u64, StorageError> {
    let number = |pragma: &str| -> Result<u64, StorageError> {
        Ok(db
            .query_row(pragma, [], |row| row.get::<_, i64>(0))?
            .cast_unsigned())
    };
    let pages = number("PRAGMA page_count")?.saturating_sub(number("PRAGMA freelist_count")?);
    Ok(pages.saturating_mul(number("PRAGMA page_size")?))
}

/// Drops the oldest rows until the budget is kept with a twentieth to spare.
pub(super) fn keep_budget(db: &mut Connection, budget: u64) -> Result<Vec<Trimmed>, StorageError> {
    let used = used_bytes(db)?;
    if used <= budget {
        return Ok(Vec::new());
    }
    let mut excess = used.saturating_sub(budget - budget / 20);
    let mut dropped = [Trimmed::none("raw readings"), Trimmed::none("figures")];
    let tx = db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    while excess > 0 {
        let oldest = oldest(&tx)?;
        if oldest.is_empty() {
            break;
        }
        for row in oldest {
            if excess == 0 {
                break;
            }
            let [raw, figures] = &mut dropped;
            let (table, trimmed) = match row.table {
                0 => ("sealed", raw),
                _ => ("figures", figures),
            };
            tx.prepare_cached(&format!("DELETE FROM {table} WHERE rowid = ?"))?
                .execute([row.rowid])?;
            excess = excess.saturating_sub(row.bytes);
            trimmed.add(&row);
        }
    }
    let dropped: Vec<Trimmed> = dropped
        .into_iter()
        .filter(|trimmed| trimmed.rows > 0)
        .collect();
    for trimmed in &dropped {
        tx.execute(
            "INSERT INTO trimmed (what, first_seq, last_seq, dropped_rows, bytes) VALUES (?, ?, ?, ?, ?)",
            params![
                trimmed.what,
                trimmed.first_seq.cast_signed(),
                trimmed.last_seq.cast_signed(),
                trimmed.rows.cast_signed(),
                trimmed.bytes.cast_signed()
            ],
        )?;
    }
    tx.commit()?;
    if !dropped.is_empty() {
        let mut vacuum = db.prepare("PRAGMA incremental_vacuum")?;
        let mut steps = vacuum.query([])?;
        while steps.next()?.is_some() {}
    }
    Ok(dropped)
}

struct Candidate {
    table: i64,
    rowid: i64,
    first_seq: u64,
    last_seq: u64,
    bytes: u64,
}

fn oldest(db: &Connection) -> Result<Vec<Candidate>, StorageError> {
    let mut statement = db.prepare_cached(
        "SELECT 0, rowid, first_seq, last_seq, length(data) FROM sealed
         UNION ALL SELECT 1, rowid, first_seq, last_seq, length(data) FROM figures WHERE sealed = 1
         ORDER BY 4 LIMIT ?",
    )?;
    let rows = statement.query_map([STEP], |row| {
        Ok(Candidate {
            table: row.get(0)?,
            rowid: row.get(1)?,
            first_seq: row.get::<_, i64>(2)?.cast_unsigned(),
            last_seq: row.get::<_, i64>(3)?.cast_unsigned(),
            bytes: row.get::<_, i64>(4)?.cast_unsigned(),
        })
    })?;
    Ok(rows.collect::<Result<Vec<_>, _>>()?)
}

impl Trimmed {
    fn none(what: &str) -> Self {
        Self {
            what: what.to_owned(),
            first_seq: u64::MAX,
            last_seq: 0,
            rows: 0,
            bytes: 0,
        }
    }

    fn add(&mut self, row: &Candidate) {
        self.first_seq = self.first_seq.min(row.first_seq);
        self.last_seq = self.last_seq.max(row.last_seq);
        self.rows += 1;
        self.bytes += row.bytes;
    }
}

/// All that was ever dropped, oldest first.
pub(super) fn all(db: &Connection) -> Result<Vec<Trimmed>, StorageError> {
    let mut statement = db.prepare(
        "SELECT what, first_seq, last_seq, dropped_rows, bytes FROM trimmed ORDER BY id",
    )?;
    let rows = statement.query_map([], |row| {
        Ok(Trimmed {
            what: row.get(0)?,
            first_seq: row.get::<_, i64>(1)?.cast_unsigned(),
            last_seq: row.get::<_, i64>(2)?.cast_unsigned(),
            rows: row.get::<_, i64>(3)?.cast_unsigned(),
            bytes: row.get::<_, i64>(4)?.cast_unsigned(),
        })
    })?;
    Ok(rows.collect::<Result<Vec<_>, _>>()?)
}
