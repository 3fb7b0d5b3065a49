//! The data directory: one owner at a time, how the last one ended, and which event was being
//! applied when it did.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use super::codec::{Input, checked, put_len, put_varint, with_checksum};
use super::error::StorageError;
use super::format;

const IN_FLIGHT: u8 = 1;
const REMEMBERED: u8 = 0;

/// Suffix of what is committed and not yet moved into the database.
pub(super) const LOG: &str = "-wal";

/// An event that the process was applying when it ended unasked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Suspect {
    /// Its position.
    pub seq: u64,
    /// How often in a row the process ended while applying it.
    pub deaths: u32,
    /// What the caller kept of it; empty when it kept nothing.
    pub kind: Vec<u8>,
}

/// The locked data directory.
#[derive(Debug)]
pub(super) struct Home {
    directory: PathBuf,
    lock: File,
    in_flight: Option<File>,
    marked: bool,
    deaths: u32,
    suspect: Option<Suspect>,
}

/// How the last owner ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct LastRun {
    /// Somebody had this directory before.
    pub(super) owned_before: bool,
    pub(super) clean: bool,
    /// Unclean ends in a row, this one included.
    pub(super) deaths: u32,
    pub(super) suspect: Option<Suspect>,
}

impl Home {
    /// Makes the directory if need be, and takes it.
    pub(super) fn take(directory: &Path) -> Result<(Self, LastRun), StorageError> {
        std::fs::create_dir_all(directory)
            .map_err(|error| StorageError::file("make the directory", directory, &error))?;
        let path = directory.join("lock");
        let mut lock = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(|error| StorageError::file("open", &path, &error))?;
        let mut before = String::new();
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let pid = lock
                    .read_to_string(&mut before)
                    .ok()
                    .and_then(|_| before.split_whitespace().nth(1))
                    .unwrap_or("unknown");
                return Err(StorageError::InUse {
                    directory: directory.to_owned(),
                    pid: pid.to_owned(),
                    lock: path,
                });
            }
            Err(TryLockError::Error(error)) => {
                return Err(StorageError::file("lock", &path, &error));
            }
        }
        // A damaged note is no note: it must not keep the daemon from starting.
        let mut note = Vec::new();
        lock.read_to_end(&mut note)
            .map_err(|error| StorageError::file("read", &path, &error))?;
        before.push_str(&String::from_utf8_lossy(&note));
        let words: Vec<&str> = before.split_whitespace().collect();
        let fresh = !directory.join(format::FILE).exists();
        let me = std::process::id().to_string();
        let (clean, deaths) = match words.as_slice() {
            ["process", _, "stopped"] => (true, 0),
            // Reopened by the same process after a failed write: nobody died.
            ["process", pid, "running", deaths] => (
                false,
                deaths
                    .parse::<u32>()
                    .unwrap_or(0)
                    .saturating_add(u32::from(*pid != me)),
            ),
            _ => (fresh, u32::from(!fresh)),
        };
        let mut home = Self {
            directory: directory.to_owned(),
            lock,
            in_flight: None,
            marked: false,
            deaths,
            suspect: None,
        };
        home.note_running()?;
        let suspect = home.find_suspect(clean)?;
        let last = LastRun {
            owned_before: !words.is_empty(),
            clean,
            deaths,
            suspect,
        };
        Ok((home, last))
    }

    pub(super) fn database(&self) -> PathBuf {
        self.directory.join(format::FILE)
    }

    /// Whether there is a history file with something in it, or a log of one.
    pub(super) fn holds_a_history(&self) -> bool {
        let database = self.database();
        is_filled(&database) || is_filled(&beside(&database, LOG))
    }

    /// Whether the last owner ended unasked and this one has not yet shown that it lives.
    pub(super) fn careful(&self) -> bool {
        self.deaths > 0
    }

    /// This process has lived long enough: forget the deaths before.
    pub(super) fn calm(&mut self) -> Result<(), StorageError> {
        self.deaths = 0;
        self.suspect = None;
        self.marked = true;
        self.note_running()?;
        self.clear_in_flight()
    }

    /// The owner ends as asked.
    pub(super) fn note_stopped(&mut self) -> Result<(), StorageError> {
        self.suspect = None;
        self.clear_in_flight()?;
        self.note("stopped")
    }

    fn note_running(&mut self) -> Result<(), StorageError> {
        self.note(&format!("running {}", self.deaths))
    }

    fn note(&mut self, state: &str) -> Result<(), StorageError> {
        let line = format!("process {} {state}\n", std::process::id());
        overwrite(&mut self.lock, line.as_bytes())
            .and_then(|()| self.lock.sync_data())
            .map_err(|error| StorageError::file("write", &self.directory.join("lock"), &error))
    }

    /// Notes the event about to be applied. No sync: the note must outlive this process, not the
    /// machine, since a power cut is no fault of the event.
    pub(super) fn mark_in_flight(&mut self, seq: u64, kind: &[u8]) -> Result<(), StorageError> {
        let deaths = match &self.suspect {
            Some(suspect) if same(suspect, seq, kind) => suspect.deaths,
            _ => 0,
        };
        self.marked = true;
        self.write_note(IN_FLIGHT, seq, deaths, kind)
    }

    /// Nothing is in flight; a suspect stays remembered until [`Self::calm`] or an end as asked.
    pub(super) fn clear_in_flight(&mut self) -> Result<(), StorageError> {
        if !std::mem::take(&mut self.marked) {
            return Ok(());
        }
        match self.suspect.take() {
            Some(suspect) => {
                let written =
                    self.write_note(REMEMBERED, suspect.seq, suspect.deaths, &suspect.kind);
                self.suspect = Some(suspect);
                written
            }
            None => self.write_note(REMEMBERED, 0, 0, &[]),
        }
    }

    fn write_note(
        &mut self,
        state: u8,
        seq: u64,
        deaths: u32,
        kind: &[u8],
    ) -> Result<(), StorageError> {
        let mut note = Vec::with_capacity(kind.len() + 24);
        note.push(state);
        put_varint(&mut note, seq);
        put_varint(&mut note, u64::from(deaths));
        put_len(&mut note, kind.len());
        note.extend_from_slice(kind);
        let note = with_checksum(note);
        let path = self.in_flight_path();
        let mut write = || -> std::io::Result<()> {
            let file = match &mut self.in_flight {
                Some(file) => file,
                none => none.insert(
                    OpenOptions::new()
                        .read(true)
                        .write(true)
                        .create(true)
                        .truncate(false)
                        .open(&path)?,
                ),
            };
            overwrite(file, &note)
        };
        write().map_err(|error| StorageError::file("write", &path, &error))
    }

    /// Reads the note that the last owner left, and counts its death against the event.
    fn find_suspect(&mut self, clean: bool) -> Result<Option<Suspect>, StorageError> {
        let Ok(note) = std::fs::read(self.in_flight_path()) else {
            return Ok(None);
        };
        // A note torn by a power cut accuses nobody.
        let Some((state, mut suspect)) = read_note(&note).filter(|_| !clean) else {
            return Ok(None);
        };
        if suspect.seq == 0 {
            return Ok(None);
        }
        if state == IN_FLIGHT {
            suspect.deaths = suspect.deaths.saturating_add(1);
        }
        self.suspect = Some(suspect);
        self.marked = true;
        self.clear_in_flight()?;
        Ok(self.suspect.clone())
    }

    fn in_flight_path(&self) -> PathBuf {
        self.directory.join("in-flight")
    }
}

