//! Data logged elsewhere, judged by the same engine.
//!
//! Each value is turned back into the number that its channel's registers would hold, in double
//! precision whatever the real registers hold, so that nothing is lost; then polls and ticks go
//! through the engine as they do in the daemon, in the time of the file.
//!
//! An empty cell or a word such as `nan` says that nothing was measured then, and the channel is bad
//! until its next value. Only in a column that is filled in fewer than half of the rows an empty
//! cell means nothing: that channel is logged more rarely than others.

use std::collections::VecDeque;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::columns::{
    Columns, HeaderError, TimeColumn, ValueColumn, ValueForm, number, says_nothing,
};
use super::course::Collector;
use super::entries;
use crate::balance::meter::meter_channels;
use crate::engine::{ApplyError, Engine, Event, EventKind, Poll};
use crate::instrument::chain::Chain;
use crate::instrument::decode::{Format, WordOrder, encode};
use crate::plant::{BlockKey, DeviceIx, Id, Plant, RegisterTable};
use crate::time::{Monotonic, Span, Stamp, Timestamp};

/// Rows from which the spacing of the columns is judged.
const JUDGED_ROWS: usize = 10_000;
/// Ticks are never closer than this, and a step of the balance's grid is the most.
const CLOSEST: Span = Span::from_millis(10_000);
const STEP: Span = Span::from_millis(600_000);
/// Flows are added up tick by tick, so with meters ticks are no further apart.
const METERED: Span = Span::from_millis(60_000);
/// Over a longer gap the engine stands still, as it does when the daemon is off.
const LONGEST_GAP: Span = Span::HOUR;
/// Most bytes of one line.
const LONGEST_LINE: usize = 1 << 20;

/// Why a file of readings could not be judged.
#[derive(Debug, thiserror::Error)]
pub enum ReadingsError {
    /// The file cannot be read.
    #[error("cannot read {}: {source}; check that it exists and may be read by this user", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// It is not text with separators.
    #[error("{}, line {line}: not a row of separated values: {problem}", path.display())]
    Row {
        /// Which.
        path: PathBuf,
        /// Line, from 1.
        line: u64,
        /// What is wrong with it.
        problem: String,
    },
    /// There is no header row.
    #[error("{} has no header row; the first row that is no comment (#) names the columns", .0.display())]
    Empty(PathBuf),
    /// The header cannot be understood.
    #[error("{}, line {line}: {problem}", path.display())]
    Header {
        /// Which.
        path: PathBuf,
        /// Line, from 1.
        line: u64,
        /// What is wrong with it, and what to do.
        problem: String,
    },
    /// A cell cannot be understood.
    #[error("{}, line {line}, column {column:?}: {text:?} is {problem}", path.display())]
    Cell {
        /// Which.
        path: PathBuf,
        /// Line, from 1.
        line: u64,
        /// Header of the column.
        column: String,
        /// What stands there.
        text: String,
        /// What is wrong with it, and what to do.
        problem: String,
    },
    /// Times run backwards.
    #[error(
        "{}, line {line}: the time {at} does not follow {before}; sort the rows by time, and write times in UTC if clocks were put back", path.display()
    )]
    Backwards {
        /// Which.
        path: PathBuf,
        /// Line, from 1.
        line: u64,
        /// Its time.
        at: Timestamp,
        /// The time before.
        before: Timestamp,
    },
    /// Nothing but a header.
    #[error("{} has no rows below its header", .0.display())]
    NoRows(PathBuf),
    /// The engine refused: a fault of the program.
    #[error("the engine did not take a reading: {0}; please report this")]
    Engine(#[from] ApplyError),
}

/// What is to be judged.
pub(super) struct Logged<'a> {
    /// The readings.
    pub readings: &'a Path,
    /// Deliveries and the like.
    pub ledger: Option<&'a Path>,
    /// Where counted times begin.
    pub start: Timestamp,
    /// Rows after this are left alone.
    pub until: Option<Timestamp>,
}

/// What a whole file led to.
pub(super) struct Judged {
    pub engine: Engine,
    /// What the reader should know of how the file was understood.
    pub notes: Vec<String>,
}

