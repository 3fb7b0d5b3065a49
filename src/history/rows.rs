//! What is held becomes rows: readings of a moment in frames, a series or figures in sealed rows.

use std::collections::BTreeMap;

use rusqlite::{Connection, params};

use super::error::StorageError;
use super::format::{FIGURES_AT, Figure};
use super::polls::{Polls, Series, encode_frame};
use super::records::Records;

/// Readings of one series that are not sealed.
#[derive(Debug)]
pub(super) struct Head {
    pub(super) series: Series,
    pub(super) polls: Polls,
    /// Readings that are in head frames.
    pub(super) committed: usize,
    /// Readings that are in merged head frames.
    pub(super) merged: usize,
    /// The commit that brought the first of them.
    pub(super) since: u64,
    /// Not yet in the table.
    pub(super) new: bool,
}

#[derive(Debug, Default)]
pub(super) struct PendingFigures {
    pub(super) records: Records,
    pub(super) committed: usize,
    pub(super) provenance: i64,
}

pub(super) fn insert_series(db: &Connection, series: &Series) -> Result<(), StorageError> {
    let key = series
        .key
        .as_ref()
        .map(|key| postcard::to_allocvec(key.as_ref()))
        .transpose()
        .map_err(|error| StorageError::encode("block key", &error))?;
    db.execute(
        "INSERT INTO series (id, sealed_through, key) VALUES (?, 0, ?)",
        params![series.id, key],
    )?;
    Ok(())
}

/// Turns all readings of a series that are held into one row.
pub(super) fn seal(db: &Connection, head: &mut Head) -> Result<(), StorageError> {
    let seqs = head.polls.stamps.seqs();
    let (Some(first), Some(last)) = (seqs.first(), seqs.last()) else {
        return Ok(());
    };
    let last = *last;
    let range = head.polls.stamps.utc_range(0);
    db.prepare_cached(
        "INSERT INTO sealed (series, first_seq, last_seq, min_utc, max_utc, events, data)
         VALUES (?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        head.series.id,
        first.cast_signed(),
        last.cast_signed(),
        range.map(|(low, _)| low),
        range.map(|(_, high)| high),
        count(seqs.len()),
        head.polls.encode_sealed()?
    ])?;
    db.prepare_cached("UPDATE series SET sealed_through = ? WHERE id = ?")?
        .execute(params![last.cast_signed(), head.series.id])?;
    head.series.sealed_through = last;
    head.polls = Polls::new(head.series.width());
    head.committed = 0;
    head.merged = 0;
    Ok(())
}

/// One row with the readings of all series that no row holds yet; how many bytes that takes.
pub(super) fn write_frame(
    db: &Connection,
    series: &mut BTreeMap<i64, Head>,
) -> Result<usize, StorageError> {
    let fresh = || {
        series
            .values()
            .filter(|head| head.committed < head.polls.len())
    };
    let seqs = || {
        fresh().flat_map(|head| {
            let seqs = head.polls.stamps.seqs();
            [seqs.get(head.committed), seqs.last()]
                .into_iter()
                .flatten()
        })
    };
    let (Some(first), Some(last)) = (seqs().min(), seqs().max()) else {
        return Ok(0);
    };
    let ranges = || fresh().filter_map(|head| head.polls.stamps.utc_range(head.committed));
    let data = encode_frame(fresh().map(|head| (head.series.id, &head.polls, head.committed)))?;
    let bytes = data.len();
    db.prepare_cached(
        "INSERT INTO frame (first_seq, last_seq, min_utc, max_utc, data) VALUES (?, ?, ?, ?, ?)",
    )?
    .execute(params![
        first.cast_signed(),
        last.cast_signed(),
        ranges().map(|(low, _)| low).min(),
        ranges().map(|(_, high)| high).max(),
        data
    ])?;
    for head in series.values_mut() {
        head.committed = head.polls.len();
    }
    Ok(bytes)
}

/// Writes the reports that no row holds yet; true when a full row was sealed.
pub(super) fn write_figures(
    db: &Connection,
    kind: Figure,
    pending: &mut PendingFigures,
) -> Result<bool, StorageError> {
    let sealing = pending.records.len() >= FIGURES_AT;
    let from = if sealing { 0 } else { pending.committed };
    let seqs = pending
        .records
        .stamps
        .seqs()
        .get(from..)
        .unwrap_or_default();
    let (Some(first), Some(last)) = (seqs.first(), seqs.last()) else {
        return Ok(false);
    };
    if sealing {
        db.prepare_cached("DELETE FROM figures WHERE kind = ? AND last_seq >= ? AND sealed = 0")?
            .execute(params![kind as i64, first.cast_signed()])?;
    }
    let range = pending.records.stamps.utc_range(from);
    db.prepare_cached(
        "INSERT INTO figures (kind, first_seq, last_seq, min_utc, max_utc, records, sealed, provenance, data)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        kind as i64,
        first.cast_signed(),
        last.cast_signed(),
        range.map(|(low, _)| low),
        range.map(|(_, high)| high),
        count(seqs.len()),
        sealing,
        pending.provenance,
        pending.records.encode(from)?
    ])?;
    if sealing {
        pending.records = Records::default();
    }
    pending.committed = pending.records.len();
    Ok(sealing)
}

fn count(len: usize) -> i64 {
    i64::try_from(len).unwrap_or(i64::MAX)
}
