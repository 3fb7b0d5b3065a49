//! The engine: one event in, outcomes out.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::channels::Channels;
use super::clock::Continuous;
use super::event::{Event, EventKind, Poll, PollFault};
use super::magnets::MagnetMemory;
use super::outcome::{Outcome, OutcomeKind, Provenance};
use crate::alarm::{AlarmBook, AlarmTransition};
use crate::balance::happening::HappeningBook;
use crate::balance::inventory::{Readings, VesselMass};
use crate::balance::ledger::{Ledger, LedgerEntry, LedgerRefusal};
use crate::balance::losses::LossBook;
use crate::balance::report::{InventoryReport, RoomLeft};
use crate::balance::room::SupplyWatch;
use crate::balance::unlike::{self, Comparison};
use crate::plant::{
    BlockKey, ChannelIx, DeviceIx, Id, LineIx, Passage, PassageSource, Plant, VesselIx,
    channels_within,
};
use crate::quantity::{MassFlow, Measured, Quality, Reason, Si};
use crate::time::{Monotonic, Span, Stamp, Timestamp};

/// Version of the engine: changes whenever the same events may give other outcomes.
pub const ENGINE_VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), "/13");

/// How often an inventory report goes out.
const INVENTORY_EVERY: Span = Span::from_millis(60_000);

/// All that the engine remembers; what a snapshot keeps.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct State {
    pub(super) seq: u64,
    pub(super) events: u64,
    pub(super) time: Continuous,
    pub(super) channels: Channels,
    pub(super) devices: Vec<DeviceState>,
    pub(super) modes: Vec<u32>,
    pub(super) passages: Vec<Passage>,
    pub(super) ledger: Ledger,
    pub(super) alarms: AlarmBook,
    pub(super) losses: LossBook,
    pub(super) happenings: HappeningBook,
    pub(super) supply: SupplyWatch,
    pub(super) room: Option<RoomLeft>,
    pub(super) inventory: Option<InventoryReport>,
    /// Last usable mass of each vessel, kg, with its time: carried when nothing can be reckoned.
    pub(super) last_masses: Vec<Option<LastMass>>,
    /// The plant's mass at the last tick, kg, when every vessel had one.
    pub(super) plant_mass: Option<f64>,
    /// Plant mass at the last tick before a change of description, to restate against.
    pub(super) restate_from: Option<Restatement>,
    next_inventory: Monotonic,
    pub(super) magnets: MagnetMemory,
    /// Ledger entries lost with a damaged record.
    unsaved: Vec<Id>,
}

/// What the inventory is to be compared with once every vessel rests on readings again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Restatement {
    pub(super) from_kg: f64,
    pub(super) why: String,
    pub(super) since: Monotonic,
}

/// The last mass of a vessel that rested on readings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct LastMass {
    pub(super) kg: f64,
    pub(super) std_kg: f64,
    /// When that uncertainty was reckoned.
    pub(super) weighed: Monotonic,
    pub(super) at: Monotonic,
}

/// One device's memory.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct DeviceState {
    pub(super) answers: Option<bool>,
    pub(super) fault: Option<PollFault>,
    pub(super) good_polls: u64,
    pub(super) failed_polls: u64,
    pub(super) last_answer: Option<Timestamp>,
}

/// The deterministic function from recorded events to conclusions.
pub struct Engine {
    pub(super) plant: Arc<Plant>,
    offered: Option<Arc<Plant>>,
    pub(super) state: State,
    /// Where a block's registers go; made on first sight of a block.
    routes: BTreeMap<Arc<BlockKey>, Route>,
    pub(super) masses: Vec<VesselMass>,
    pub(super) comparisons: Vec<Comparison>,
    transitions: Vec<AlarmTransition>,
}

#[derive(Clone)]
struct Route {
    device: Option<DeviceIx>,
    channels: Arc<[(ChannelIx, Range<usize>)]>,
}

/// Why an event was not taken; the engine is then unchanged.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ApplyError {
    /// The one order has a hole or runs backwards.
    #[error("event {found} follows event {last}; the next must be {}", last + 1)]
    OutOfOrder {
        /// The last event taken.
        last: u64,
        /// The event offered.
        found: u64,
    },
    /// A description came into force that was never offered.
    #[error("description {hash} came into force, but its text was not offered to the engine")]
    UnknownDescription {
        /// Its hash.
        hash: String,
    },
}

