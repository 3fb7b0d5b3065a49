//! The engine: one event in, outcomes out.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::channels::Channels;
use super::clock::Continuous;
use super::event::{Action, ActionKind, Actor, Event, EventKind, Poll, PollFault};
use super::magnets::{MagnetMemory, MarginState, Until};
use super::outcome::{Outcome, OutcomeKind, Provenance};
use crate::alarm::{AlarmBook, AlarmTransition, Facts};
use crate::balance::account::{AccountTick, Flow};
use crate::balance::happening::HappeningBook;
use crate::balance::inventory::{Readings, VesselMass, vessel_mass};
use crate::balance::ledger::{Ledger, LedgerEntry, LedgerRefusal};
use crate::balance::losses::{LossBook, LossTick, Renewed};
use crate::balance::meter::{meter_channels, meter_flow};
use crate::balance::report::{ExcessLoss, Explanation, InventoryReport, RoomLeft, WindowBalance};
use crate::balance::room::SupplyWatch;
use crate::balance::tally::{Contributor, Tally};
use crate::balance::unlike::{self, Comparison};
use crate::balance::window::TickMass;
use crate::plant::{
    BlockKey, ChannelIx, CoolDownIx, DeviceIx, Id, LineIx, MagnetIx, Passage, PassageSource, Plant,
    Scope, VesselIx, channels_within,
};
use crate::quantity::{MassFlow, Measured, Quality, Reason, Si};
use crate::time::{Monotonic, Span, Stamp, Timestamp};

/// Version of the engine: changes whenever the same events may give other outcomes.
pub const ENGINE_VERSION: &str = concat!(env!("CARGO_PKG_VERSION"), "/6");

/// A restatement waits this long for readings, then takes what there is.
const LONGEST_SETTLING: Span = Span::from_millis(600_000);

/// A vessel's uncertainty is reckoned anew after this time, for when its readings are lost.
const SURE_FOR: Span = Span::from_millis(60_000);

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
    plant_mass: Option<f64>,
    /// Plant mass at the last tick before a change of description, to restate against.
    restate_from: Option<Restatement>,
    next_inventory: Monotonic,
    pub(super) magnets: MagnetMemory,
    /// Ledger entries lost with a damaged record.
    unsaved: Vec<Id>,
}

/// What the inventory is to be compared with once every vessel rests on readings again.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Restatement {
    from_kg: f64,
    why: String,
    since: Monotonic,
}

