//! `coldledger verify`: does the record stand?

use std::collections::VecDeque;
use std::io::{self, Write};
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Serialize;

use super::{FAULT, WELL};
use crate::daemon::recorder::described_as;
use crate::engine::{ENGINE_VERSION, Engine, EventKind, Outcome};
use crate::history::{Hash, JournalCheck, OutcomeHasher, Reader, StorageError, StoredOutcome};
use crate::plant::{DescriptionHash, Plant};
use crate::replay;

/// Check a data directory
///
/// Follows the journal's chain of hashes (an edit breaks it), then replays every recorded event
/// through the engine and compares the outcomes, bit for bit, with those that were recorded and with
/// those that are kept for pages and reports. The daemon may run meanwhile. Ends with 0 when all
/// agrees. Outcomes of another version of the engine cannot be compared: then the journal and the
/// events are checked, and the answer says so.
#[derive(Debug, clap::Args)]
pub struct VerifyArgs {
    /// Data directory
    #[arg(long, value_name = "DIR", default_value = "coldledger-data")]
    pub data: PathBuf,

    /// Write the result as one JSON document, for programs
    #[arg(long)]
    pub json: bool,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Verdict {
    /// Whether everything agrees.
    pub agrees: bool,
    /// Whether this engine made all outcomes on record; those of another version cannot be compared.
    pub comparable: bool,
    /// The engine versions that made them.
    pub engines: Vec<String>,
    /// The journal's chain, in words.
    pub journal: String,
    /// Events replayed.
    pub events: u64,
    /// Hash over the outcomes as recorded, hexadecimal.
    pub recorded_hash: String,
    /// Hash over the outcomes as replayed.
    pub replayed_hash: String,
    /// What stands in the way, in words.
    pub problems: Vec<String>,
}

/// Verifies and prints; the exit code.
#[must_use]
pub fn main(args: &VerifyArgs) -> u8 {
    let verdict = match verify(&args.data) {
        Ok(verdict) => verdict,
        Err(error) => {
            super::complain(&error);
            return FAULT;
        }
    };
    let text = if args.json {
        serde_json::to_string_pretty(&verdict).unwrap_or_default()
    } else {
        in_words(&verdict)
    };
    let written = writeln!(io::stdout().lock(), "{text}");
    if verdict.agrees && written.is_ok() {
        WELL
    } else {
        FAULT
    }
}

fn in_words(verdict: &Verdict) -> String {
    let mut lines = vec![
        format!("journal: {}", verdict.journal),
        format!("events replayed: {}", verdict.events),
        format!("outcomes as recorded: {}", verdict.recorded_hash),
        format!("outcomes as replayed: {}", verdict.replayed_hash),
    ];
    lines.extend(
        verdict
            .problems
            .iter()
            .map(|problem| format!("problem: {problem}")),
    );
    lines.push(if verdict.agrees && !verdict.comparable {
        format!(
            "The journal stands and every event reads back. The outcomes were made by engine {}; this \
             is {ENGINE_VERSION}, so they cannot be compared bit for bit.",
            verdict.engines.join(", ")
        )
    } else if verdict.agrees {
        "The record stands: what was shown follows from what was read.".to_owned()
    } else {
        "The record does NOT stand as it is; see above.".to_owned()
    });
    lines.join("\n")
}

/// Verifies the record of a data directory.
///
/// # Errors
/// What the store refuses.
pub fn verify(directory: &Path) -> Result<Verdict, StorageError> {
    let reader = Reader::open(directory)?;
    let mut problems = Vec::new();
    let journal = reader.verify_journal()?;
    let journal_sound = matches!(journal, JournalCheck::Whole { .. });
    let last = reader.last_seq()?;
    let recorded = reader.outcome_hash_at(last)?;

    let engines: Vec<String> = reader.engines()?.iter().map(ToString::to_string).collect();
    let comparable = engines.iter().all(|engine| engine == ENGINE_VERSION);

    let mut engine: Option<Engine> = None;
    let mut kept = Kept::of(&reader)?;
    let mut hasher = OutcomeHasher::default();
    let mut outcomes = Vec::new();
    let mut broken = None;
    let replayed = reader.replay(1, |event| {
        if event.seq > last {
            return ControlFlow::Break(());
        }
        if engine.is_none() {
            // The first event of a record puts its description in force.
            let described = match event.kind {
                EventKind::DescriptionInForce { hash } => description(&reader, hash),
                _ => None,
            };
            engine = described.map(Engine::new);
        }
        let Some(engine) = &mut engine else {
            broken =
                Some("the record does not begin with a description that can be read".to_owned());
            return ControlFlow::Break(());
        };
        let mut describe = |hash| description(&reader, hash);
        if let Err(error) = replay::step(engine, &event, &mut describe, &mut outcomes) {
            broken = Some(error.to_string());
            return ControlFlow::Break(());
        }
        for outcome in &outcomes {
            kept.check(outcome);
            if let Err(error) = hasher.add(outcome) {
                broken = Some(error.to_string());
                return ControlFlow::Break(());
            }
        }
        ControlFlow::Continue(())
    })?;
    if broken.is_none() {
        kept.drop_before((last + 1, 0));
    }
    problems.extend(broken);
    if !replayed.damaged.is_empty() {
        problems.push(format!("{} rows do not read back", replayed.damaged.len()));
    }
    if !journal_sound {
        problems.push("the journal's chain is broken".to_owned());
    }
    let recorded_hash = recorded.map(|point| point.hash);
    let replayed_hash = hasher.hash();
    problems.extend(kept.problems());
    if comparable && recorded_hash != Some(replayed_hash) {
        problems.push(format!(
            "the replay by engine {ENGINE_VERSION} gives other outcomes than were recorded; expected \
             only when the beginning of the record was trimmed"
        ));
    }
    Ok(Verdict {
        agrees: problems.is_empty(),
        comparable,
        engines,
        journal: journal_words(&journal),
        events: replayed.events,
        recorded_hash: recorded_hash.map_or_else(|| "none".to_owned(), |hash| hexadecimal(&hash)),
        replayed_hash: hexadecimal(&replayed_hash),
        problems,
    })
}

/// The outcomes as they are kept, read beside the replay: what pages, curves and reports of the past show.
struct Kept {
    reader: Reader,
    waiting: VecDeque<Outcome>,
    /// The last event that is read; none once no more is to be held against anything.
    read_to: Option<u64>,
    others: u64,
    first: Option<u64>,
    unreadable: Option<StorageError>,
}

impl Kept {
    /// Read in one go.
    const AT_ONCE: usize = 2_000;

