//! The store's one writer: buffers events and outcomes, commits them in one small transaction, and
//! seals what has gathered into compressed rows.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;

use rusqlite::{Connection, params};

use super::codec::with_checksum;
use super::error::{Damage, StorageError};
use super::format::{Figure, Lane, MERGE_AT, MOST_COMMITS, PAGE, SEAL_AT, TICKS};
use super::home::{Home, Suspect};
use super::journal::{Hash, JournalEnd, NewRow, OutcomeHasher, booking_of, encode_outcome};
use super::open::{MovedAside, Opened, open_or_begin};
use super::polls::{Polls, Series};
use super::retention::{self, Trimmed};
use super::rows::{Head, PendingFigures, insert_series, seal, write_figures, write_frame};
use crate::engine::{Event, EventKind, Outcome, Provenance};
use crate::plant::BlockKey;
use crate::plant::poll_plan::MOST_REGISTERS;
use crate::time::{Monotonic, Span, Stamp};

/// Most events held between two commits.
const MOST_UNCOMMITTED: usize = 300_000;

/// Events after which a process that follows an unclean end counts as living: about half an hour
/// of the demo plant.
const CALM_AFTER: u64 = 5_000;

/// How the store is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoreSettings {
    /// Bytes that the database may take; beyond them the oldest readings and figures go. The
    /// journal, the ledger and the descriptions stay whatever they take.
    pub disk_budget_bytes: u64,
    /// Time of events at risk: [`Store::commit_due`] says when that much waits.
    pub commit_every: Span,
}

/// What was found when the store was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recovery {
    /// Whether the last owner ended as asked (true for a new store).
    pub clean: bool,
    /// Last event on record; 0 when there is none.
    pub last_seq: u64,
    /// Ends that nobody asked for, in a row; zero after a clean one.
    pub deaths: u32,
    /// The event that was being applied at the last of them, if it was marked.
    pub suspect: Option<Suspect>,
    /// A file that no longer was a sound database was moved aside, and a fresh store begun.
    pub moved_aside: Option<MovedAside>,
    /// This directory had an owner before, but no history file any more, or one without a byte, as a crash
    /// of the file system leaves it: a fresh one was begun.
    pub gone: bool,
    /// Rows that did not read back and are passed over.
    pub damaged: Vec<Damage>,
}

/// The store, opened for writing; one per data directory.
#[derive(Debug)]
pub struct Store {
    pub(super) db: Connection,
    home: Home,
    settings: StoreSettings,
    /// By id; 0 are the ticks.
    series: BTreeMap<i64, Head>,
    by_key: BTreeMap<Arc<BlockKey>, i64>,
    rows: Vec<(i64, Vec<u8>)>,
    figures: BTreeMap<Figure, PendingFigures>,
    journal: JournalEnd,
    journal_rows: Vec<NewRow>,
    provenance: Option<(i64, Arc<[u8]>)>,
    hasher: OutcomeHasher,
    last_seq: u64,
    durable_seq: u64,
    commits: u64,
    /// Commits since frames were last merged, and bytes in them.
    unmerged: (usize, usize),
    /// Last event in merged frames.
    merged_through: i64,
    sealing_all: bool,
    waiting: Option<Waiting>,
    appended: u64,
    refusing: Option<String>,
    trimmed: Vec<Trimmed>,
    gaps: Vec<(u64, u64)>,
}

/// What waits for a commit.
#[derive(Debug, Clone, Copy)]
struct Waiting {
    since: Stamp,
    last: Monotonic,
    events: usize,
}

/// What opening reads back.
#[derive(Debug, Default)]
pub(super) struct Loaded {
    pub(super) series: BTreeMap<i64, Head>,
    pub(super) figures: BTreeMap<Figure, PendingFigures>,
    pub(super) last_seq: u64,
    pub(super) hash: Hash,
    pub(super) damaged: Vec<Damage>,
}

impl Store {
    /// Opens the store of a data directory, or begins one.
    ///
    /// # Errors
    /// [`StorageError::InUse`] when another process has it, [`StorageError::NewerFormat`] when a
    /// later version wrote it, otherwise what the file system or the database refuses. A damaged
    /// file is no error: it is moved aside and told in [`Recovery`].
    pub fn open(
        directory: &Path,
        settings: &StoreSettings,
    ) -> Result<(Self, Recovery), StorageError> {
        let (home, last) = Home::take(directory)?;
        let gone = last.owned_before && !home.holds_a_history();
        let Opened {
            db,
            loaded,
            journal,
            aside,
        } = open_or_begin(&home, last.clean)?;
        let recovery = Recovery {
            clean: last.clean,
            last_seq: loaded.last_seq,
            deaths: last.deaths,
            suspect: last.suspect,
            moved_aside: aside,
            gone,
            damaged: loaded.damaged,
        };
        let by_key = loaded
            .series
            .iter()
            .filter_map(|(id, head)| Some((Arc::clone(head.series.key.as_ref()?), *id)))
            .collect();
        let store = Self {
            db,
            home,
            settings: settings.clone(),
            series: loaded.series,
            by_key,
            rows: Vec::new(),
            figures: loaded.figures,
            journal,
            journal_rows: Vec::new(),
            provenance: None,
            hasher: OutcomeHasher::from_hash(loaded.hash),
            last_seq: loaded.last_seq,
            durable_seq: loaded.last_seq,
            commits: 0,
            unmerged: (0, 0),
            merged_through: loaded.last_seq.cast_signed(),
            sealing_all: false,
            waiting: None,
            appended: 0,
            refusing: None,
            trimmed: Vec::new(),
            gaps: Vec::new(),
        };
        Ok((store, recovery))
    }