/// The last mass of a vessel that rested on readings.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct LastMass {
    kg: f64,
    std_kg: f64,
    /// When that uncertainty was reckoned.
    weighed: Monotonic,
    at: Monotonic,
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
    comparisons: Vec<Comparison>,
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

    /// Brings the books of losses up to date.
    fn balance(&mut self, plant: &Plant, now: Monotonic, doubtful: &[VesselIx]) -> Renewed {
        let readings = Carried(&self.state.channels);
        let (masses, passages) = (&self.masses, &self.state.passages);
        let sections: Vec<Option<f64>> = plant
            .all
            .section
            .iter()
            .map(|section| sum_of(section.vessels.iter().map(|ix| masses.get(ix.index()))))
            .collect();
        let flows: Vec<Option<Flow>> = (0u32..)
            .zip(&plant.all.line)
            .map(|(number, _)| flow(plant, &readings, LineIx(number)))
            .collect();
        let unlike: Vec<Option<f64>> =
            unlike::unlike_kg(&self.comparisons, masses, &readings, passages).collect();
        let carried: Vec<VesselIx> = (0u32..)
            .zip(masses)
            .filter(|(_, mass)| !rests_on_readings(mass))
            .map(|(ix, _)| VesselIx(ix))
            .collect();
        let vacua: Vec<Option<f64>> = plant
            .all
            .vessel
            .iter()
            .map(|vessel| usable(&self.state.channels, vessel.insulation_vacuum?.channel))
            .collect();
        let utc = self.state.time.utc();
        let outdoor_kelvin = self.outdoor_kelvin(plant);
        let tick = LossTick {
            mass: TickMass {
                now,
                utc,
                mass_kg: self.state.plant_mass,
                doubtful,
                outdoor_kelvin,
                metered_kg: (0.0, 0.0),
            },
            account: AccountTick {
                now,
                utc,
                sections: &sections,
                flows: &flows,
                passages,
                unlike: &unlike,
                outdoor_kelvin,
                doubtful,
                carried: &carried,
            },
            masses,
            comparisons: &self.comparisons,
            jumps: &self.jumps(),
            vacua: &vacua,
        };
        let losses = &mut self.state.losses;
        losses.tick(plant, &self.state.ledger, &tick, |section| {
            let Some(section) = section.and_then(|ix| plant.section(ix)) else {
                return Tally::of(masses, &readings);
            };
            let own = section.vessels.iter();
            Tally::of(own.filter_map(|ix| masses.get(ix.index())), &readings)
        })
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

    /// The mass of every vessel; one that cannot be reckoned keeps its last mass, ever less sure.
    fn reckon(&mut self, plant: &Plant, now: Monotonic) {
        let readings = Carried(&self.state.channels);
        self.masses.clear();
        for ((number, vessel), mode) in (0u32..).zip(&plant.all.vessel).zip(&self.state.modes) {
            let ix = VesselIx(number);
            let Some(mode) = vessel.modes.get(*mode as usize) else {
                continue;
            };
            let mut mass = vessel_mass(plant, ix, vessel, mode, &readings);
            let last = self.state.last_masses.get_mut(ix.index());
            match (last, mass.quality) {
                (Some(Some(last)), Quality::Bad) => {
                    let age = (now - last.at).seconds();
                    mass.carry_forward(ix, (last.kg, last.std_kg), age);
                }
                (Some(last), _) if rests_on_readings(&mass) => {
                    // How sure a mass is changes slowly; a loss of its readings asks for it seldom.
                    let std_kg = last
                        .filter(|last| last.weighed + SURE_FOR > now)
                        .map_or_else(
                            || libm::sqrt(Tally::of([&mass], &readings).variance_kg2()),
                            |last| last.std_kg,
                        );
                    let weighed = last
                        .map(|last| last.weighed)
                        .filter(|weighed| *weighed + SURE_FOR > now)
                        .unwrap_or(now);
                    *last = Some(LastMass {
                        kg: mass.mass_kg,
                        std_kg,
                        weighed,
                        at: now,
                    });
                }
                _ => {}
            }
            self.masses.push(mass);
        }
    }

    /// The plant's mass, when every vessel has one.
    fn sum_masses(&self) -> Option<f64> {
        (!self.masses.is_empty()).then(|| sum_of(self.masses.iter().map(Some)))?
    }

    /// Compares the reckoning before and after it changed, once what it rests on has been read
    /// again: a corrected instrument shows its effect only with its next reading.
    fn restate(&mut self, now: Monotonic, sink: &mut Sink) {
        let Some(pending) = &self.state.restate_from else {
            return;
        };
        let settled = self.masses.iter().all(rests_on_readings);
        let waited = now - pending.since >= LONGEST_SETTLING;
        let (Some(to_kg), true) = (self.state.plant_mass, settled || waited) else {
            return;
        };
        if let Some(Restatement { from_kg, why, .. }) = self.state.restate_from.take() {
            self.state.losses.restate(to_kg - from_kg);
            sink.push(OutcomeKind::Restated {
                from_kg,
                to_kg,
                why,
            });
        }
    }

    /// Remembers the mass before the reckoning changes; of several changes in a row, the first.
    fn restate_later(&mut self, from: Option<f64>, why: String, since: Monotonic) {
        if let (Some(from_kg), None) = (from, &self.state.restate_from) {
            self.state.restate_from = Some(Restatement {
                from_kg,
                why,
                since,
            });
        }
    }

    /// Mean temperature of outdoor gas, weighted by mass: the weather that moves the reckoning.
    fn outdoor_kelvin(&self, plant: &Plant) -> Option<f64> {
        let (mut weighted, mut weight) = (0.0, 0.0);
        for (vessel, mass) in plant.all.vessel.iter().zip(&self.masses) {
            if vessel.outdoors
                && mass.quality == Quality::Good
                && let Some(kelvin) = mass.temperature_k
            {
                weighted += mass.mass_kg * kelvin;
                weight += mass.mass_kg;
            }
        }
        (weight > 0.0).then(|| weighted / weight)
    }

    fn inventory_report(&self, plant: &Plant) -> InventoryReport {
        let readings = Carried(&self.state.channels);
        let total = Tally::of(&self.masses, &readings);
        InventoryReport {
            plant: total.figure(),
            constant_std_kg: libm::sqrt(total.constant_kg2(plant)),
            sections: plant
                .all
                .section
                .iter()
                .map(|section| {
                    let masses = section
                        .vessels
                        .iter()
                        .filter_map(|ix| self.masses.get(ix.index()));
                    (
                        Id::clone(&section.id),
                        Tally::of(masses, &readings).figure(),
                    )
                })
                .collect(),
            vessels: plant
                .all
                .vessel
                .iter()
                .zip(&self.masses)
                .map(|(vessel, mass)| {
                    (Id::clone(&vessel.id), Tally::of([mass], &readings).figure())
                })
                .collect(),
        }
    }

    /// What each reading and lasting cause brings to the plant's uncertainty, kg.
    pub(super) fn contributors(&self) -> Vec<(Contributor, f64)> {
        let mut contributors = Vec::new();
        Tally::with_contributors(
            &self.masses,
            &Carried(&self.state.channels),
            &mut contributors,
        );
        contributors
    }

    fn act(&mut self, action: &Action, now: Monotonic, sink: &mut Sink) {
        let actor = &action.actor;
        let result = match &action.kind {
            ActionKind::Acknowledge { alarm } => self
                .state
                .alarms
                .acknowledge(alarm, now, actor)
                .map(OutcomeKind::Alarm)
                .map_err(|refusal| refusal.to_string()),
            ActionKind::Shelve {
                alarm,
                time,
                reason,
            } => self
                .state
                .alarms
                .shelve(alarm, *time, reason, now, actor)
                .map(OutcomeKind::Alarm)
                .map_err(|refusal| refusal.to_string()),
            ActionKind::Unshelve { alarm } => self
                .state
                .alarms
                .unshelve(alarm, now, actor)
                .map(OutcomeKind::Alarm)
                .map_err(|refusal| refusal.to_string()),
            ActionKind::AlarmInService {
                alarm,
                in_service,
                reason,
            } => self
                .state
                .alarms
                .service(alarm, *in_service, reason, now, actor)
                .map(OutcomeKind::Alarm)
                .map_err(|refusal| refusal.to_string()),
            ActionKind::SetMode { vessel, mode } => self.set_mode(vessel, mode, actor),
            ActionKind::SetPassage { line, passage } => self.set_passage(line, *passage, actor),
            ActionKind::ChannelInService {
                channel,
                in_service,
                reason,
            } => self.set_channel_service(channel, *in_service, reason, actor),
        };
        match result {
            Ok(outcome) => sink.push(outcome),
            Err(why) => sink.push(OutcomeKind::Refused {
                actor: actor.clone(),
                why,
            }),
        }
    }

    fn set_mode(&mut self, vessel: &Id, mode: &Id, actor: &Actor) -> Result<OutcomeKind, String> {
        let (ix, described) = self
            .plant
            .vessel_by_id(vessel)
            .ok_or_else(|| format!("there is no vessel {vessel:?} in this description"))?;
        if described.mode_channel.is_some() {
            return Err(format!(
                "the mode of {vessel} is told by a channel, not by a person"
            ));
        }
        let at = described
            .modes
            .iter()
            .position(|known| known.id == *mode)
            .and_then(|at| u32::try_from(at).ok())
            .ok_or_else(|| format!("vessel {vessel} has no mode {mode:?}"))?;
        let before = self.state.modes.get(ix.index()).copied();
        let counts = |at: Option<u32>| {
            let mode = at.and_then(|at| described.modes.get(at as usize));
            mode.map(|mode| mode.counts_contents)
        };
        // A person who says that a vessel's contents do not count moves no helium by saying so. A
        // mode that only changes the holdup does: what was measured has gone there.
        let recounted = counts(before) != counts(Some(at));
        let why = format!("{} said that {vessel} is {mode}", actor.name);
        let now = self.state.time.now();
        self.state.losses.mode_changed(ix, now);
        if recounted {
            self.restate_later(self.state.plant_mass, why, now);
        }
        if let Some(now) = self.state.modes.get_mut(ix.index()) {
            *now = at;
        }
        Ok(OutcomeKind::ModeChanged {
            vessel: Id::clone(vessel),
            mode: Id::clone(mode),
            actor: Some(actor.clone()),
        })
    }

    fn set_passage(
        &mut self,
        line: &Id,
        passage: Passage,
        actor: &Actor,
    ) -> Result<OutcomeKind, String> {
        let (ix, described) = self
            .plant
            .line_by_id(line)
            .ok_or_else(|| format!("there is no line {line:?} in this description"))?;
        if matches!(described.passage, PassageSource::Channel { .. }) {
            return Err(format!(
                "the state of {line} is told by a channel, not by a person"
            ));
        }
        if let Some(now) = self.state.passages.get_mut(ix.index()) {
            *now = passage;
        }
        Ok(OutcomeKind::PassageChanged {
            line: Id::clone(line),
            passage,
            actor: Some(actor.clone()),
        })
    }

    fn set_channel_service(
        &mut self,
        channel: &Id,
        in_service: bool,
        reason: &str,
        actor: &Actor,
    ) -> Result<OutcomeKind, String> {
        if reason.trim().is_empty() {
            return Err("say why: the next person on shift must understand it".into());
        }
        let (ix, _) = self
            .plant
            .channel_by_id(channel)
            .ok_or_else(|| format!("there is no channel {channel:?} in this description"))?;
        if !self.state.channels.set_service(ix, in_service) {
            return Err(format!(
                "channel {channel} is {} already",
                if in_service {
                    "in service"
                } else {
                    "out of service"
                }
            ));
        }
        Ok(OutcomeKind::ChannelService {
            channel: Id::clone(channel),
            in_service,
            reason: reason.to_owned(),
            actor: actor.clone(),
        })
    }

    fn book(&mut self, entry: &LedgerEntry, event: &Event, sink: &mut Sink) {
        let result = self
            .state
            .ledger
            .book(entry.clone(), event.seq, event.stamp.utc);
        match result {
            Ok(()) => {
                sink.push(OutcomeKind::Booked(entry.clone()));
                let plant = Arc::clone(&self.plant);
                let jumps = self.jumps();
                self.state.losses.rebook(&plant, &self.state.ledger, &jumps);
                if let Some(report) = self.state.losses.report() {
                    sink.push(OutcomeKind::Losses(report.clone()));
                }
            }
            Err(refusal) => sink.push(OutcomeKind::Refused {
                actor: entry.actor.clone(),
                why: refusal.to_string(),
            }),
        }
    }
}

