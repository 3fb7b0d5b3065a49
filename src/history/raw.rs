//! Raw readings of one block by wall time.

use std::sync::Arc;

use rusqlite::{OptionalExtension, params};

use super::error::{Damage, StorageError};
use super::polls::{Polls, Series, frame_sections};
use super::reader::{Reader, View};
use crate::engine::PollFault;
use crate::plant::BlockKey;
use crate::time::{Stamp, Timestamp};

/// A reading: when, and the words or why there are none.
pub type RawSample = (Stamp, Result<Vec<u16>, PollFault>);

impl Reader {
    /// Readings of a block whose wall time lies in `[from, to)`, in order of `seq`; read row by
    /// row as the iterator goes. Readings without wall time are not found here, only by replay.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn raw_between(
        &self,
        block: &BlockKey,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<RawSamples<'_>, StorageError> {
        self.words_between(block, 0, block.words, from, to)
    }

    /// As [`Self::raw_between`], but of each reading only `count` words from `offset` on: the
    /// registers of one channel cost a small part of the whole block.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn words_between(
        &self,
        block: &BlockKey,
        offset: u16,
        count: u16,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<RawSamples<'_>, StorageError> {
        let view = View::begin(&self.db)?;
        let key = postcard::to_allocvec(block)
            .map_err(|error| StorageError::encode("block key", &error))?;
        let series = self
            .db
            .prepare_cached("SELECT id, sealed_through FROM series WHERE key = ?")?
            .query_row([key], |row| {
                Ok(Series {
                    id: row.get(0)?,
                    key: Some(Arc::new(block.clone())),
                    sealed_through: row.get::<_, i64>(1)?.cast_unsigned(),
                })
            })
            .optional()?;
        let mut rows = Vec::new();
        if let Some(series) = &series {
            let mut sealed = self.db.prepare_cached(
                "SELECT rowid FROM sealed WHERE series = ? AND max_utc >= ? AND min_utc < ?
                 ORDER BY last_seq DESC",
            )?;
            let mut frames = self.db.prepare_cached(
                "SELECT first_seq FROM frame WHERE max_utc >= ? AND min_utc < ? AND last_seq > ?
                 ORDER BY first_seq DESC",
            )?;
            // Taken from the end: the oldest stands last.
            for row in frames.query_map(
                params![
                    from.millis(),
                    to.millis(),
                    series.sealed_through.cast_signed()
                ],
                |row| Ok(Place::Frame(row.get(0)?)),
            )? {
                rows.push(row?);
            }
            for row in sealed.query_map(params![series.id, from.millis(), to.millis()], |row| {
                Ok(Place::Sealed(row.get(0)?))
            })? {
                rows.push(row?);
            }
        }
        Ok(RawSamples {
            reader: self,
            _view: view,
            series,
            rows,
            polls: Polls::default(),
            at: 0,
            offset: usize::from(offset),
            count: usize::from(count),
            from,
            to,
            damaged: Vec::new(),
            failed: None,
        })
    }
}

#[derive(Debug, Clone, Copy)]
enum Place {
    Sealed(i64),
    Frame(i64),
}

/// Readings, read row by row. While it lives, its reader sees the store as it was when it began.
#[derive(Debug)]
pub struct RawSamples<'a> {
    reader: &'a Reader,
    _view: View<'a>,
    series: Option<Series>,
    /// Rows still to be read, the next one last.
    rows: Vec<Place>,
    polls: Polls,
    at: usize,
    offset: usize,
    count: usize,
    from: Timestamp,
    to: Timestamp,
    damaged: Vec<Damage>,
    failed: Option<StorageError>,
}

impl RawSamples<'_> {
    /// Rows that did not read back; complete once the iterator has ended.
    #[must_use]
    pub fn damaged(&self) -> &[Damage] {
        &self.damaged
    }

    /// Why the iterator ended early, if it did.
    #[must_use]
    pub fn failed(&self) -> Option<&StorageError> {
        self.failed.as_ref()
    }

    fn load(&mut self, place: Place) -> Result<(), StorageError> {
        let Some(series) = &self.series else {
            return Ok(());
        };
        let (sql, id, table) = match place {
            Place::Sealed(id) => (
                "SELECT first_seq, last_seq, data FROM sealed WHERE rowid = ?",
                id,
                "sealed",
            ),
            Place::Frame(id) => (
                "SELECT first_seq, last_seq, data FROM frame WHERE first_seq = ?",
                id,
                "frame",
            ),
        };
        let mut statement = self.reader.db.prepare_cached(sql)?;
        let mut rows = statement.query([id])?;
        let Some(row) = rows.next()? else {
            return Ok(());
        };
        let data = row.get_ref(2)?.as_blob().unwrap_or_default();
        let polls = match place {
            Place::Sealed(_) => Polls::decode_sealed(data, self.offset, self.count),
            Place::Frame(_) => frame_sections(data).and_then(|sections| {
                match sections.into_iter().find(|(id, _)| *id == series.id) {
                    Some((_, mut section)) => Polls::decode_light(&mut section, series.width())
                        .map(|polls| polls.narrowed(self.offset, self.count)),
                    None => Ok(Polls::default()),
                }
            }),
        };
        self.at = 0;
        match polls {
            Ok(polls) => {
                self.at = match place {
                    Place::Sealed(_) => 0,
                    Place::Frame(_) => polls
                        .stamps
                        .seqs()
                        .partition_point(|seq| *seq <= series.sealed_through),
                };
                self.polls = polls;
            }
            Err(why) => {
                self.polls = Polls::default();
                self.damaged.push(Damage {
                    table,
                    first_seq: row.get::<_, i64>(0)?.cast_unsigned(),
                    last_seq: row.get::<_, i64>(1)?.cast_unsigned(),
                    why: why.to_string(),
                });
            }
        }
        Ok(())
    }
}

impl Iterator for RawSamples<'_> {
    type Item = RawSample;

    fn next(&mut self) -> Option<RawSample> {
        loop {
            while let Some((_, stamp)) = self.polls.stamps.get(self.at) {
                let at = self.at;
                self.at += 1;
                if stamp
                    .utc
                    .is_some_and(|utc| (self.from..self.to).contains(&utc))
                {
                    return Some((stamp, self.polls.words(at)));
                }
            }
            let place = self.rows.pop()?;
            if let Err(error) = self.load(place) {
                self.rows.clear();
                self.polls = Polls::default();
                self.failed = Some(error);
            }
        }
    }
}
