//! The one sequencer: gives every input its place in the order, hands it to the engine, and makes
//! event and outcomes durable together.
//!
//! Both the daemon and a computed past go through here, so a replay cannot tell them apart.
//! When the store fails, the engine goes on *unrecorded*: alarms still work, every page says so,
//! nothing is acknowledged. Once the store can be opened again the engine is rebuilt from what is
//! on record, polls that were missed are put on record as such, and recording goes on.

use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::engine::snapshot::SNAPSHOT_FORMAT;
use crate::engine::{
    ENGINE_VERSION, Engine, Event, EventKind, LedgerEntry, Outcome, OutcomeKind, Provenance,
};
use crate::history::{LedgerRead, Reader, Recovery, StorageError, Store, StoreSettings, Suspect};
use crate::plant::files::SourceFile;
use crate::plant::{DescriptionHash, Plant, load};
use crate::replay;
use crate::time::{Monotonic, Span, Stamp, Timestamp};

/// A snapshot is made this often; a restart replays at most so much.
const SNAPSHOT_EVERY: Span = Span::from_millis(6 * 3_600_000);

/// A failed store is tried again after so long, then after twice that, and so on.
const REOPEN_EVERY: Span = Span::from_millis(10_000);
/// But at least this often.
const REOPEN_AT_LEAST: Span = Span::from_millis(160_000);

/// An unfinished event that ended the process this often is set aside.
const DEATHS_TO_SET_ASIDE: u32 = 2;

/// A plant description with the texts it was made from.
#[derive(Debug, Clone)]
pub struct Described {
    /// As checked.
    pub plant: Arc<Plant>,
    /// As written.
    pub files: Arc<[SourceFile]>,
}

/// Why recording could not begin.
#[derive(Debug, thiserror::Error)]
pub enum RecorderError {
    /// The store cannot be opened.
    #[error(transparent)]
    Storage(#[from] StorageError),
    /// What is on record does not replay.
    #[error(
        "event {seq} on record cannot be replayed: {problem}; move the data directory aside and start afresh, and report this"
    )]
    Replay {
        /// The event.
        seq: u64,
        /// Why.
        problem: String,
    },
}

/// Why something a person asked for is not on record.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("it could not be recorded ({why}), so it was not done")]
pub struct NotRecorded {
    /// Why.
    pub why: String,
}

/// What opening found.
#[derive(Debug, Clone, Default)]
pub struct Opened {
    /// Things that a person should know, in words.
    pub notes: Vec<String>,
    /// Events replayed to rebuild the state.
    pub replayed: u64,
}

impl Opened {
    /// Writes its notes to the log.
    pub fn log(&self) {
        for note in &self.notes {
            tracing::warn!("{note}");
        }
    }
}

/// Engine and store as one.
pub struct Recorder {
    directory: PathBuf,
    settings: StoreSettings,
    described: Described,
    engine: Engine,
    record: Record,
    outcomes: Vec<Outcome>,
    last_snapshot: Option<Monotonic>,
    provenance: Provenance,
    /// The event that ended the process too often; it is not applied again.
    aside: Option<Suspect>,
    opened: Opened,
}

enum Record {
    Well(Box<Store>),
    Failed(Failure),
}

/// Recording has stopped.
#[derive(Debug, Clone)]
struct Failure {
    why: String,
    since: Stamp,
    tried: Monotonic,
    /// Until the next try; longer after each vain one.
    wait: Span,
    polls: u64,
}

impl Failure {
    fn new(error: &StorageError, stamp: Stamp) -> Self {
        Self {
            why: error.to_string(),
            since: stamp,
            tried: stamp.monotonic,
            wait: REOPEN_EVERY,
            polls: 0,
        }
    }
}

impl Recorder {
    /// Opens the data directory, rebuilds the engine's state from what is on record, and puts
    /// `described` in force. `stamp` is now. While the disk takes nothing it begins unrecorded, with
    /// the state as far as the record can be read.
    ///
    /// # Errors
    /// [`RecorderError`] when the store cannot be opened or replayed.
    pub fn open(
        directory: &Path,
        settings: &StoreSettings,
        described: Described,
        stamp: Stamp,
    ) -> Result<Self, RecorderError> {
        match Self::open_recording(directory, settings, described.clone(), stamp) {
            Err(RecorderError::Storage(error)) if error.is_of_the_disk(directory) => Ok(
                Self::open_unrecorded(directory, settings, described, stamp, &error),
            ),
            opened => opened,
        }
    }