    /// The last event appended; 0 when there is none.
    #[must_use]
    pub fn last_seq(&self) -> u64 {
        self.last_seq
    }

    /// The last event that is on the disk.
    #[must_use]
    pub fn durable_seq(&self) -> u64 {
        self.durable_seq
    }

    /// Hash over all outcomes appended so far.
    #[must_use]
    pub fn outcome_hash(&self) -> Hash {
        self.hasher.hash()
    }

    /// Whether the last process ended unasked and this one has not yet outlived 5,000 events:
    /// mark every event before applying it ([`Self::mark_in_flight`]), not only those replayed.
    #[must_use]
    pub fn careful(&self) -> bool {
        self.home.careful()
    }

    /// Says what all outcomes from here on rest on; commits what came before, if that is a change.
    ///
    /// # Errors
    /// As [`Self::commit`].
    pub fn provenance(&mut self, provenance: &Provenance) -> Result<(), StorageError> {
        self.willing()?;
        let bytes = postcard::to_allocvec(provenance)
            .map_err(|error| StorageError::encode("provenance", &error))?;
        if let Some((_, current)) = &self.provenance
            && **current == *bytes
        {
            return Ok(());
        }
        self.db.execute(
            "INSERT OR IGNORE INTO provenance (data) VALUES (?)",
            [&bytes],
        )?;
        let id = self.db.query_row(
            "SELECT id FROM provenance WHERE data = ?",
            [&bytes],
            |row| row.get(0),
        )?;
        // One row of figures has one provenance: what was begun under another stays as it is.
        self.commit()?;
        self.figures.retain(|_, pending| pending.provenance == id);
        self.provenance = Some((id, bytes.into()));
        Ok(())
    }

    /// Takes an event and what follows from it; on the disk they are after [`Self::commit`].
    ///
    /// # Errors
    /// [`StorageError::OutOfOrder`] when the event does not follow the last one,
    /// [`StorageError::NoProvenance`], [`StorageError::Backlog`] when nobody commits, and
    /// [`StorageError::Refusing`] after a failed write. Nothing is taken then.
    pub fn append(&mut self, event: &Event, outcomes: &[Outcome]) -> Result<(), StorageError> {
        self.willing()?;
        if Some(event.seq) != self.last_seq.checked_add(1) || event.seq > i64::MAX.cast_unsigned() {
            return Err(StorageError::OutOfOrder {
                last: self.last_seq,
                got: event.seq,
            });
        }
        let events = self.waiting.map_or(0, |waiting| waiting.events);
        if events >= MOST_UNCOMMITTED {
            return Err(StorageError::Backlog { events });
        }
        let encoded = outcomes
            .iter()
            .map(encode_outcome)
            .collect::<Result<Vec<_>, _>>()?;
        let provenance = match &self.provenance {
            Some(provenance) => Some(provenance.clone()),
            None if outcomes.is_empty() => None,
            None => return Err(StorageError::NoProvenance { seq: event.seq }),
        };
        self.take_event(event)?;
        for (outcome, body) in outcomes.iter().zip(encoded) {
            self.hasher.add_encoded(outcome.seq, outcome.index, &body);
            if let Some(provenance) = &provenance {
                self.take_outcome(outcome, body, provenance.clone());
            }
        }
        self.last_seq = event.seq;
        self.appended = self.appended.saturating_add(1);
        self.waiting = Some(match self.waiting {
            Some(waiting) => Waiting {
                last: event.stamp.monotonic,
                events: events + 1,
                ..waiting
            },
            None => Waiting {
                since: event.stamp,
                last: event.stamp.monotonic,
                events: 1,
            },
        });
        Ok(())
    }

    /// Commits, and seals all readings held, however few: for an export, or before a long stop.
    ///
    /// # Errors
    /// As [`Self::commit`].
    pub fn seal_all(&mut self) -> Result<u64, StorageError> {
        self.sealing_all = true;
        self.commit()
    }

