//! What each destination has yet to be given, read from the store behind its cursor.

use std::collections::BTreeMap;
use std::ops::{ControlFlow, Range};
use std::path::Path;
use std::sync::Arc;

use super::recorder::{Described, described_as};
use crate::engine::{Event, EventKind, MassFigure, Outcome, OutcomeKind, Provenance};
use crate::history::{Cursors, Reader, StorageError, StoredOutcome};
use crate::plant::{BlockKey, Channel, ChannelIx, Delivery, Id, Selection, channels_within};
use crate::publish::{
    AlarmMessage, Batch, ChannelFigure, Delivered, Item, MassOf, Outbox, OutboxError,
};
use crate::quantity::{Quality, Reason};
use crate::time::{Monotonic, Span, Stamp};

/// Events looked at in one go.
const EVENTS_AT_ONCE: u64 = 600;

/// The outbox of one destination.
pub struct StoredOutbox {
    destination: &'static str,
    reader: Reader,
    cursors: Cursors,
    described: Described,
    what: Delivery,
    cursor: u64,
    /// The furthest position read; one asked for again must give again what it gave.
    read_to: u64,
    /// Channel values go out at most once in the delivery's time: when each last did, by boot.
    sent: BTreeMap<ChannelIx, (u64, Monotonic)>,
    /// Provenance of the last stored outcome seen, for measured values between outcomes.
    provenance: Arc<Provenance>,
    routes: BTreeMap<Arc<BlockKey>, Vec<(ChannelIx, Range<usize>)>>,
}

impl StoredOutbox {
    /// The outbox of `destination`. One that was never served begins at the newest event: it is
    /// told what is, not the whole past.
    ///
    /// # Errors
    /// What the store refuses.
    pub fn open(
        directory: &Path,
        destination: &'static str,
        described: Described,
        what: Delivery,
        provenance: Provenance,
    ) -> Result<Self, StorageError> {
        let reader = Reader::open(directory)?;
        let cursors = Cursors::open(directory)?;
        let mut cursor = cursors.get(destination)?;
        if cursor == 0 {
            cursor = reader.last_seq()?;
            cursors.advance(destination, cursor)?;
        }
        Ok(Self {
            destination,
            reader,
            cursors,
            described,
            what,
            cursor,
            read_to: cursor,
            sent: BTreeMap::new(),
            provenance: Arc::new(provenance),
            routes: BTreeMap::new(),
        })
    }

    fn take_outcome(&mut self, stored: StoredOutcome, items: &mut Vec<Delivered>) {
        self.provenance = Arc::clone(&stored.provenance);
        let Outcome {
            seq, stamp, kind, ..
        } = stored.outcome;
        let mut push = |item: Item| {
            items.push(Delivered {
                seq,
                stamp,
                provenance: Arc::clone(&stored.provenance),
                item,
            });
        };
        match kind {
            OutcomeKind::Inventory(report) if self.what.inventory => {
                push(Item::Mass(MassOf::Plant, report.plant));
                let sections = report
                    .sections
                    .into_iter()
                    .map(|(id, f)| (MassOf::Section(id), f));
                let vessels = report
                    .vessels
                    .into_iter()
                    .map(|(id, f)| (MassOf::Vessel(id), f));
                for (of, figure) in sections.chain(vessels) {
                    push(Item::Mass(of, finite(figure)));
                }
            }
            OutcomeKind::Losses(report) if self.what.losses => push(Item::Loss(report)),
            OutcomeKind::Alarm(transition) if self.what.alarms => {
                let rule = self
                    .described
                    .plant
                    .alarms
                    .iter()
                    .find(|rule| rule.id == transition.alarm);
                if let Some(rule) = rule {
                    push(Item::Alarm(Box::new(AlarmMessage {
                        transition,
                        name: rule.name.clone(),
                        class: rule.class,
                        priority: rule.priority,
                        cause: rule.cause.clone(),
                        consequence: rule.consequence.clone(),
                        response: rule.response.clone(),
                        time_to_respond: rule.time_to_respond,
                        caution: rule.caution.clone(),
                    })));
                }
            }
            OutcomeKind::Booked(entry) if self.what.alarms => push(Item::Booked(entry)),
            // A channel that went bad without being read (stale, no answer) has no poll to say so.
            OutcomeKind::ChannelQuality {
                channel,
                quality: Quality::Bad,
                reason,
            } => {
                let plant = Arc::clone(&self.described.plant);
                if let Some((ix, described)) = plant.channel_by_id(&channel)
                    && selected(&self.what.channels, ix)
                {
                    push(Item::Channel(ChannelFigure {
                        id: channel,
                        value: None,
                        std: None,
                        unit: Id::from(described.unit.symbol),
                        quality: Quality::Bad,
                        reason,
                    }));
                }
            }
            _ => {}
        }
    }