/// Runs the readings through an engine of that description.
pub(super) fn judge(
    plant: &Plant,
    logged: &Logged,
    collector: &mut Collector,
) -> Result<Judged, ReadingsError> {
    let first = Pass::open(logged.readings)?;
    let columns = first.columns(plant, logged.start)?;
    let rhythm = Rhythm::find(first, &columns)?;
    let mut notes = columns.notes.clone();
    let plant = Arc::new(as_logged(plant, &columns, &rhythm));
    notes.extend(not_logged(&plant, &columns));
    let booked = match logged.ledger {
        Some(path) => entries::read(path, &plant, logged.start)?,
        None => Vec::new(),
    };
    let mut run = Run {
        engine: Engine::new(Arc::clone(&plant)),
        outcomes: Vec::new(),
        collector,
        origin: rhythm.first,
        shift: if rhythm.tick >= STEP {
            Span::from_millis(STEP.millis() / 2)
        } else {
            Span::from_millis(rhythm.tick.millis() / 2)
        },
        booked: booked.into(),
    };
    let in_force = EventKind::DescriptionInForce { hash: plant.hash };
    // Without wall time the continuous time begins at zero: rows can then be put in the middle of
    // the grid's steps, where the means of the steps stand.
    run.apply(None, in_force)?;
    let second = Pass::open(logged.readings)?;
    let unreachable = run.rows(second, &plant, &columns, &rhythm, logged.until)?;
    notes.extend(unreachable);
    if columns.time.counts() && logged.start == Timestamp::from_millis(0) {
        notes.push(
            "times count from 1970-01-01T00:00:00Z; say with --start when the first one was".into(),
        );
    }
    Ok(Judged {
        engine: run.engine,
        notes,
    })
}

/// One way through a file, row by row.
pub(super) struct Pass {
    pub path: PathBuf,
    reader: csv::Reader<Box<dyn Read>>,
    pub headers: Vec<String>,
    pub header_line: u64,
    /// Whether numbers may have a decimal comma: where commas do not separate.
    pub comma: bool,
    record: csv::StringRecord,
}

impl Pass {
    pub fn open(path: &Path) -> Result<Self, ReadingsError> {
        let file = |source| ReadingsError::File {
            path: path.to_owned(),
            source,
        };
        let opened = File::open(path).map_err(file)?;
        let mut buffered = BufReader::new(opened);
        let (head, header) = header_line(&mut buffered).map_err(file)?;
        if header.trim().is_empty() {
            return Err(ReadingsError::Empty(path.to_owned()));
        }
        let separator = separator_of(&header);
        let whole: Box<dyn Read> = Box::new(io::Cursor::new(head).chain(buffered));
        let reader = csv::ReaderBuilder::new()
            .comment(Some(b'#'))
            .delimiter(separator)
            .trim(csv::Trim::All)
            .flexible(true)
            .has_headers(false)
            .from_reader(whole);
        let mut pass = Self {
            path: path.to_owned(),
            reader,
            headers: Vec::new(),
            header_line: 1,
            comma: separator != b',',
            record: csv::StringRecord::new(),
        };
        if let Some(line) = pass.next()? {
            pass.headers = pass.record.iter().map(str::to_owned).collect();
            pass.header_line = line;
        }
        Ok(pass)
    }

    fn columns(&self, plant: &Plant, start: Timestamp) -> Result<Columns, ReadingsError> {
        Columns::read(&self.headers, plant, start).map_err(|problem: HeaderError| {
            ReadingsError::Header {
                path: self.path.clone(),
                line: self.header_line,
                problem: problem.to_string(),
            }
        })
    }

    /// Reads the next row into `record`; its line, or none at the end.
    pub fn next(&mut self) -> Result<Option<u64>, ReadingsError> {
        loop {
            let line = self.reader.position().line();
            let read = self.reader.read_record(&mut self.record).map_err(|error| {
                match error.into_kind() {
                    csv::ErrorKind::Io(source) => ReadingsError::File {
                        path: self.path.clone(),
                        source,
                    },
                    other => ReadingsError::Row {
                        path: self.path.clone(),
                        line,
                        problem: words_of(&other),
                    },
                }
            })?;
            if !read {
                return Ok(None);
            }
            let line = self.record.position().map_or(line, csv::Position::line);
            // A line of separators alone is how some programs end a file.
            if self.record.iter().any(|cell| !cell.is_empty()) {
                return Ok(Some(line));
            }
        }
    }

    /// A cell of the row at hand; empty beyond its end.
    pub fn cell(&self, at: usize) -> &str {
        self.record.get(at).unwrap_or("")
    }

    /// What is wrong with a cell of the row at hand.
    pub fn wrong(&self, at: usize, line: u64, problem: impl Into<String>) -> ReadingsError {
        ReadingsError::Cell {
            path: self.path.clone(),
            line,
            column: self.headers.get(at).cloned().unwrap_or_default(),
            text: self.cell(at).to_owned(),
            problem: problem.into(),
        }
    }

