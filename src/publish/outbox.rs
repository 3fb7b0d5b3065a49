//! Where deliveries come from: the committed part of the history, read behind a cursor.

use std::sync::{Arc, Mutex, PoisonError};

use crate::engine::{AlarmTransition, LedgerEntry, LossReport, MassFigure, Provenance};
use crate::plant::{AlarmClass, Id, Priority};
use crate::quantity::{Quality, Reason};
use crate::time::{Span, Stamp};

/// What one destination has yet to be given.
///
/// Calls may block on the disk; the deliveries make them on a blocking thread.
pub trait Outbox: Send {
    /// What follows that position, in the one order: about `limit` items, but always every item of
    /// a position or none, and only what is committed.
    ///
    /// A position is asked for again after a broken session or a refusal, and must then give again
    /// what it gave: what was read but not acknowledged was not delivered.
    ///
    /// # Errors
    /// When the store cannot be read.
    fn after(&mut self, seq: u64, limit: usize) -> Result<Batch, OutboxError>;

    /// Records that the destination has everything up to and with that position.
    ///
    /// # Errors
    /// When the store cannot record it; the same items are then delivered again after a restart.
    fn advance(&mut self, seq: u64) -> Result<(), OutboxError>;

    /// The last recorded position.
    fn cursor(&self) -> u64;
}

/// A stretch of the one order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Batch {
    /// What there is to deliver, in order.
    pub items: Vec<Delivered>,
    /// The last position looked at, with or without an item; no less than the one asked for.
    pub through: u64,
    /// The last committed position, for the lag.
    pub head: u64,
}

/// One item to deliver, with what it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Delivered {
    /// Position in the one order.
    pub seq: u64,
    /// When.
    pub stamp: Stamp,
    /// What it rests on.
    pub provenance: Arc<Provenance>,
    /// What.
    pub item: Item,
}

/// The kinds of items.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// A measured value.
    Channel(ChannelFigure),
    /// A helium mass.
    Mass(MassOf, MassFigure),
    /// What is lost, of the plant or a section.
    Loss(LossReport),
    /// An alarm changed its state.
    Alarm(Box<AlarmMessage>),
    /// A ledger entry was booked.
    Booked(LedgerEntry),
}

/// A measured value in the channel's unit for people.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelFigure {
    /// The channel.
    pub id: Id,
    /// The value; none when bad.
    pub value: Option<f64>,
    /// Combined standard uncertainty in the same unit; none when bad.
    pub std: Option<f64>,
    /// The unit.
    pub unit: Id,
    /// How far it can be used.
    pub quality: Quality,
    /// Why not plainly good.
    pub reason: Reason,
}

/// Whose mass it is.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum MassOf {
    /// The whole plant's.
    Plant,
    /// A section's.
    Section(Id),
    /// A vessel's.
    Vessel(Id),
}

/// An alarm transition with the texts that must go with it.
#[derive(Debug, Clone, PartialEq)]
pub struct AlarmMessage {
    /// What changed.
    pub transition: AlarmTransition,
    /// Short message.
    pub name: String,
    /// Alarm or alert.
    pub class: AlarmClass,
    /// How urgent.
    pub priority: Priority,
    /// What has probably happened.
    pub cause: String,
    /// What follows when nothing is done.
    pub consequence: String,
    /// What the person should do.
    pub response: String,
    /// How long there is.
    pub time_to_respond: Span,
    /// The hazard to people.
    pub caution: String,
}

/// Why the outbox cannot be read or moved on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OutboxError {
    /// The store cannot be read.
    #[error("the history cannot be read: {0}; deliveries wait and try again")]
    Read(String),
    /// The cursor cannot be recorded.
    #[error("the delivery position cannot be recorded: {0}; items will be delivered again")]
    Record(String),
    /// The thread that read it ended.
    #[error("the thread that reads the history ended; deliveries wait and try again")]
    ThreadEnded,
}

/// An outbox whose calls are made on a blocking thread. Dropping a call's future does not undo the
/// call: it ends by itself, and the next one waits for it.
#[derive(Clone)]
pub(super) struct Reader {
    outbox: Arc<Mutex<Box<dyn Outbox>>>,
}

impl Reader {
    pub(super) fn new(outbox: Box<dyn Outbox>) -> Self {
        Self {
            outbox: Arc::new(Mutex::new(outbox)),
        }
    }

    pub(super) async fn after(&self, seq: u64, limit: usize) -> Result<Batch, OutboxError> {
        self.call(move |outbox| outbox.after(seq, limit)).await
    }

    pub(super) async fn advance(&self, seq: u64) -> Result<(), OutboxError> {
        self.call(move |outbox| outbox.advance(seq)).await
    }

    pub(super) async fn cursor(&self) -> Result<u64, OutboxError> {
        self.call(|outbox| Ok(outbox.cursor())).await
    }

    async fn call<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut dyn Outbox) -> Result<T, OutboxError> + Send + 'static,
    ) -> Result<T, OutboxError> {
        let outbox = Arc::clone(&self.outbox);
        tokio::task::spawn_blocking(move || {
            let mut outbox = outbox.lock().unwrap_or_else(PoisonError::into_inner);
            work(outbox.as_mut())
        })
        .await
        .unwrap_or(Err(OutboxError::ThreadEnded))
    }
}