    /// Whether events wait that are older than the settings allow.
    #[must_use]
    pub fn commit_due(&self) -> bool {
        self.waiting.is_some_and(|waiting| {
            waiting.last - waiting.since.monotonic >= self.settings.commit_every
        })
    }

    /// Puts everything appended on the disk, and returns the last event that is there.
    ///
    /// # Errors
    /// [`StorageError::Full`] and whatever else the database refuses; after that the store refuses
    /// to write until it is reopened.
    pub fn commit(&mut self) -> Result<u64, StorageError> {
        self.willing()?;
        if self.waiting.is_none() && !self.sealing_all {
            return Ok(self.durable_seq);
        }
        let sealed = self.write().map_err(|error| self.refuse(error))?;
        self.durable_seq = self.last_seq;
        self.waiting = None;
        self.home.clear_in_flight()?;
        if self.home.careful() && self.appended >= CALM_AFTER {
            self.home.calm()?;
        }
        if sealed {
            let trimmed = retention::keep_budget(&mut self.db, self.settings.disk_budget_bytes)
                .map_err(|error| self.refuse(error))?;
            self.trimmed.extend(trimmed);
        }
        Ok(self.durable_seq)
    }

    /// Lets the database file grow to so many bytes and no further: a write that needs more fails
    /// as on a full disk. The limit lasts until the store is closed.
    ///
    /// # Errors
    /// What the database refuses.
    pub fn limit_file(&mut self, bytes: u64) -> Result<(), StorageError> {
        let page: i64 = self
            .db
            .query_row("PRAGMA page_size", [], |row| row.get(0))?;
        let pages = i64::try_from(bytes).unwrap_or(i64::MAX) / page.max(1);
        self.db.query_row(
            &format!("PRAGMA max_page_count = {}", pages.max(1)),
            [],
            |_| Ok(()),
        )?;
        Ok(())
    }

    /// What the disk budget has cost since this was last asked.
    pub fn take_trimmed(&mut self) -> Vec<Trimmed> {
        std::mem::take(&mut self.trimmed)
    }

    /// Goes on at a later event, since those between were never recorded (a full disk). The gap
    /// itself is on record with the next commit.
    ///
    /// # Errors
    /// [`StorageError::OutOfOrder`] when that event is already on record.
    pub fn skip_to(&mut self, next_seq: u64) -> Result<(), StorageError> {
        self.willing()?;
        let first = self.last_seq.saturating_add(1);
        if next_seq < first || next_seq > i64::MAX.cast_unsigned() {
            return Err(StorageError::OutOfOrder {
                last: self.last_seq,
                got: next_seq,
            });
        }
        if next_seq > first {
            self.gaps.push((first, next_seq - 1));
            self.last_seq = next_seq - 1;
        }
        Ok(())
    }

    /// Notes that this event is about to be applied; a commit clears the note. When the process
    /// dies meanwhile, the next [`Recovery::suspect`] names the event. The note is one small write
    /// without a sync (about a microsecond): mark every event of a replay at the start, and every
    /// live one while [`Self::careful`] holds.
    ///
    /// `kind` is the event's content, so that one that was not yet on record is known again when it
    /// comes back under another number; empty for events that are all alike (ticks).
    ///
    /// # Errors
    /// When the note cannot be written.
    pub fn mark_in_flight(&mut self, seq: u64, kind: &[u8]) -> Result<(), StorageError> {
        self.home.mark_in_flight(seq, kind)
    }

    /// Nothing is being applied any more: at the end of a replay, which commits nothing.
    ///
    /// # Errors
    /// When the note cannot be written.
    pub fn clear_in_flight(&mut self) -> Result<(), StorageError> {
        self.home.clear_in_flight()
    }

    /// Commits, and notes that the end was as asked.
    ///
    /// # Errors
    /// As [`Self::commit`].
    pub fn close(mut self) -> Result<(), StorageError> {
        self.commit()?;
        self.db.close().map_err(|(_, error)| error)?;
        self.home.note_stopped()
    }

    pub(super) fn willing(&self) -> Result<(), StorageError> {
        match &self.refusing {
            Some(cause) => Err(StorageError::Refusing {
                cause: cause.clone(),
            }),
            None => Ok(()),
        }
    }

    pub(super) fn refuse(&mut self, error: StorageError) -> StorageError {
        self.refusing = Some(error.to_string());
        error
    }