    fn open_recording(
        directory: &Path,
        settings: &StoreSettings,
        described: Described,
        stamp: Stamp,
    ) -> Result<Self, RecorderError> {
        let (mut store, recovery) = Store::open(directory, settings)?;
        let mut opened = Opened {
            notes: notes_of(&recovery),
            replayed: 0,
        };
        keep_description(&mut store, &described)?;
        let aside = recovery
            .suspect
            .filter(|suspect| suspect.deaths >= DEATHS_TO_SET_ASIDE);
        if let Some(suspect) = &aside {
            opened.notes.push(format!(
                "event {} ended the process {} times and is set aside; report this",
                suspect.seq, suspect.deaths
            ));
        }
        let engine = rebuild(
            directory,
            Some(&mut store),
            aside.as_ref(),
            &described,
            &mut opened,
        )?;
        store.provenance(&engine.provenance())?;
        let record = Record::Well(Box::new(store));
        let mut recorder = Self::new((directory, settings), described, engine, record, opened);
        recorder.aside = aside;
        recorder.put_in_force(stamp);
        Ok(recorder)
    }

    fn open_unrecorded(
        directory: &Path,
        settings: &StoreSettings,
        described: Described,
        stamp: Stamp,
        error: &StorageError,
    ) -> Self {
        tracing::error!(%error, "this run begins unrecorded; the store is tried again in {REOPEN_EVERY}");
        let mut opened = Opened::default();
        let engine = rebuild(directory, None, None, &described, &mut opened);
        let engine = engine.unwrap_or_else(|problem| {
            opened.notes.push(format!(
                "the record could not be read at the start ({problem}): until it can be, what it holds is \
                 left out"
            ));
            Engine::new(Arc::clone(&described.plant))
        });
        let record = Record::Failed(Failure::new(error, stamp));
        let mut recorder = Self::new((directory, settings), described, engine, record, opened);
        recorder.put_in_force(stamp);
        recorder
    }

    fn new(
        (directory, settings): (&Path, &StoreSettings),
        described: Described,
        engine: Engine,
        record: Record,
        opened: Opened,
    ) -> Self {
        Self {
            directory: directory.to_owned(),
            settings: settings.clone(),
            described,
            provenance: engine.provenance(),
            engine,
            record,
            outcomes: Vec::new(),
            last_snapshot: None,
            aside: None,
            opened,
        }
    }

    /// Makes the description that was given the one in force, unless it is.
    fn put_in_force(&mut self, stamp: Stamp) {
        let hash = self.described.plant.hash;
        if self.engine.seq() == 0 || self.engine.plant().hash != hash {
            self.engine.offer(Arc::clone(&self.described.plant));
            self.feed(stamp, EventKind::DescriptionInForce { hash });
            self.commit(stamp);
        }
    }

    /// The engine.
    #[must_use]
    pub fn engine(&self) -> &Engine {
        &self.engine
    }

    /// What opening the record found; as of the last time, when it was opened again.
    #[must_use]
    pub fn opened(&self) -> &Opened {
        &self.opened
    }

    /// The last event that a power cut cannot take away.
    #[must_use]
    pub fn durable_seq(&self) -> u64 {
        match &self.record {
            Record::Well(store) => store.durable_seq(),
            Record::Failed(_) => 0,
        }
    }

    /// Why nothing is recorded at the moment, if so.
    #[must_use]
    pub fn not_recording_because(&self) -> Option<&str> {
        match &self.record {
            Record::Well(_) => None,
            Record::Failed(failure) => Some(&failure.why),
        }
    }