impl Engine {
    /// An engine that has seen nothing. Its first event has the number 1.
    #[must_use]
    pub fn new(plant: Arc<Plant>) -> Self {
        let mut engine = Self {
            plant: Arc::clone(&plant),
            offered: None,
            state: State::default(),
            routes: BTreeMap::new(),
            masses: Vec::new(),
            comparisons: Vec::new(),
            transitions: Vec::new(),
        };
        engine.take_up(plant, None);
        engine
    }

    /// What the engine's outcomes rest on.
    #[must_use]
    pub fn provenance(&self) -> Provenance {
        Provenance {
            revision: 1,
            description: self.plant.hash,
            engine: Id::from(ENGINE_VERSION),
        }
    }

    /// The description in force.
    #[must_use]
    pub fn plant(&self) -> &Arc<Plant> {
        &self.plant
    }

    /// The last event taken.
    #[must_use]
    pub fn seq(&self) -> u64 {
        self.state.seq
    }

    /// Goes on after `seq`, of which nothing but these ledger entries could be saved: what a damaged
    /// record leaves. Entries already in the books are passed over.
    pub fn resume_after(&mut self, seq: u64, saved: impl IntoIterator<Item = (u64, LedgerEntry)>) {
        self.state.seq = self.state.seq.max(seq);
        for (entered, entry) in saved {
            let id = Id::clone(&entry.id);
            if let Err(refusal) = self.state.ledger.book(entry, entered, None)
                && !matches!(refusal, LedgerRefusal::IdTaken(_))
            {
                // The entry was in the books once, so only its predecessor can be missing.
                self.state.unsaved.push(id);
            }
        }
    }

    /// Ledger entries that a damaged record no longer lets stand.
    #[must_use]
    pub fn unsaved(&self) -> &[Id] {
        &self.state.unsaved
    }

    /// The book of losses: what the reports are drawn from.
    #[must_use]
    pub fn losses(&self) -> &LossBook {
        &self.state.losses
    }

    /// The books.
    #[must_use]
    pub fn ledger(&self) -> &Ledger {
        &self.state.ledger
    }

    /// Makes a description known; it holds once a [`EventKind::DescriptionInForce`] names it.
    pub fn offer(&mut self, plant: Arc<Plant>) {
        self.offered = Some(plant);
    }

    /// Takes one event and adds what follows from it to `out`.
    ///
    /// # Errors
    /// [`ApplyError`] when the event is not the next one or names a description never offered.
    pub fn apply(&mut self, event: &Event, out: &mut Vec<Outcome>) -> Result<(), ApplyError> {
        if event.seq != self.state.seq + 1 {
            return Err(ApplyError::OutOfOrder {
                last: self.state.seq,
                found: event.seq,
            });
        }
        if let EventKind::DescriptionInForce { hash } = &event.kind
            && *hash != self.plant.hash
            && self
                .offered
                .as_ref()
                .is_none_or(|plant| plant.hash != *hash)
        {
            return Err(ApplyError::UnknownDescription {
                hash: hash.to_string(),
            });
        }
        self.state.seq = event.seq;
        self.state.events += 1;
        let now = self.state.time.advance(event.stamp);
        let mut sink = Sink {
            seq: event.seq,
            stamp: event.stamp,
            index: 0,
            out,
        };
        match &event.kind {
            EventKind::Poll(poll) => self.poll(poll, now),
            EventKind::Tick => self.tick(now, &mut sink),
            EventKind::Action(action) => self.act(action, now, &mut sink),
            EventKind::Ledger(entry) => self.book(entry, event, &mut sink),
            EventKind::ClockStepped { expected, now } => sink.push(OutcomeKind::ClockStepped {
                by: expected.zip(*now).map(|(before, after)| after - before),
            }),
            EventKind::DescriptionInForce { hash } => {
                if let Some(plant) = self.offered.take().filter(|plant| plant.hash == *hash) {
                    let from = self.state.plant_mass;
                    let before = Arc::clone(&self.plant);
                    self.take_up(plant, Some(&before));
                    self.restate_later(from, format!("description {hash} came into force"), now);
                }
                sink.push(OutcomeKind::DescriptionChanged { hash: *hash });
            }
            EventKind::NotPolled { polls, .. } => {
                sink.push(OutcomeKind::RecordingGap { polls: *polls });
            }
            EventKind::SetAside { .. } => {}
        }
        Ok(())
    }

