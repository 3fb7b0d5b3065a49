//! Opening the database: check it, move it aside when it is unsound, read back what is not sealed.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension};

use super::codec::Malformed;
use super::error::{Damage, StorageError};
use super::format::{self, Figure};
use super::home::{Home, move_aside};
use super::journal::JournalEnd;
use super::polls::{Polls, Series, frame_sections};
use super::records::Records;
use super::rescue::{Rescued, rescue};
use super::rows::{Head, PendingFigures};
use super::writer::Loaded;

/// An opened database with what is not sealed.
pub(super) struct Opened {
    pub(super) db: Connection,
    pub(super) loaded: Loaded,
    pub(super) journal: JournalEnd,
    pub(super) aside: Option<MovedAside>,
}

/// A file that no longer was a sound database.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MovedAside {
    /// Where it lies now.
    pub path: PathBuf,
    /// What was wrong with it.
    pub why: String,
    /// What the fresh store has from it.
    pub rescued: Rescued,
}

/// Opens the database, or begins a new one when there is none or only an unsound one.
pub(super) fn open_or_begin(home: &Home, clean: bool) -> Result<Opened, StorageError> {
    let path = home.database();
    match open_existing(&path, clean) {
        Err(StorageError::Corrupt { detail }) => {
            let aside = move_aside(&path)?;
            let mut begun = open_existing(&path, true)?;
            let rescued = rescue(&aside, &mut begun.db)?;
            Ok(Opened {
                loaded: load(&begun.db)?,
                journal: JournalEnd::read(&begun.db)?,
                aside: Some(MovedAside {
                    path: aside,
                    why: detail,
                    rescued,
                }),
                db: begun.db,
            })
        }
        opened => opened,
    }
}

fn open_existing(path: &Path, clean: bool) -> Result<Opened, StorageError> {
    let corrupt = |detail: &str| StorageError::Corrupt {
        detail: detail.to_owned(),
    };
    let db = Connection::open(path)?;
    let found: i64 = db.query_row("PRAGMA user_version", [], |row| row.get(0))?;
    if found > format::FORMAT {
        return Err(StorageError::NewerFormat {
            path: path.to_owned(),
            found,
            known: format::FORMAT,
        });
    }
    if found == 0 {
        let tables: i64 =
            db.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))?;
        if tables > 0 {
            return Err(corrupt("a database, but not of coldledger"));
        }
        format::prepare_file(&db)?;
        format::prepare_writing(&db)?;
        format::create(&db)?;
    } else {
        format::prepare_writing(&db)?;
        let application: i64 = db.query_row("PRAGMA application_id", [], |row| row.get(0))?;
        if application != format::APPLICATION_ID {
            return Err(corrupt("a database, but not of coldledger"));
        }
        if !clean {
            let answer: String = db.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
            if answer != "ok" {
                return Err(corrupt(&answer));
            }
        }
    }
    let loaded = load(&db)?;
    let journal = JournalEnd::read(&db)?;
    Ok(Opened {
        db,
        loaded,
        journal,
        aside: None,
    })
}

/// Reads back what is committed and not yet sealed.
fn load(db: &Connection) -> Result<Loaded, StorageError> {
    let mut loaded = Loaded::default();
    for series in all_series(db)? {
        loaded.series.insert(
            series.id,
            Head {
                polls: Polls::new(series.width()),
                series,
                committed: 0,
                merged: 0,
                since: 0,
                new: false,
            },
        );
    }
    let end = db
        .query_row(
            "SELECT seq, hash FROM hash_point ORDER BY seq DESC LIMIT 1",
            [],
            |row| Ok((row.get::<_, i64>(0)?, row.get(1)?)),
        )
        .optional()?;
    if let Some((seq, hash)) = end {
        loaded.last_seq = seq.cast_unsigned();
        loaded.hash = hash;
    }
    load_frames(db, &mut loaded)?;
    for kind in Figure::ALL {
        load_figures(db, kind, &mut loaded)?;
    }
    Ok(loaded)
}

/// All blocks that ever were read, and the ticks.
pub(super) fn all_series(db: &Connection) -> Result<Vec<Series>, StorageError> {
    let mut statement =
        db.prepare_cached("SELECT id, sealed_through, key FROM series ORDER BY id")?;
    let mut rows = statement.query([])?;
    let mut all = Vec::new();
    while let Some(row) = rows.next()? {
        let id = row.get(0)?;
        let key: Option<Vec<u8>> = row.get(2)?;
        let key = key
            .map(|key| postcard::from_bytes(&key).map(Arc::new))
            .transpose()
            .map_err(|_| StorageError::Corrupt {
                detail: format!("the key of series {id} does not read back"),
            })?;
        all.push(Series {
            id,
            key,
            sealed_through: row.get::<_, i64>(1)?.cast_unsigned(),
        });
    }
    Ok(all)
}

fn load_frames(db: &Connection, loaded: &mut Loaded) -> Result<(), StorageError> {
    let mut statement =
        db.prepare("SELECT first_seq, last_seq, data FROM frame ORDER BY first_seq")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let data: Vec<u8> = row.get(2)?;
        if let Err(why) = load_frame(&data, &mut loaded.series) {
            loaded.damaged.push(Damage {
                table: "frame",
                first_seq: row.get::<_, i64>(0)?.cast_unsigned(),
                last_seq: row.get::<_, i64>(1)?.cast_unsigned(),
                why: why.to_string(),
            });
        }
    }
    for head in loaded.series.values_mut() {
        head.committed = head.polls.len();
        head.merged = head.committed;
    }
    Ok(())
}

fn load_frame(data: &[u8], series: &mut BTreeMap<i64, Head>) -> Result<(), Malformed> {
    for (id, mut section) in frame_sections(data)? {
        let head = series
            .get_mut(&id)
            .ok_or(Malformed("a series that is not known"))?;
        let polls = Polls::decode_light(&mut section, head.series.width())?;
        section.end()?;
        // A row is sealed at a commit, so a frame is either wholly sealed for a series or not.
        if polls
            .stamps
            .seqs()
            .first()
            .is_some_and(|seq| *seq > head.series.sealed_through)
        {
            head.polls.extend(&polls);
        }
    }
    Ok(())
}

fn load_figures(db: &Connection, kind: Figure, loaded: &mut Loaded) -> Result<(), StorageError> {
    let mut statement = db.prepare_cached(
        "SELECT first_seq, last_seq, provenance, data FROM figures WHERE kind = ?1 AND sealed = 0
         AND last_seq > (SELECT coalesce(max(last_seq), 0) FROM figures WHERE kind = ?1 AND sealed = 1)
         ORDER BY last_seq",
    )?;
    let mut rows = statement.query([kind as i64])?;
    let mut pending = PendingFigures::default();
    while let Some(row) = rows.next()? {
        let provenance = row.get(2)?;
        let data: Vec<u8> = row.get(3)?;
        if pending.provenance != provenance {
            pending = PendingFigures {
                provenance,
                ..PendingFigures::default()
            };
        }
        match Records::open(&data).and_then(super::records::Packed::unpack_all) {
            Ok(records) => pending.records.extend(records),
            Err(why) => {
                loaded.damaged.push(Damage {
                    table: "figures",
                    first_seq: row.get::<_, i64>(0)?.cast_unsigned(),
                    last_seq: row.get::<_, i64>(1)?.cast_unsigned(),
                    why: why.to_string(),
                });
                // The damaged row stays as it is; what follows is gathered anew.
                pending.records = Records::default();
            }
        }
    }
    pending.committed = pending.records.len();
    loaded.figures.insert(kind, pending);
    Ok(())
}