    /// Takes one input. Returns its outcomes, and makes everything durable first when one of them
    /// will be told to people: alarms, acknowledgements, ledger entries.
    pub fn feed(&mut self, stamp: Stamp, kind: EventKind) -> &[Outcome] {
        self.reopen_if_due(stamp);
        self.outcomes.clear();
        let mut event = Event {
            seq: self.engine.seq() + 1,
            stamp,
            kind,
        };
        let careful = matches!(&self.record, Record::Well(store) if store.careful());
        if careful || self.aside.is_some() {
            let content = content(&event.kind);
            if is_aside(self.aside.as_ref(), event.seq, &content) {
                tracing::error!(
                    seq = event.seq,
                    "an event that ended the process is set aside"
                );
                event.kind = EventKind::SetAside { seq: event.seq };
            } else if careful
                && let Record::Well(store) = &mut self.record
                && let Err(error) = store.mark_in_flight(event.seq, &content)
            {
                self.fail(&error, stamp);
            }
        }
        if let Err(error) = self.engine.apply(&event, &mut self.outcomes) {
            // The sequencer itself numbers events, so this is a fault of the program.
            tracing::error!(%error, seq = event.seq, "the engine did not take an event");
            return &[];
        }
        let mut due = self.outcomes.iter().any(must_be_durable_first);
        match &mut self.record {
            Record::Well(store) => {
                // The note goes as soon as the event is taken: a power cut between two events
                // accuses neither.
                let appended = Self::follow_provenance(&mut self.provenance, &self.engine, store)
                    .and_then(|()| store.append(&event, &self.outcomes))
                    .and_then(|()| {
                        if careful {
                            store.clear_in_flight()
                        } else {
                            Ok(())
                        }
                    });
                match appended {
                    Ok(()) => due |= store.commit_due(),
                    Err(error) => {
                        self.fail(&error, stamp);
                        due = false;
                    }
                }
            }
            Record::Failed(failure) => {
                due = false;
                if matches!(event.kind, EventKind::Poll(_)) {
                    failure.polls += 1;
                }
            }
        }
        if due {
            self.commit(stamp);
        }
        &self.outcomes
    }

    /// Takes what a person asked for; it is durable when this returns.
    ///
    /// # Errors
    /// [`NotRecorded`] when it could not be put on record; then it was not done either.
    pub fn feed_recorded(
        &mut self,
        stamp: Stamp,
        kind: EventKind,
    ) -> Result<Vec<Outcome>, NotRecorded> {
        self.reopen_if_due(stamp);
        if let Record::Failed(failure) = &self.record {
            return Err(NotRecorded {
                why: failure.why.clone(),
            });
        }
        let outcomes = self.feed(stamp, kind).to_vec();
        self.commit(stamp);
        match &self.record {
            Record::Well(_) => Ok(outcomes),
            Record::Failed(failure) => Err(NotRecorded {
                why: failure.why.clone(),
            }),
        }
    }

    /// Makes everything so far durable.
    pub fn commit(&mut self, stamp: Stamp) {
        if let Record::Well(store) = &mut self.record
            && let Err(error) = store.commit()
        {
            self.fail(&error, stamp);
            return;
        }
        let Record::Well(store) = &mut self.record else {
            return;
        };
        for trimmed in store.take_trimmed() {
            tracing::warn!(
                ?trimmed,
                "the disk budget is used up: the oldest records went"
            );
        }
        let due = self
            .last_snapshot
            .is_none_or(|last| stamp.monotonic - last >= SNAPSHOT_EVERY);
        if due {
            self.snapshot(stamp);
        }
    }

    /// Puts the engine's state beside the events.
    fn snapshot(&mut self, stamp: Stamp) {
        let Record::Well(store) = &mut self.record else {
            return;
        };
        self.last_snapshot = Some(stamp.monotonic);
        match self.engine.snapshot() {
            Ok((header, bytes)) => {
                if let Err(error) = store.save_snapshot(&header, &bytes) {
                    self.fail(&error, stamp);
                }
            }
            Err(error) => tracing::error!(%error, "no snapshot could be made"),
        }
    }

    /// Ends recording: commits, makes a snapshot, closes.
    ///
    /// # Errors
    /// [`StorageError`] when the last events could not be made durable.
    pub fn close(mut self, stamp: Stamp) -> Result<(), StorageError> {
        self.commit(stamp);
        self.snapshot(stamp);
        match self.record {
            Record::Well(store) => store.close(),
            Record::Failed(_) => Ok(()),
        }
    }

    fn follow_provenance(
        known: &mut Provenance,
        engine: &Engine,
        store: &mut Store,
    ) -> Result<(), StorageError> {
        if known.description != engine.plant().hash {
            *known = engine.provenance();
            store.provenance(known)?;
        }
        Ok(())
    }

    fn fail(&mut self, error: &StorageError, stamp: Stamp) {
        tracing::error!(%error, "recording has stopped; it is tried again in {REOPEN_EVERY}");
        // No event is to blame for what the disk refuses.
        if let Record::Well(store) = &mut self.record
            && let Err(error) = store.clear_in_flight()
        {
            tracing::debug!(%error, "the note of the event in flight stays");
        }
        self.record = Record::Failed(Failure::new(error, stamp));
    }