    /// The time of the row at hand.
    pub fn time(&self, column: &TimeColumn, line: u64) -> Result<Timestamp, ReadingsError> {
        column
            .parse(self.cell(column.at), self.comma)
            .ok_or_else(|| {
                let problem = if column.counts() {
                    "no number; write how long after the start it was"
                } else {
                    "no time; write 2026-05-04T07:00:00Z, or 2026-05-04 08:00:00 in the site's own time, or put the unit of a count into the header (time_s)"
                };
                self.wrong(column.at, line, problem)
            })
    }

    /// The number in a column: none when nothing was measured.
    fn value(&self, column: &ValueColumn, line: u64) -> Result<Option<f64>, ReadingsError> {
        let text = self.cell(column.at);
        if says_nothing(text) {
            return Ok(None);
        }
        number(text, self.comma)
            .map(|number| Some(number).filter(|number| number.is_finite()))
            .ok_or_else(|| {
                let problem = "no number; leave the cell empty where nothing was measured";
                self.wrong(column.at, line, problem)
            })
    }
}

fn words_of(error: &csv::ErrorKind) -> String {
    match error {
        csv::ErrorKind::Utf8 { .. } => "it is not UTF-8 text; save it as UTF-8".into(),
        other => format!("{other:?}"),
    }
}

/// Everything up to and with the first line that is no comment, and that line without a mark of
/// byte order before it.
fn header_line(from: &mut impl BufRead) -> io::Result<(Vec<u8>, String)> {
    let mut head = Vec::new();
    loop {
        let before = head.len();
        let read = from
            .by_ref()
            .take(LONGEST_LINE as u64)
            .read_until(b'\n', &mut head)?;
        if before == 0 && head.starts_with(b"\xef\xbb\xbf") {
            head.drain(..3);
        }
        let line = String::from_utf8_lossy(head.get(before..).unwrap_or(&[])).into_owned();
        let text = line.trim();
        if read == 0 || (!text.is_empty() && !text.starts_with('#')) {
            return Ok((head, line));
        }
    }
}

/// Comma, semicolon or tab: the one that the header has most of.
fn separator_of(header: &str) -> u8 {
    let count = |wanted: char| header.chars().filter(|c| *c == wanted).count();
    [(',', b','), (';', b';'), ('\t', b'\t')]
        .into_iter()
        .max_by_key(|(c, byte)| (count(*c), *byte == b','))
        .map_or(b',', |(_, byte)| byte)
}

/// How often rows come, and how often each column is filled.
struct Rhythm {
    first: Timestamp,
    /// Between ticks of the engine.
    tick: Span,
    /// Between filled cells, by column; with whether an empty cell means that nothing was measured.
    columns: Vec<(Span, bool)>,
}

impl Rhythm {
    fn find(mut pass: Pass, columns: &Columns) -> Result<Self, ReadingsError> {
        let mut times: Vec<Timestamp> = Vec::new();
        let mut filled: Vec<Vec<Timestamp>> = vec![Vec::new(); columns.values.len()];
        while times.len() < JUDGED_ROWS {
            let Some(line) = pass.next()? else { break };
            let at = pass.time(&columns.time, line)?;
            times.push(at);
            for (column, filled) in columns.values.iter().zip(&mut filled) {
                if !pass.cell(column.at).is_empty() {
                    filled.push(at);
                }
            }
        }
        let Some(&first) = times.first() else {
            return Err(ReadingsError::NoRows(pass.path));
        };
        let rows = median_gap(&times).unwrap_or(STEP).max(CLOSEST);
        Ok(Self {
            first,
            tick: rows,
            columns: filled
                .iter()
                .map(|filled| {
                    let always = 2 * filled.len() >= times.len();
                    (median_gap(filled).unwrap_or(rows).max(rows), always)
                })
                .collect(),
        })
    }
}

fn median_gap(times: &[Timestamp]) -> Option<Span> {
    let mut gaps: Vec<Span> = times
        .windows(2)
        .filter_map(|pair| match pair {
            [before, after] if after > before => Some(*after - *before),
            _ => None,
        })
        .collect();
    gaps.sort_unstable();
    gaps.get(gaps.len() / 2).copied()
}