impl Facts for Engine {
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>> {
        self.state
            .channels
            .get(channel)
            .map(super::channels::ChannelState::for_alarms)
    }

    fn vessel_mass_kg(&self, vessel: VesselIx) -> Option<f64> {
        self.masses
            .get(vessel.index())
            .filter(|mass| mass.quality != Quality::Bad)
            .map(|mass| mass.mass_kg)
    }

    fn excess(&self, scope: Scope) -> Option<&ExcessLoss> {
        match scope {
            Scope::Plant => self.state.losses.report()?.excess.as_ref(),
            Scope::Section(ix) => self.state.losses.area_of(ix)?.excess.as_ref(),
        }
    }

    fn explanation(&self) -> Option<&Explanation> {
        self.state.losses.explanation()
    }

    fn window(&self, scope: Scope, over: Span) -> Option<&WindowBalance> {
        let losses = &self.state.losses;
        let report = match scope {
            Scope::Plant => losses.report(),
            Scope::Section(ix) => losses.area_of(ix),
        };
        report?.windows.iter().find(|window| window.over == over)
    }

    fn room(&self) -> Option<&RoomLeft> {
        self.state.room.as_ref()
    }

    fn passage(&self, line: LineIx) -> Passage {
        self.state
            .passages
            .get(line.index())
            .copied()
            .unwrap_or(Passage::Unknown)
    }