    /// Of a record whose beginning was trimmed nothing is held against a replay from what is left.
    fn of(reader: &Reader) -> Result<Self, StorageError> {
        Ok(Self {
            reader: reader.try_clone()?,
            waiting: VecDeque::new(),
            read_to: reader.trimmed()?.is_empty().then_some(0),
            others: 0,
            first: None,
            unreadable: None,
        })
    }

    /// Holds one outcome of the replay against the one that is kept. One that does not read back is no
    /// contradiction.
    fn check(&mut self, replayed: &Outcome) {
        self.drop_before((replayed.seq, replayed.index));
        let is_it = |kept: &&Outcome| place(kept) == place(replayed);
        if let Some(kept) = self.waiting.front().filter(is_it) {
            let alike = kept.stamp == replayed.stamp && encoded(kept) == encoded(replayed);
            let seq = kept.seq;
            self.waiting.pop_front();
            if !alike {
                self.note(seq);
            }
        }
    }

    /// Whatever is kept before that place, and the replay did not give.
    fn drop_before(&mut self, next: (u64, u32)) {
        loop {
            if self.waiting.is_empty() {
                self.read_on(next.0);
            }
            match self.waiting.front() {
                Some(kept) if place(kept) < next => {
                    let seq = kept.seq;
                    self.waiting.pop_front();
                    self.note(seq);
                }
                _ => return,
            }
        }
    }

    /// Outcomes of another engine are passed over: they may be others.
    fn read_on(&mut self, wanted: u64) {
        while let Some(read_to) = self.read_to.filter(|read_to| *read_to < wanted)
            && self.waiting.is_empty()
        {
            match self.reader.outcomes_after(read_to, Self::AT_ONCE) {
                Ok(more) => {
                    self.read_to = more.last().map(|last| last.outcome.seq);
                    let ours =
                        |stored: &StoredOutcome| *stored.provenance.engine == *ENGINE_VERSION;
                    let ours = more.into_iter().filter(ours);
                    self.waiting.extend(ours.map(|stored| stored.outcome));
                }
                Err(error) => {
                    self.read_to = None;
                    self.unreadable = Some(error);
                }
            }
        }
    }

    fn note(&mut self, seq: u64) {
        self.others += 1;
        self.first.get_or_insert(seq);
    }

    fn problems(self) -> impl Iterator<Item = String> {
        let others = self.others;
        let found = self.first.map(|seq| {
            format!(
                "{others} outcomes as they are kept are not those that follow from what was read; the \
                 first is of event {seq}"
            )
        });
        let unread = self
            .unreadable
            .map(|error| format!("the outcomes as they are kept do not all read back ({error})"));
        found.into_iter().chain(unread)
    }
}

fn place(outcome: &Outcome) -> (u64, u32) {
    (outcome.seq, outcome.index)
}

/// As bytes, since what is no number is like nothing.
fn encoded(outcome: &Outcome) -> Option<Vec<u8>> {
    postcard::to_allocvec(&outcome.kind).ok()
}

fn journal_words(check: &JournalCheck) -> String {
    match check {
        JournalCheck::Whole { rows, hash } => format!(
            "{rows} entries, the chain holds; its last hash is {}",
            hexadecimal(hash)
        ),
        JournalCheck::Broken { row, why } => format!("broken at entry {row}: {why}"),
    }
}

fn description(reader: &Reader, hash: DescriptionHash) -> Option<Arc<Plant>> {
    described_as(reader, None, hash).ok().flatten()
}

fn hexadecimal(hash: &Hash) -> String {
    hash.iter()
        .flat_map(|byte| [byte >> 4, byte & 15])
        .filter_map(|digit| char::from_digit(digit.into(), 16))
        .collect()
}
