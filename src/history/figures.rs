//! Stored outcomes by time, for pages and reports, and by position, for deliveries.

use std::sync::Arc;

use rusqlite::{Row, params};

use super::codec::Malformed;
use super::error::{Damage, StorageError};
use super::format::Figure;
use super::journal::decode_outcome;
use super::reader::{Provenances, Reader, StoredOutcome, View};
use super::records::{Packed, Records};
use crate::engine::{InventoryReport, LossReport, Outcome, OutcomeKind, Provenance};
use crate::time::{Stamp, Timestamp};

/// A report as stored.
#[derive(Debug, Clone, PartialEq)]
pub struct Dated<T> {
    /// The event that it follows from.
    pub seq: u64,
    /// Its time.
    pub stamp: Stamp,
    /// What it says.
    pub report: T,
    /// What it rests on.
    pub provenance: Arc<Provenance>,
}

/// Reports found, and rows that did not read back.
#[derive(Debug, Clone, PartialEq)]
pub struct Found<T> {
    /// In order of `seq`.
    pub reports: Vec<Dated<T>>,
    /// Rows that were passed over.
    pub damaged: Vec<Damage>,
}

impl Reader {
    /// Inventories whose wall time lies in `[from, to)`. When there are more than `max_points`,
    /// the first of each of that many equal stretches of time; a stretch without data gives none.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn inventory_between(
        &self,
        from: Timestamp,
        to: Timestamp,
        max_points: usize,
    ) -> Result<Found<InventoryReport>, StorageError> {
        self.figures_between(Figure::Inventory, from, to, max_points, |kind| match kind {
            OutcomeKind::Inventory(report) => Some(report),
            _ => None,
        })
    }

    /// Loss reports of the plant whose wall time lies in `[from, to)`, thinned as in
    /// [`Self::inventory_between`].
    ///
    /// # Errors
    /// What the database refuses.
    pub fn losses_between(
        &self,
        from: Timestamp,
        to: Timestamp,
        max_points: usize,
    ) -> Result<Found<LossReport>, StorageError> {
        self.figures_between(Figure::PlantLosses, from, to, max_points, losses)
    }

    /// All loss reports of sections whose wall time lies in `[from, to)`, every section.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn section_losses_between(
        &self,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Found<LossReport>, StorageError> {
        self.figures_between(Figure::SectionLosses, from, to, usize::MAX, losses)
    }

    fn figures_between<T>(
        &self,
        kind: Figure,
        from: Timestamp,
        to: Timestamp,
        max_points: usize,
        take: impl Fn(OutcomeKind) -> Option<T>,
    ) -> Result<Found<T>, StorageError> {
        let _view = View::begin(&self.db)?;
        let mut provenances = Provenances::new(&self.db);
        let mut found = Found {
            reports: Vec::new(),
            damaged: Vec::new(),
        };
        // Two statements rather than one, since a sum over an index is far quicker than over rows.
        let records: Option<i64> = self
            .db
            .prepare_cached(
                "SELECT sum(records) FROM figures WHERE kind = ? AND max_utc >= ? AND min_utc < ?",
            )?
            .query_row(params![kind as i64, from.millis(), to.millis()], |row| {
                row.get(0)
            })?;
        let thin = usize::try_from(records.unwrap_or(0)).unwrap_or(usize::MAX) > max_points;
        let mut stretches = Stretches::new(from, to, thin.then_some(max_points));
        let mut statement = self.db.prepare_cached(
            "SELECT first_seq, last_seq, provenance, data FROM figures
             WHERE kind = ? AND max_utc >= ? AND min_utc < ? ORDER BY last_seq",
        )?;
        let mut rows = statement.query(params![kind as i64, from.millis(), to.millis()])?;
        while let Some(row) = rows.next()? {
            let data = row.get_ref(3)?.as_blob().unwrap_or_default();
            let outcomes = Records::open(data).and_then(|packed| {
                let wanted: Vec<bool> = (0..packed.stamps.len())
                    .map(|at| packed.stamps.utc(at).is_some_and(|utc| stretches.take(utc)))
                    .collect();
                unpack(&packed, &|at| wanted.get(at) == Some(&true))
            });
            match outcomes {
                Ok(outcomes) => {
                    let provenance = provenances.get(row.get(2)?)?;
                    found
                        .reports
                        .extend(outcomes.into_iter().filter_map(|outcome| {
                            Some(Dated {
                                seq: outcome.seq,
                                stamp: outcome.stamp,
                                report: take(outcome.kind)?,
                                provenance: Arc::clone(&provenance),
                            })
                        }));
                }
                Err(why) => found.damaged.push(damage(row, why)?),
            }
        }
        Ok(found)
    }

    /// The outcomes after an event in their order, about `limit` of them: those of one event are
    /// never split, so the last one's `seq` is where to go on. Damaged rows are passed over.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn outcomes_after(
        &self,
        seq: u64,
        limit: usize,
    ) -> Result<Vec<StoredOutcome>, StorageError> {
        let _view = View::begin(&self.db)?;
        let after = seq.min(i64::MAX.cast_unsigned()).cast_signed();
        let limit = limit.max(1);
        // Each source goes as far as `limit` outcomes; beyond the nearest of these ends the order
        // is not known yet.
        let (mut outcomes, mut complete) = self.journal_after(after, limit)?;
        for kind in Figure::ALL {
            let (more, through) = self.figures_after(kind, after, limit)?;
            outcomes.extend(more);
            complete = complete.min(through);
        }
        outcomes.retain(|stored| stored.outcome.seq <= complete);
        outcomes.sort_by_key(|stored| (stored.outcome.seq, stored.outcome.index));
        if let Some(last) = outcomes.get(limit - 1).map(|stored| stored.outcome.seq) {
            outcomes.retain(|stored| stored.outcome.seq <= last);
        }
        Ok(outcomes)
    }

    fn journal_after(
        &self,
        after: i64,
        limit: usize,
    ) -> Result<(Vec<StoredOutcome>, u64), StorageError> {
        let last: Option<i64> = self
            .db
            .prepare_cached(
                "SELECT max(seq) FROM (SELECT seq FROM journal WHERE seq > ? ORDER BY seq LIMIT ?)",
            )?
            .query_row(
                params![after, i64::try_from(limit).unwrap_or(i64::MAX)],
                |row| row.get(0),
            )?;
        let Some(last) = last else {
            return Ok((Vec::new(), u64::MAX));
        };
        let rows = self.journal_rows("WHERE j.seq > ?1 AND j.seq <= ?2", after, last)?;
        let complete = if rows.len() < limit {
            u64::MAX
        } else {
            last.cast_unsigned()
        };
        Ok((rows.into_iter().map(|row| row.outcome).collect(), complete))
    }

    fn figures_after(
        &self,
        kind: Figure,
        after: i64,
        limit: usize,
    ) -> Result<(Vec<StoredOutcome>, u64), StorageError> {
        let mut statement = self.db.prepare_cached(
            "SELECT first_seq, last_seq, provenance, data FROM figures
             WHERE kind = ? AND last_seq > ? ORDER BY last_seq",
        )?;
        let mut rows = statement.query(params![kind as i64, after])?;
        let mut provenances = Provenances::new(&self.db);
        let mut found = Vec::new();
        while let Some(row) = rows.next()? {
            let data = row.get_ref(3)?.as_blob().unwrap_or_default();
            let outcomes = Records::open(data).and_then(|packed| {
                let seqs = packed.stamps.seqs();
                let first = seqs.partition_point(|seq| *seq <= after.cast_unsigned());
                // Of a long row only what is asked for, but never part of one event.
                let end = seqs
                    .get(first.saturating_add(limit - 1))
                    .map_or(seqs.len(), |last| seqs.partition_point(|seq| seq <= last));
                Ok((
                    unpack(&packed, &|at| (first..end).contains(&at))?,
                    end < seqs.len(),
                ))
            });
            let mut cut = false;
            if let Ok((outcomes, more)) = outcomes {
                cut = more;
                let provenance = provenances.get(row.get(2)?)?;
                found.extend(outcomes.into_iter().map(|outcome| StoredOutcome {
                    outcome,
                    provenance: Arc::clone(&provenance),
                }));
            }
            if cut || found.len() >= limit {
                let through = found.last().map_or(0, |stored| stored.outcome.seq);
                return Ok((found, through));
            }
        }
        Ok((found, u64::MAX))
    }
}