    fn margin_k(&self, magnet: MagnetIx) -> Option<(f64, f64)> {
        let now = self.state.magnets.report.magnets.get(magnet.index())?;
        match now.state {
            MarginState::Standing => now.margin_k.map(|margin| (margin.value, margin.std)),
            MarginState::Lost => Some((f64::NEG_INFINITY, 0.0)),
            MarginState::NotKnown => None,
        }
    }

    fn time_until_low_s(&self, vessel: VesselIx) -> Option<f64> {
        let id = &self.plant.vessel(vessel)?.id;
        let mut baths = self.state.magnets.report.baths.iter();
        match baths.find(|bath| bath.id == *id)?.until_low {
            Until::NotKnown => None,
            Until::Reached => Some(0.0),
            Until::Never => Some(f64::INFINITY),
            Until::After { after_s, .. } => Some(after_s),
        }
    }

    fn gradient_k(&self, cool_down: CoolDownIx) -> Option<(f64, f64)> {
        let now = self
            .state
            .magnets
            .report
            .cool_downs
            .get(cool_down.index())?;
        now.difference_k
            .map(|difference| (difference.value, now.limit_k))
    }

    fn device_answers(&self, device: DeviceIx) -> Option<bool> {
        self.state.devices.get(device.index())?.answers
    }
}