    /// Tries to record again: the engine is rebuilt from the record, so that what was concluded
    /// unrecorded leaves no trace in what follows.
    fn reopen_if_due(&mut self, stamp: Stamp) {
        let Record::Failed(failure) = &mut self.record else {
            return;
        };
        if stamp.monotonic - failure.tried < failure.wait {
            return;
        }
        failure.tried = stamp.monotonic;
        failure.wait =
            Span::from_millis(failure.wait.millis().saturating_mul(2)).min(REOPEN_AT_LEAST);
        let failure = failure.clone();
        match Self::open_recording(
            &self.directory,
            &self.settings,
            self.described.clone(),
            stamp,
        ) {
            Ok(mut again) => {
                let missed = EventKind::NotPolled {
                    polls: failure.polls,
                    since: failure.since,
                };
                again.feed(stamp, missed);
                again.commit(stamp);
                // Only one that can write takes over: rebuilt from the record, it has forgotten every
                // delay that has run since, so each vain try would keep alarms from being raised.
                if let Record::Failed(still) = &again.record {
                    tracing::error!(why = %still.why, "still not recording");
                    return;
                }
                again.opened.log();
                *self = again;
                tracing::warn!(polls = failure.polls, "recording again");
            }
            Err(error) => tracing::error!(%error, "still not recording"),
        }
    }
}

/// Alarm changes, acknowledgements and ledger entries are told to people only once on record.
fn must_be_durable_first(outcome: &Outcome) -> bool {
    matches!(
        outcome.kind,
        OutcomeKind::Alarm(_)
            | OutcomeKind::Booked(_)
            | OutcomeKind::Refused { .. }
            | OutcomeKind::DescriptionChanged { .. }
            | OutcomeKind::Restated { .. }
    )
}

/// By what an event is known again when it comes back under another number; ticks are all alike.
fn content(kind: &EventKind) -> Vec<u8> {
    match kind {
        EventKind::Tick => Vec::new(),
        kind => postcard::to_allocvec(kind).unwrap_or_default(),
    }
}

/// Whether an event that was never on record is the one that ended the process.
fn is_aside(aside: Option<&Suspect>, seq: u64, content: &[u8]) -> bool {
    aside.is_some_and(|suspect| {
        if suspect.kind.is_empty() || content.is_empty() {
            suspect.kind.is_empty() && content.is_empty() && suspect.seq == seq
        } else {
            suspect.kind == content
        }
    })
}

fn notes_of(recovery: &Recovery) -> Vec<String> {
    let mut notes = Vec::new();
    if !recovery.clean {
        notes.push("the last run did not end as asked (power cut, kill, or a fault)".to_owned());
    }
    if let Some(aside) = &recovery.moved_aside {
        notes.push(format!(
            "the history file was damaged ({}) and lies now at {}; a fresh one was begun with the {} \
             rows of journal and ledger that could be saved",
            aside.why,
            aside.path.display(),
            aside.rescued.journal_rows
        ));
    }
    if recovery.gone {
        notes.push(
            "the history file of this data directory is gone or empty; a fresh one was begun. If nobody \
             took it away, bring it back from a copy, with the ledger that it holds"
                .to_owned(),
        );
    }
    if !recovery.damaged.is_empty() {
        notes.push(format!(
            "{} rows of the history do not read back and are passed over",
            recovery.damaged.len()
        ));
    }
    notes
}

fn keep_description(store: &mut Store, described: &Described) -> Result<(), StorageError> {
    let files: Vec<(String, String)> = described
        .files
        .iter()
        .map(|file| (file.name.clone(), file.text.clone()))
        .collect();
    store.keep_description(described.plant.hash, &files)
}