fn losses(kind: OutcomeKind) -> Option<LossReport> {
    match kind {
        OutcomeKind::Losses(report) => Some(report),
        _ => None,
    }
}

fn unpack(packed: &Packed<'_>, wanted: &dyn Fn(usize) -> bool) -> Result<Vec<Outcome>, Malformed> {
    if !(0..packed.stamps.len()).any(wanted) {
        return Ok(Vec::new());
    }
    packed
        .unpack(wanted)?
        .into_iter()
        .map(|(at, record)| {
            let (stamp, kind) =
                decode_outcome(&record).map_err(|_| Malformed("an outcome does not read back"))?;
            let (seq, _) = packed
                .stamps
                .get(at)
                .ok_or(Malformed("a record without a position"))?;
            let index = packed.index.get(at).copied().unwrap_or(0);
            Ok(Outcome {
                seq,
                index,
                stamp,
                kind,
            })
        })
        .collect()
}

fn damage(row: &Row<'_>, why: Malformed) -> Result<Damage, StorageError> {
    Ok(Damage {
        table: "figures",
        first_seq: row.get::<_, i64>(0)?.cast_unsigned(),
        last_seq: row.get::<_, i64>(1)?.cast_unsigned(),
        why: why.to_string(),
    })
}

/// Takes the first point of each stretch of time.
struct Stretches {
    from: i64,
    to: i64,
    /// None when every point is taken.
    stretch: Option<i64>,
    last: Option<i64>,
}

impl Stretches {
    fn new(from: Timestamp, to: Timestamp, most: Option<usize>) -> Self {
        let (from, to) = (from.millis(), to.millis());
        let stretch = most.map(|most| {
            let most = i64::try_from(most.max(1)).unwrap_or(i64::MAX);
            let over = to.saturating_sub(from);
            (over / most + i64::from(over % most != 0)).max(1)
        });
        Self {
            from,
            to,
            stretch,
            last: None,
        }
    }

    fn take(&mut self, utc: Timestamp) -> bool {
        let utc = utc.millis();
        if utc < self.from || utc >= self.to {
            return false;
        }
        let Some(stretch) = self.stretch else {
            return true;
        };
        let nth = utc.saturating_sub(self.from) / stretch;
        self.last.replace(nth) != Some(nth)
    }
}