    fn take_event(&mut self, event: &Event, items: &mut Vec<Delivered>) {
        let EventKind::Poll(poll) = &event.kind else {
            return;
        };
        let Ok(words) = &poll.words else {
            return;
        };
        let plant = Arc::clone(&self.described.plant);
        let what = &self.what.channels;
        let route = self
            .routes
            .entry(Arc::clone(&poll.block))
            .or_insert_with(|| {
                let mut route = channels_within(&plant, &poll.block);
                route.retain(|(ix, _)| selected(what, *ix));
                route
            })
            .clone();
        for (ix, range) in route {
            let (Some(channel), Some(words)) = (plant.channel(ix), words.get(range)) else {
                continue;
            };
            if !due(&mut self.sent, ix, &event.stamp, self.what.every) {
                continue;
            }
            items.push(Delivered {
                seq: event.seq,
                stamp: event.stamp,
                provenance: Arc::clone(&self.provenance),
                item: Item::Channel(figure(channel, words)),
            });
        }
    }
}

impl Outbox for StoredOutbox {
    fn after(&mut self, seq: u64, limit: usize) -> Result<Batch, OutboxError> {
        let read = |error: StorageError| OutboxError::Read(error.to_string());
        if seq < self.read_to {
            self.sent.clear();
        }
        let head = self.reader.last_seq().map_err(read)?;
        let through = head.min(seq.saturating_add(EVENTS_AT_ONCE));
        if through <= seq {
            return Ok(Batch {
                items: Vec::new(),
                through: seq,
                head,
            });
        }
        let mut items = Vec::new();
        let stored = self
            .reader
            .outcomes_after(seq, limit.max(1))
            .map_err(read)?;
        // When the limit cut the outcomes off, go only as far as they are whole.
        let through = match stored.last() {
            Some(last) if stored.len() >= limit => through.min(last.outcome.seq),
            _ => through,
        };
        if let Some(hash) = stored.first().map(|stored| stored.provenance.description)
            && hash != self.described.plant.hash
            && let Some(plant) =
                described_as(&self.reader, Some(&self.described), hash).map_err(read)?
        {
            self.described.plant = plant;
            self.routes.clear();
        }
        let mut stored = stored
            .into_iter()
            .filter(|stored| stored.outcome.seq <= through)
            .peekable();
        let mut events = Vec::new();
        let replayed = self
            .reader
            .replay(seq + 1, |event| {
                if event.seq > through {
                    return ControlFlow::Break(());
                }
                events.push(event);
                ControlFlow::Continue(())
            })
            .map_err(read)?;
        if !replayed.damaged.is_empty() {
            tracing::warn!(
                rows = replayed.damaged.len(),
                "damaged rows are not delivered"
            );
        }
        for event in &events {
            self.take_event(event, &mut items);
            while let Some(outcome) = stored.next_if(|stored| stored.outcome.seq <= event.seq) {
                self.take_outcome(outcome, &mut items);
            }
        }
        for outcome in stored {
            self.take_outcome(outcome, &mut items);
        }
        self.read_to = through;
        Ok(Batch {
            items,
            through,
            head,
        })
    }

    fn advance(&mut self, seq: u64) -> Result<(), OutboxError> {
        self.cursors
            .advance(self.destination, seq)
            .map_err(|error| OutboxError::Record(error.to_string()))?;
        self.cursor = seq;
        Ok(())
    }

    fn cursor(&self) -> u64 {
        self.cursor
    }
}

fn selected(selection: &Selection, ix: ChannelIx) -> bool {
    match selection {
        Selection::All => true,
        Selection::None => false,
        Selection::Channels(list) => list.contains(&ix),
    }
}

/// Whether a channel's value goes out now; each boot's monotonic time counts by itself.
fn due(
    sent: &mut BTreeMap<ChannelIx, (u64, Monotonic)>,
    ix: ChannelIx,
    stamp: &Stamp,
    every: Span,
) -> bool {
    let now = (stamp.boot, stamp.monotonic);
    match sent.get(&ix) {
        Some(&(boot, at)) if boot == stamp.boot && stamp.monotonic - at < every => false,
        _ => {
            sent.insert(ix, now);
            true
        }
    }
}

fn figure(channel: &Channel, words: &[u16]) -> ChannelFigure {
    let measured = channel
        .chain
        .convert(words, channel.range, &channel.uncertainty);
    let usable = measured.is_usable();
    ChannelFigure {
        id: Id::clone(&channel.id),
        value: usable.then(|| channel.unit.from_si(measured.value.0)),
        std: usable.then(|| channel.unit.difference_from_si(measured.combined_std())),
        unit: Id::from(channel.unit.symbol),
        quality: measured.quality,
        reason: measured.reason,
    }
}

/// A mass that is not known goes out as bad, never as a number.
fn finite(figure: MassFigure) -> MassFigure {
    if figure.mass_kg.is_finite() && figure.std_kg.is_finite() {
        return figure;
    }
    MassFigure {
        quality: Quality::Bad,
        reason: if figure.reason == Reason::None {
            Reason::InputBad
        } else {
            figure.reason
        },
        ..figure
    }
}