/// The engine as the record has it: from the latest snapshot that fits, and the events since. Without a
/// store to write to, no event that might end the process is noted.
fn rebuild(
    directory: &Path,
    mut store: Option<&mut Store>,
    aside: Option<&Suspect>,
    described: &Described,
    opened: &mut Opened,
) -> Result<Engine, RecorderError> {
    let reader = match store {
        Some(_) => Reader::open(directory)?,
        None => Reader::open_still(directory)?,
    };
    let mut engine = match reader.latest_snapshot()? {
        Some((header, bytes))
            if header.format == SNAPSHOT_FORMAT && *header.engine_version == *ENGINE_VERSION =>
        {
            let plant = described_as(&reader, Some(described), header.description)?;
            plant.and_then(|plant| {
                Engine::restore(plant, &header, &bytes)
                    .inspect_err(|error| opened.notes.push(error.to_string()))
                    .ok()
            })
        }
        _ => None,
    }
    .unwrap_or_else(|| Engine::new(Arc::clone(&described.plant)));

    let mut outcomes = Vec::new();
    let mut problem = None;
    let mut describe = |hash| described_as(&reader, Some(described), hash).ok().flatten();
    let from = engine.seq() + 1;
    let mut careful = store.as_deref_mut().filter(|store| store.careful());
    let mut holes = 0u32;
    let mut unreadable = BTreeSet::new();
    let replayed = reader.replay(from, |mut event| {
        if let Some(store) = &mut careful {
            let content = content(&event.kind);
            // What is on record keeps its number, and its like may be harmless.
            if aside.is_some_and(|suspect| suspect.seq == event.seq && suspect.kind == content) {
                event.kind = EventKind::SetAside { seq: event.seq };
            } else if let Err(error) = store.mark_in_flight(event.seq, &content) {
                problem = Some(error.into());
                return ControlFlow::Break(());
            }
        }
        if event.seq > engine.seq() + 1 {
            // Trimmed or damaged: go on behind the hole with the ledger entries made in it.
            holes += 1;
            match entries_before(&reader, event.seq, &mut unreadable) {
                Ok(saved) => engine.resume_after(event.seq - 1, saved),
                Err(error) => {
                    problem = Some(error.into());
                    return ControlFlow::Break(());
                }
            }
        }
        match replay::step(&mut engine, &event, &mut describe, &mut outcomes) {
            Ok(()) => ControlFlow::Continue(()),
            Err(error) => {
                problem = Some(RecorderError::Replay {
                    seq: event.seq,
                    problem: error.to_string(),
                });
                ControlFlow::Break(())
            }
        }
    })?;
    if let Some(store) = careful {
        store.clear_in_flight()?;
    }
    if let Some(problem) = problem {
        return Err(problem);
    }
    opened.replayed = replayed.events;
    if holes > 0 {
        opened.notes.push(format!(
            "{holes} stretches of the record are missing (trimmed for the disk budget, or damaged); \
             the state was rebuilt from what is left"
        ));
    }
    let last = match store {
        Some(store) => store.last_seq(),
        None => reader.last_seq()?,
    };
    if engine.seq() < last {
        let saved = entries_before(&reader, u64::MAX, &mut unreadable)?;
        engine.resume_after(last, saved);
        for id in engine.unsaved() {
            opened.notes.push(format!(
                "ledger entry {id} was lost with the damaged history"
            ));
        }
    }
    for row in unreadable {
        opened.notes.push(format!(
            "row {row} of the journal, a ledger entry, does not read back: what it booked is \
             missing from the balance; find it in the books of the site and enter it again"
        ));
    }
    Ok(engine)
}

/// Ledger entries on record that were entered before that event; and rows that hold one and do not read
/// back.
fn entries_before(
    reader: &Reader,
    seq: u64,
    unreadable: &mut BTreeSet<u64>,
) -> Result<Vec<(u64, LedgerEntry)>, StorageError> {
    let LedgerRead {
        mut entries,
        damaged,
    } = reader.ledger(
        Timestamp::from_millis(i64::MIN),
        Timestamp::from_millis(i64::MAX),
    )?;
    unreadable.extend(damaged);
    entries.retain(|(entered, _)| *entered < seq);
    entries.sort_by_key(|(entered, _)| *entered);
    Ok(entries)
}

/// The description of that hash, from the one given or from the store.
///
/// # Errors
/// What the store refuses.
pub fn described_as(
    reader: &Reader,
    described: Option<&Described>,
    hash: DescriptionHash,
) -> Result<Option<Arc<Plant>>, StorageError> {
    if let Some(described) = described.filter(|described| described.plant.hash == hash) {
        return Ok(Some(Arc::clone(&described.plant)));
    }
    let Some(texts) = reader.description(hash)? else {
        return Ok(None);
    };
    let files: Vec<SourceFile> = texts
        .into_iter()
        .map(|(name, text)| SourceFile { name, text })
        .collect();
    Ok(load::load(&files).ok().map(Arc::new))
}

#[cfg(test)]
mod tests;