    /// Takes up a description; what has the same id carries over.
    fn take_up(&mut self, plant: Arc<Plant>, before: Option<&Plant>) {
        let now = self.state.time.now();
        self.state.channels.adopt(&plant, before);
        self.state.alarms.adopt(&plant, now);
        self.state
            .ledger
            .adopt_seed(&plant.site.id, &plant.ledger_seed);

        let old = |id: &Id| before.and_then(|before| before.vessel_by_id(id));
        let mut modes = Vec::new();
        let mut last_masses = Vec::new();
        for vessel in &plant.all.vessel {
            let carried = old(&vessel.id).and_then(|(ix, old)| {
                let at = usize::try_from(*self.state.modes.get(ix.index())?).ok()?;
                let id = &old.modes.get(at)?.id;
                vessel.modes.iter().position(|mode| mode.id == *id)
            });
            modes.push(u32::try_from(carried.unwrap_or(vessel.first_mode)).unwrap_or(0));
            last_masses
                .push(old(&vessel.id).and_then(|(ix, _)| *self.state.last_masses.get(ix.index())?));
        }
        let passages = plant
            .all
            .line
            .iter()
            .map(|line| {
                let carried = before
                    .and_then(|before| before.line_by_id(&line.id))
                    .and_then(|(ix, _)| self.state.passages.get(ix.index()).copied());
                match line.passage {
                    PassageSource::Person(first) => carried.unwrap_or(first),
                    PassageSource::Channel { .. } => carried.unwrap_or(Passage::Unknown),
                }
            })
            .collect();
        let devices = plant
            .all
            .device
            .iter()
            .map(|device| {
                before
                    .and_then(|before| before.device_by_id(&device.id))
                    .and_then(|(ix, _)| self.state.devices.get(ix.index()).cloned())
                    .unwrap_or_default()
            })
            .collect();
        self.state.happenings.forget();
        self.state.supply = SupplyWatch::default();
        self.state.room = None;
        self.state.modes = modes;
        self.state.last_masses = last_masses;
        self.state.passages = passages;
        self.state.devices = devices;
        self.state.magnets.adopt(&plant);
        self.masses = Vec::new();
        self.comparisons = unlike::comparisons(&plant);
        self.routes = BTreeMap::new();
        if let Some(before) = before {
            self.state.losses.adopt(&plant, before);
        }
        self.plant = plant;
    }

    fn poll(&mut self, poll: &Poll, now: Monotonic) {
        let plant = &self.plant;
        let route = self
            .routes
            .entry(Arc::clone(&poll.block))
            .or_insert_with(|| route(plant, &poll.block))
            .clone();
        let utc = self.state.time.utc();
        let device = route
            .device
            .and_then(|ix| self.state.devices.get_mut(ix.index()));
        match &poll.words {
            Ok(words) => {
                if let Some(device) = device {
                    device.answers = Some(true);
                    device.fault = None;
                    device.good_polls += 1;
                    device.last_answer = utc;
                }
                for (ix, range) in route.channels.iter() {
                    if let (Some(channel), Some(words)) =
                        (self.plant.channel(*ix), words.get(range.clone()))
                    {
                        self.state.channels.take(*ix, channel, words, now, utc);
                    }
                }
            }
            Err(fault) => {
                if let Some(device) = device {
                    // A device that refuses one block by exception is there all the same.
                    device.answers = Some(matches!(fault, PollFault::Exception(_)));
                    device.fault = Some(*fault);
                    device.failed_polls += 1;
                }
            }
        }
    }

    fn tick(&mut self, now: Monotonic, sink: &mut Sink) {
        let plant = Arc::clone(&self.plant);
        self.refresh_channels(&plant, now, sink);
        self.follow_states(&plant, sink);
        self.reckon(&plant, now);
        self.state.plant_mass = self.sum_masses();
        let settled = self.state.restate_from.is_none();
        self.restate(now, sink);
        self.reckon_magnets(&plant, now);
        for happening in self.follow_happenings(&plant, now, settled) {
            sink.push(happening);
        }

        let doubtful: Vec<VesselIx> = (0u32..)
            .zip(&self.masses)
            .filter(|(_, mass)| mass.quality != Quality::Good)
            .map(|(ix, _)| VesselIx(ix))
            .collect();
        let renewed = self.balance(&plant, now, &doubtful);
        let worst = self.masses.iter().map(|mass| mass.quality).max();
        let reported_quality = self
            .state
            .inventory
            .as_ref()
            .map(|report| report.plant.quality);
        if now >= self.state.next_inventory || worst != reported_quality {
            let report = self.inventory_report(&plant);
            self.find_room(&plant, now);
            self.state.inventory = Some(report.clone());
            self.state.next_inventory = Monotonic(
                (now.0.div_euclid(INVENTORY_EVERY.millis()) + 1) * INVENTORY_EVERY.millis(),
            );
            sink.push(OutcomeKind::Inventory(report));
        }
        if renewed.reports {
            let losses = &self.state.losses;
            for report in losses.report().into_iter().chain(losses.areas()) {
                sink.push(OutcomeKind::Losses(report.clone()));
            }
        }
        if renewed.explanation
            && let Some(explanation) = self.state.losses.explanation()
        {
            sink.push(OutcomeKind::Explained(explanation.clone()));
        }

        let mut transitions = std::mem::take(&mut self.transitions);
        let mut alarms = std::mem::take(&mut self.state.alarms);
        alarms.judge(&plant, &*self, now, &mut transitions);
        self.state.alarms = alarms;
        for transition in transitions.drain(..) {
            sink.push(OutcomeKind::Alarm(transition));
        }
        self.transitions = transitions;
    }

