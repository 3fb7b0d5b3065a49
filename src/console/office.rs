//! What the console is given: the newest pictures to show, the past to ask, a desk to hand
//! people's actions to, and clocks. It owns none of it.

use std::fmt;
use std::sync::Arc;

use serde::Serialize;
use tokio::sync::{mpsc, oneshot, watch};

use super::health::BoxHealth;
use super::login::Operators;
use crate::engine::{Action, LedgerEntry, View};
use crate::plant::Plant;
use crate::quantity::Quality;
use crate::time::{Monotonic, Timestamp};

/// Everything the console needs from its host.
#[derive(Clone)]
pub struct Office {
    /// The description in force.
    pub plant: watch::Receiver<Arc<Plant>>,
    /// The newest picture of the engine; a new one at least at every tick.
    pub view: watch::Receiver<Arc<View>>,
    /// How the box is.
    pub health: watch::Receiver<Arc<BoxHealth>>,
    /// How far the start has come.
    pub progress: watch::Receiver<Progress>,
    /// What was.
    pub past: Arc<dyn Past>,
    /// Where actions and ledger entries go. Bounded; when it is full the person is told.
    pub desk: mpsc::Sender<DeskRequest>,
    /// Who may act.
    pub operators: Operators,
    /// Host names, without port, under which the pages may be asked for; loopback names and
    /// addresses written as numbers are always allowed.
    pub host_names: Vec<String>,
    /// Time.
    pub clocks: Clocks,
    /// Version of the program.
    pub version: &'static str,
}

/// The two clocks of the house, as functions so that tests can set them.
#[derive(Clone)]
pub struct Clocks {
    /// Wall time, when it is known.
    pub wall: Arc<dyn Fn() -> Option<Timestamp> + Send + Sync>,
    /// Monotonic time.
    pub monotonic: Arc<dyn Fn() -> Monotonic + Send + Sync>,
}

impl fmt::Debug for Clocks {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Clocks").finish_non_exhaustive()
    }
}

/// How far the start has come; until `ready`, every page shows this.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Progress {
    /// What is being done, in words.
    pub phase: String,
    /// Part done, 0 to 1.
    pub fraction: f64,
    /// Whether the pages can be shown.
    pub ready: bool,
}

/// Something a person wants recorded and done.
#[derive(Debug)]
pub struct DeskRequest {
    /// What.
    pub kind: DeskKind,
    /// Answered only after the record is durable.
    pub reply: oneshot::Sender<Result<Receipt, Refusal>>,
}

/// The kinds of requests.
#[derive(Debug, Clone, PartialEq)]
pub enum DeskKind {
    /// An action.
    Act(Action),
    /// A ledger entry.
    Book(LedgerEntry),
}

/// Proof that a request is on record.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Receipt {
    /// Position in the one order of events.
    pub seq: u64,
}

/// Why a request was not carried out.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, thiserror::Error)]
#[error("{problem}. {what_to_do}")]
pub struct Refusal {
    /// What is wrong.
    pub problem: String,
    /// What the person can do.
    pub what_to_do: String,
}

/// What was, as the store keeps it. The calls may block: the console makes them off its own
/// threads, a few at a time.
pub trait Past: Send + Sync {
    /// Measured values of a channel in its unit for people, in at most `most` buckets of equal
    /// width, none shorter than the channel's interval.
    ///
    /// # Errors
    /// [`PastError`] when the store cannot be read or knows no such channel.
    fn trend(
        &self,
        channel: &str,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<TrendSeries, PastError>;

    /// Inventory of the plant, a section or a vessel, in order of time, at most `most` points.
    ///
    /// # Errors
    /// [`PastError`] when the store cannot be read.
    fn inventory(
        &self,
        of: &InventoryOf,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<Vec<MassPoint>, PastError>;

    /// Loss rate of the plant (`section` none) or a section, in order of time, at most `most` points.
    ///
    /// # Errors
    /// [`PastError`] when the store cannot be read.
    fn loss(
        &self,
        section: Option<&str>,
        from: Timestamp,
        to: Timestamp,
        most: usize,
    ) -> Result<Vec<LossPoint>, PastError>;

    /// The newest lines of the journal before position `before` (none: the end), newest first.
    ///
    /// # Errors
    /// [`PastError`] when the store cannot be read.
    fn journal(&self, before: Option<u64>, limit: usize) -> Result<Vec<JournalLine>, PastError>;
}

/// Why the past cannot be told.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PastError {
    /// Nothing of that name.
    #[error("the store knows nothing of {0:?}")]
    Unknown(String),
    /// The store did not answer.
    #[error("the store cannot be read: {0}")]
    Unreadable(String),
}

/// Whose inventory.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum InventoryOf {
    /// The whole plant.
    Plant,
    /// A section, by id.
    Section(String),
    /// A vessel, by id.
    Vessel(String),
}

/// A channel over time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TrendSeries {
    /// Unit of the values.
    pub unit: String,
    /// Start of the first bucket.
    pub from: Timestamp,
    /// Width of a bucket, ms.
    pub bucket_ms: i64,
    /// One per bucket; none where nothing was read.
    pub buckets: Vec<Option<TrendBucket>>,
}

/// What a channel read within one bucket; only usable values count towards the numbers.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TrendBucket {
    /// Smallest value, in the unit of the series.
    pub min: f64,
    /// Largest value, in the unit of the series.
    pub max: f64,
    /// Mean value, in the unit of the series.
    pub mean: f64,
    /// Worst quality within it. Bad: the numbers mean nothing.
    pub quality: Quality,
}

/// An inventory at a time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MassPoint {
    /// When.
    #[serde(rename = "at_ms")]
    pub at: Timestamp,
    /// kg.
    pub mass_kg: f64,
    /// Standard uncertainty, kg.
    pub std_kg: f64,
}

/// A loss rate at a time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LossPoint {
    /// When.
    #[serde(rename = "at_ms")]
    pub at: Timestamp,
    /// Loss rate, the accepted loss included, kg/s.
    pub rate_kg_per_s: f64,
    /// Standard uncertainty, kg/s.
    pub std_kg_per_s: f64,
    /// Smallest excess over the accepted loss that would be seen with 95 %, kg/s.
    pub detection_limit_kg_per_s: f64,
}

/// A line of the journal, in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct JournalLine {
    /// Position in the one order of events.
    pub seq: u64,
    /// When.
    #[serde(rename = "at_ms")]
    pub at: Option<Timestamp>,
    /// What it is about: an alarm's id, a ledger entry, a channel.
    pub subject: String,
    /// What happened.
    pub words: String,
    /// Who did it; none when the plant did.
    pub who: Option<String>,
}