    fn take_event(&mut self, event: &Event) -> Result<(), StorageError> {
        let (id, words) = match &event.kind {
            EventKind::Tick => (TICKS, Ok(&[][..])),
            // What does not fit its block, or no block at all, is kept too: as a row of its own.
            EventKind::Poll(poll)
                if poll.block.words <= MOST_REGISTERS
                    && !poll
                        .words
                        .as_ref()
                        .is_ok_and(|words| words.len() != usize::from(poll.block.words)) =>
            {
                let words = poll.words.as_deref().map_err(|fault| *fault);
                (self.series_of(&poll.block), words)
            }
            _ => {
                let data = postcard::to_allocvec(event)
                    .map_err(|error| StorageError::encode("event", &error))?;
                self.rows
                    .push((event.seq.cast_signed(), with_checksum(data)));
                return Ok(());
            }
        };
        if let Some(head) = self.series.get_mut(&id) {
            head.polls.stamps.push(event.seq, &event.stamp);
            head.polls.push(words);
        }
        Ok(())
    }

    fn series_of(&mut self, key: &Arc<BlockKey>) -> i64 {
        if let Some(id) = self.by_key.get(key) {
            return *id;
        }
        let id = self.series.keys().next_back().map_or(1, |last| last + 1);
        self.by_key.insert(Arc::clone(key), id);
        self.series.insert(
            id,
            Head {
                polls: Polls::new(usize::from(key.words)),
                series: Series {
                    id,
                    key: Some(Arc::clone(key)),
                    sealed_through: 0,
                },
                committed: 0,
                merged: 0,
                since: 0,
                new: true,
            },
        );
        id
    }

    fn take_outcome(&mut self, outcome: &Outcome, body: Vec<u8>, provenance: (i64, Arc<[u8]>)) {
        match Lane::of(&outcome.kind) {
            Lane::Journal => self.journal_rows.push(NewRow {
                seq: outcome.seq.cast_signed(),
                index: outcome.index,
                data: body,
                provenance,
                booking: booking_of(&outcome.kind),
            }),
            Lane::Figures(kind) => {
                let pending = self.figures.entry(kind).or_default();
                pending.provenance = provenance.0;
                pending
                    .records
                    .push(outcome.seq, outcome.index, &outcome.stamp, body);
            }
        }
    }

    /// One transaction with all that waits; whether anything was sealed in it.
    fn write(&mut self) -> Result<bool, StorageError> {
        let sealing_all = std::mem::take(&mut self.sealing_all);
        self.commits += 1;
        let tx = self
            .db
            .transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        let mut sealed = false;
        for head in self.series.values_mut() {
            if std::mem::take(&mut head.new) {
                insert_series(&tx, &head.series)?;
            }
            if head.committed == 0 {
                head.since = self.commits;
            }
            let old = self.commits - head.since >= MOST_COMMITS;
            if head.polls.len() >= SEAL_AT || (head.polls.len() > 0 && (old || sealing_all)) {
                seal(&tx, head)?;
                sealed = true;
            }
        }
        let (commits, bytes) = self.unmerged;
        if commits + 1 < MERGE_AT {
            self.unmerged = (commits + 1, bytes + write_frame(&tx, &mut self.series)?);
        } else {
            // Rows beyond a page each gain nothing, and would only be written twice.
            if bytes <= MERGE_AT * PAGE {
                tx.execute(
                    "DELETE FROM frame WHERE last_seq > ?",
                    [self.merged_through],
                )?;
                for head in self.series.values_mut() {
                    head.committed = head.merged;
                }
            }
            write_frame(&tx, &mut self.series)?;
            for head in self.series.values_mut() {
                head.merged = head.committed;
            }
            self.merged_through = self.last_seq.cast_signed();
            self.unmerged = (0, 0);
        }
        if sealed {
            let first_open = self
                .series
                .values()
                .filter_map(|head| head.polls.stamps.seqs().first())
                .min()
                .map_or(i64::MAX, |seq| seq.cast_signed());
            tx.execute("DELETE FROM frame WHERE last_seq < ?", [first_open])?;
            tx.execute(
                "DELETE FROM hash_point WHERE keep = 0 AND seq < ?",
                [first_open.min(self.last_seq.cast_signed())],
            )?;
        }
        {
            let mut insert = tx.prepare_cached("INSERT INTO event (seq, data) VALUES (?, ?)")?;
            for (seq, data) in self.rows.drain(..) {
                insert.execute(params![seq, data])?;
            }
        }
        for (kind, pending) in &mut self.figures {
            sealed |= write_figures(&tx, *kind, pending)?;
        }
        self.journal.append(&tx, &self.journal_rows)?;
        self.journal_rows.clear();
        for (first, last) in self.gaps.drain(..) {
            tx.execute(
                "INSERT INTO gap (first_seq, last_seq) VALUES (?, ?)",
                params![first.cast_signed(), last.cast_signed()],
            )?;
        }
        tx.prepare_cached("INSERT OR REPLACE INTO hash_point (seq, hash, keep) VALUES (?, ?, ?)")?
            .execute(params![
                self.last_seq.cast_signed(),
                self.hasher.hash(),
                sealed
            ])?;
        tx.commit()?;
        Ok(sealed)
    }
}