    fn refresh_channels(&mut self, plant: &Plant, now: Monotonic, sink: &mut Sink) {
        let devices = &self.state.devices;
        let answers = |channel: &crate::plant::Channel| {
            devices
                .get(channel.device.index())
                .is_none_or(|device| device.answers != Some(false))
        };
        let utc = self.state.time.utc();
        self.state
            .channels
            .refresh(plant, &answers, now, utc, |channel, quality, reason| {
                sink.push(OutcomeKind::ChannelQuality {
                    channel: Id::clone(&channel.id),
                    quality,
                    reason,
                });
            });
    }

    /// Modes and lines whose state a channel tells.
    fn follow_states(&mut self, plant: &Plant, sink: &mut Sink) {
        let mut changed = Vec::new();
        for ((number, vessel), mode) in (0u32..).zip(&plant.all.vessel).zip(&mut self.state.modes) {
            let Some((channel, codes)) = &vessel.mode_channel else {
                continue;
            };
            let Some(value) = usable(&self.state.channels, *channel) else {
                continue;
            };
            #[expect(
                clippy::cast_possible_truncation,
                reason = "a cast from float saturates"
            )]
            let code = libm::round(value) as i64;
            let told = codes.iter().find(|(known, _)| *known == code);
            if let Some(&(_, at)) = told
                && let Ok(at) = u32::try_from(at)
                && at != *mode
            {
                *mode = at;
                changed.push(VesselIx(number));
                if let Some(named) = vessel.modes.get(at as usize) {
                    sink.push(OutcomeKind::ModeChanged {
                        vessel: Id::clone(&vessel.id),
                        mode: Id::clone(&named.id),
                        actor: None,
                    });
                }
            }
        }
        let now = self.state.time.now();
        for vessel in changed {
            self.state.losses.mode_changed(vessel, now);
        }
        for (line, passage) in plant.all.line.iter().zip(&mut self.state.passages) {
            let PassageSource::Channel {
                channel,
                open_above,
            } = line.passage
            else {
                continue;
            };
            let told = match usable(&self.state.channels, channel) {
                Some(value) if value > open_above => Passage::Open,
                Some(_) => Passage::Shut,
                None => Passage::Unknown,
            };
            if told != *passage {
                *passage = told;
                sink.push(OutcomeKind::PassageChanged {
                    line: Id::clone(&line.id),
                    passage: told,
                    actor: None,
                });
            }
        }
    }
}

/// The readings as the balance uses them: carried forward where a channel is bad.
pub(super) struct Carried<'a>(pub(super) &'a Channels);

impl Readings for Carried<'_> {
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>> {
        self.0
            .get(channel)
            .map(super::channels::ChannelState::for_balance)
    }

    fn counted(&self, line: LineIx) -> Option<&Measured<MassFlow>> {
        self.0.totals().flow(line)
    }
}

pub(super) fn usable(channels: &Channels, ix: ChannelIx) -> Option<f64> {
    channels
        .get(ix)
        .map(super::channels::ChannelState::for_alarms)
        .filter(|measured| measured.is_usable() && measured.reason != Reason::NeverRead)
        .map(|measured| measured.value.0)
}

fn route(plant: &Plant, block: &BlockKey) -> Route {
    Route {
        device: plant.device_by_id(&block.device).map(|(ix, _)| ix),
        channels: channels_within(plant, block).into(),
    }
}

pub(super) struct Sink<'a> {
    seq: u64,
    stamp: Stamp,
    index: u32,
    out: &'a mut Vec<Outcome>,
}

impl Sink<'_> {
    pub(super) fn push(&mut self, kind: OutcomeKind) {
        self.out.push(Outcome {
            seq: self.seq,
            index: self.index,
            stamp: self.stamp,
            kind,
        });
        self.index += 1;
    }
}