/// Sum of masses, when all of them are there and usable.
fn sum_of<'a>(masses: impl Iterator<Item = Option<&'a VesselMass>>) -> Option<f64> {
    masses
        .map(|mass| {
            mass.filter(|mass| mass.quality != Quality::Bad)
                .map(|mass| mass.mass_kg)
        })
        .sum()
}

/// What a line's meter shows now, when it can be used.
fn flow(plant: &Plant, readings: &dyn Readings, line: LineIx) -> Option<Flow> {
    let measured = meter_flow(plant, readings, line)?;
    let channels = plant.line(line).map(meter_channels).unwrap_or_default();
    let every = channels
        .iter()
        .filter_map(|ix| plant.channel(*ix).map(|channel| channel.interval))
        .max()?;
    let usable = measured.is_usable() && measured.reason != Reason::CarriedForward;
    let lasting: f64 = measured.shared.iter().map(|(_, u)| u * u).sum();
    usable.then(|| Flow {
        kg_per_s: measured.value.si(),
        independent_std: measured.independent_std,
        lasting_std: libm::sqrt(lasting),
        every,
    })
}

/// Whether a mass rests on readings of now, nothing in it carried forward.
fn rests_on_readings(mass: &VesselMass) -> bool {
    mass.quality != Quality::Bad
        && !matches!(mass.reason, Reason::CarriedForward | Reason::OutOfRange)
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

fn usable(channels: &Channels, ix: ChannelIx) -> Option<f64> {
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

struct Sink<'a> {
    seq: u64,
    stamp: Stamp,
    index: u32,
    out: &'a mut Vec<Outcome>,
}

impl Sink<'_> {
    fn push(&mut self, kind: OutcomeKind) {
        self.out.push(Outcome {
            seq: self.seq,
            index: self.index,
            stamp: self.stamp,
            kind,
        });
        self.index += 1;
    }
}