fn same(suspect: &Suspect, seq: u64, kind: &[u8]) -> bool {
    if kind.is_empty() || suspect.kind.is_empty() {
        suspect.seq == seq
    } else {
        suspect.kind == kind
    }
}

fn read_note(note: &[u8]) -> Option<(u8, Suspect)> {
    let mut input: Input<'_> = checked(note).ok()?;
    let state = input.byte().ok()?;
    let seq = input.varint().ok()?;
    let deaths = u32::try_from(input.varint().ok()?).ok()?;
    let kind = input.section().ok()?.0.to_vec();
    input.end().ok()?;
    Some((state, Suspect { seq, deaths, kind }))
}

fn overwrite(file: &mut File, bytes: &[u8]) -> std::io::Result<()> {
    file.seek(SeekFrom::Start(0))?;
    file.write_all(bytes)?;
    file.set_len(u64::try_from(bytes.len()).unwrap_or(u64::MAX))
}

/// A file of the database beside its own.
pub(super) fn beside(database: &Path, suffix: &str) -> PathBuf {
    let mut name = database.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// Whether there is such a file with something in it.
pub(super) fn is_filled(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|file| file.len() > 0)
}

/// Moves a file that is no sound database out of the way, with what belongs to it.
pub(super) fn move_aside(database: &Path) -> Result<PathBuf, StorageError> {
    let aside = |number: u32, suffix: &str| beside(database, &format!(".damaged-{number}{suffix}"));
    let number = (1..u32::MAX)
        .find(|number| !aside(*number, "").exists())
        .unwrap_or(u32::MAX);
    for suffix in ["", LOG, "-shm"] {
        let from = beside(database, suffix);
        if from.exists() {
            std::fs::rename(&from, aside(number, suffix))
                .map_err(|error| StorageError::file("move aside", &from, &error))?;
        }
    }
    Ok(aside(number, ""))
}