/// The plant with its channels read as the file gives them: each from registers of its own that
/// hold its number in double precision, as often as the file has it.
fn as_logged(plant: &Plant, columns: &Columns, rhythm: &Rhythm) -> Plant {
    let mut plant = plant.clone();
    for (number, channel) in (0u16..).step_by(4).zip(&mut plant.all.channel) {
        channel.device = DeviceIx(0);
        channel.table = RegisterTable::Holding;
        channel.address = number;
        channel.chain.format = Format::F64;
        channel.chain.order = WordOrder::HighFirst;
    }
    for (column, (spacing, _)) in columns.values.iter().zip(&rhythm.columns) {
        if let Some(channel) = plant.all.channel.get_mut(column.channel.index()) {
            let late = Span::from_millis(spacing.millis().saturating_mul(3) / 2);
            channel.stale_after = channel.stale_after.max(late);
            channel.interval = CLOSEST;
            channel.hold = None;
        }
    }
    plant
}

/// Channels that masses rest on and that the file does not have.
fn not_logged(plant: &Plant, columns: &Columns) -> Option<String> {
    let missing: Vec<&str> = (0u32..)
        .zip(&plant.all.channel)
        .filter(|(number, _)| {
            !columns
                .values
                .iter()
                .any(|column| column.channel.0 == *number)
        })
        .map(|(_, channel)| &*channel.id)
        .collect();
    let named = missing.get(..12).unwrap_or(&missing).join(", ");
    let more = missing.len().saturating_sub(12);
    match (missing.len(), more) {
        (0, _) => None,
        (_, 0) => Some(format!("no column for {named}")),
        _ => Some(format!("no column for {named} and {more} more channels")),
    }
}

/// An engine under way through a file.
struct Run<'a, 'c> {
    engine: Engine,
    outcomes: Vec<crate::engine::Outcome>,
    collector: &'a mut Collector<'c>,
    origin: Timestamp,
    /// From the time of a row to where it stands on the grid.
    shift: Span,
    booked: VecDeque<crate::engine::LedgerEntry>,
}

impl Run<'_, '_> {
    fn apply(&mut self, at: Option<Timestamp>, kind: EventKind) -> Result<(), ReadingsError> {
        let since = at.map_or(Span::ZERO, |at| at - self.origin + self.shift);
        let event = Event {
            seq: self.engine.seq() + 1,
            stamp: Stamp {
                utc: at,
                monotonic: Monotonic(since.millis()),
                boot: 0,
                epoch: 0,
            },
            kind,
        };
        self.outcomes.clear();
        self.engine.apply(&event, &mut self.outcomes)?;
        if let Some(at) = at {
            self.collector.take(&self.engine, at, &self.outcomes);
        }
        Ok(())
    }

    fn book_until(&mut self, at: Timestamp) -> Result<(), ReadingsError> {
        while let Some(entry) = self
            .booked
            .pop_front_if(|entry| entry.booking.effective_at <= at)
        {
            self.apply(Some(at), EventKind::Ledger(entry))?;
        }
        Ok(())
    }

    fn tick(&mut self, at: Timestamp) -> Result<(), ReadingsError> {
        self.book_until(at)?;
        self.apply(Some(at), EventKind::Tick)
    }

    /// All rows; what the reader should know of values that no register gives.
    fn rows(
        &mut self,
        mut pass: Pass,
        plant: &Plant,
        columns: &Columns,
        rhythm: &Rhythm,
        until: Option<Timestamp>,
    ) -> Result<Vec<String>, ReadingsError> {
        let metered = plant.all.line.iter().any(|line| {
            meter_channels(line)
                .iter()
                .any(|&meter| columns.values.iter().any(|column| column.channel == meter))
        });
        // With rows further apart than a step of the grid, the engine looks only where there is one.
        let between = if metered {
            Some(rhythm.tick.min(METERED))
        } else {
            (rhythm.tick <= STEP).then_some(rhythm.tick)
        };
        let blocks = blocks(plant);
        let mut odd: Vec<(u64, u64)> = vec![(0, 0); columns.values.len()];
        let mut beyond: Vec<Beyond> = vec![Beyond::default(); columns.values.len()];
        let mut last: Option<Timestamp> = None;
        let mut next_tick = rhythm.first;
        while let Some(line) = pass.next()? {
            let at = pass.time(&columns.time, line)?;
            if let Some(before) = last.filter(|before| *before > at) {
                return Err(ReadingsError::Backwards {
                    path: pass.path,
                    line,
                    at,
                    before,
                });
            }
            if until.is_some_and(|until| at > until) {
                break;
            }
            if let (Some(between), Some(before)) = (between, last) {
                let stop = before + LONGEST_GAP.max(between);
                while next_tick < at && next_tick <= stop {
                    self.tick(next_tick)?;
                    next_tick = next_tick + between;
                }
                if next_tick < at {
                    next_tick = at;
                }
            }
            self.book_until(at)?;
            for (((column, odd), beyond), (_, always)) in columns
                .values
                .iter()
                .zip(&mut odd)
                .zip(&mut beyond)
                .zip(&rhythm.columns)
            {
                let number = pass.value(column, line)?;
                let empty = pass.cell(column.at).is_empty();
                if empty && !always {
                    continue;
                }
                let (Some(channel), Some(block)) = (
                    plant.channel(column.channel),
                    blocks.get(column.channel.index()),
                ) else {
                    continue;
                };
                if let (Some(number), ValueForm::Value(unit)) = (number, column.form) {
                    beyond.take(unit.to_si(number), channel.range);
                }
                let words =
                    number.and_then(|number| words_of_value(&channel.chain, column, number));
                if number.is_some() && words.is_none() {
                    odd.0 += 1;
                    odd.1 = if odd.1 == 0 { line } else { odd.1 };
                }
                let poll = Poll {
                    block: Arc::clone(block),
                    words: Ok(words.unwrap_or_else(|| NOT_A_NUMBER.to_vec())),
                };
                self.apply(Some(at), EventKind::Poll(poll))?;
            }
            if between.is_none() || next_tick == at {
                self.tick(at)?;
                next_tick = at + between.unwrap_or(rhythm.tick);
            }
            last = Some(at);
        }
        let Some(last) = last else {
            return Err(ReadingsError::NoRows(pass.path));
        };
        // The last step of the grid is complete only when the next one begins.
        if rhythm.tick >= STEP {
            self.tick(last + STEP)?;
        }
        let mut notes = told(plant, columns, &odd, &beyond);
        let late = self.booked.len();
        if late > 0 {
            notes.push(format!(
                "{late} ledger entries begin after the last reading and are left out"
            ));
        }
        Ok(notes)
    }
}

/// What the reader should know of values that were not taken.
fn told(plant: &Plant, columns: &Columns, odd: &[(u64, u64)], beyond: &[Beyond]) -> Vec<String> {
    let odd = columns
        .values
        .iter()
        .zip(odd)
        .filter(|(_, (count, _))| *count > 0)
        .map(|(column, (count, line))| {
            format!(
                "column {:?}: {count} values that the channel's curve cannot give, first in line {line}; taken as not measured",
                column.header
            )
        });
    let columns = columns.values.iter().zip(beyond);
    let beyond = columns.filter_map(|(column, beyond)| beyond.words(plant, column));
    odd.chain(beyond).collect()
}

/// Numbers of a column beyond what its channel can read.
#[derive(Debug, Clone, Copy, Default)]
struct Beyond {
    beyond: u64,
    all: u64,
}

impl Beyond {
    fn take(&mut self, si: f64, (low, high): (f64, f64)) {
        self.all += 1;
        self.beyond += u64::from(!(low..=high).contains(&si));
    }

    /// Said where most are: that is rather a wrong unit than a wrong reading.
    fn words(self, plant: &Plant, column: &ValueColumn) -> Option<String> {
        let channel = plant.channel(column.channel)?;
        let (low, high) = channel.range;
        let unit = channel.unit;
        (2 * self.beyond > self.all).then(|| {
            format!(
                "column {:?}: {} of {} numbers lie beyond what {} can read, {} to {} {}, and are taken \
                 as not measured: is the unit in the column's name right?",
                column.header,
                self.beyond,
                self.all,
                channel.id,
                unit.from_si(low),
                unit.from_si(high),
                unit.symbol
            )
        })
    }
}

/// A NaN of double precision.
const NOT_A_NUMBER: [u16; 4] = [0x7ff8, 0, 0, 0];

fn words_of_value(chain: &Chain, column: &ValueColumn, number: f64) -> Option<Vec<u16>> {
    let words = match column.form {
        ValueForm::Value(unit) => chain.raw_for(unit.to_si(number)).ok()?,
        ValueForm::Raw => encode(number, chain.format, chain.order).ok()?,
    };
    Some(words.to_vec())
}

/// The registers of each channel.
fn blocks(plant: &Plant) -> Vec<Arc<BlockKey>> {
    let device = plant
        .all
        .device
        .first()
        .map_or_else(|| Id::from("log"), |device| Id::clone(&device.id));
    plant
        .all
        .channel
        .iter()
        .map(|channel| {
            Arc::new(BlockKey {
                device: Id::clone(&device),
                table: channel.table,
                address: channel.address,
                words: channel.words(),
            })
        })
        .collect()
}
