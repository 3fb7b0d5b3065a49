//! Model, sensors and scenario together: a plant whose registers can be read and whose truth is known.

use std::collections::BTreeMap;
use std::sync::Arc;

use coldledger::engine::event::{Action, ActionKind, Actor, LedgerEntry, PollFault};
use coldledger::helium::HeliumError;
use coldledger::plant::{BlockKey, Booking, ChannelIx, DeviceIx, Id, Plant, RegisterTable, Stated};
use coldledger::quantity::Mass;
use coldledger::time::{Span, Timestamp};

use crate::model::random::{normal, stream};
use crate::model::{Controls, PlantModel};
use crate::scenario::{Booked, Scenario, SensorFaults, What};
use crate::sensors::{Imperfections, Sensors};
use crate::settings::SimulatorSettings;

/// Longest step of the model.
pub const STEP: Span = Span::from_millis(10_000);

/// Modbus exception: function not supported (application protocol V1.1b3, section 7).
pub const ILLEGAL_FUNCTION: u8 = 1;
/// Modbus exception: no such register.
pub const ILLEGAL_DATA_ADDRESS: u8 = 2;
/// Modbus exception: a quantity that no request may have.
pub const ILLEGAL_DATA_VALUE: u8 = 3;

/// How a virtual plant begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Beginning {
    /// Everything random follows from this.
    pub seed: u64,
    /// When it begins.
    pub start: Timestamp,
    /// Which errors the sensors have.
    pub imperfections: Imperfections,
}

/// What is true of the plant at an instant.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    /// When.
    pub at: Timestamp,
    /// All helium in the plant, kg, with what stands in the pipes.
    pub total_kg: f64,
    /// Helium that has left since the start, less what came in, kg.
    pub outside_kg: f64,
    /// All leaks, kg/s.
    pub leak_kg_per_s: f64,
    /// One for each vessel of the description, in its order.
    pub vessels: Vec<VesselTruth>,
    /// Air pressure, Pa.
    pub barometer_pa: f64,
    /// Air temperature, K.
    pub ambient_k: f64,
}

/// What is true of a vessel, as far as it applies to its kind.
#[derive(Debug, Clone, PartialEq)]
pub struct VesselTruth {
    /// The vessel's id.
    pub id: Id,
    /// All its helium, kg.
    pub mass_kg: f64,
    /// The part that no sensor of the vessel sees, kg.
    pub holdup_kg: f64,
    /// Absolute pressure, Pa.
    pub pressure_pa: Option<f64>,
    /// Temperature of the gas or the liquid, K.
    pub temperature_k: Option<f64>,
    /// Height of the liquid, m.
    pub level_m: Option<f64>,
}

/// A simulated plant.
#[derive(Debug, Clone)]
pub struct VirtualPlant {
    plant: Arc<Plant>,
    model: PlantModel,
    sensors: Sensors,
    scenario: Scenario,
    beginning: Beginning,
    now: Timestamp,
    controls: Controls,
    faults: SensorFaults,
    held_by_hand: bool,
    tables: BTreeMap<(DeviceIx, RegisterTable), Table>,
    not_yet_booked: Vec<(Timestamp, LedgerEntry)>,
    not_yet_done: Vec<(Timestamp, Action)>,
}

/// The registers that a device has.
#[derive(Debug, Clone, Default)]
struct Table {
    /// First register and channel, sorted.
    channels: Vec<(u16, ChannelIx)>,
    /// First register beyond the last channel.
    end: u32,
}

impl VirtualPlant {
    /// A plant of that description.
    ///
    /// # Errors
    /// [`HeliumError`] when the helium tables cannot be made.
    pub fn new(
        plant: Arc<Plant>,
        settings: &SimulatorSettings,
        scenario: Scenario,
        beginning: Beginning,
    ) -> Result<Self, HeliumError> {
        let Beginning {
            seed,
            start,
            imperfections,
        } = beginning;
        let model = PlantModel::new(
            &plant,
            settings.model.clone(),
            seed,
            start,
            imperfections.biases,
        )?;
        let sensors = Sensors::new(Arc::clone(&plant), settings, seed, imperfections);
        let mut tables: BTreeMap<_, Table> = BTreeMap::new();
        for (n, channel) in (0u32..).zip(&plant.all.channel) {
            let table = tables.entry((channel.device, channel.table)).or_default();
            table.channels.push((channel.address, ChannelIx(n)));
            let end = u32::from(channel.address) + u32::from(channel.words());
            table.end = table.end.max(end);
        }
        for table in tables.values_mut() {
            table.channels.sort_unstable();
        }
        let mut virtual_plant = Self {
            not_yet_booked: bookings(&plant, &scenario, beginning),
            not_yet_done: actions(&plant, &scenario, start),
            plant,
            model,
            sensors,
            scenario,
            beginning,
            now: start,
            controls: Controls::default(),
            faults: SensorFaults::default(),
            held_by_hand: false,
            tables,
        };
        virtual_plant.update_faults();
        Ok(virtual_plant)
    }

    /// Its description.
    #[must_use]
    pub fn plant(&self) -> &Arc<Plant> {
        &self.plant
    }

    /// The model behind it.
    #[must_use]
    pub fn model(&self) -> &PlantModel {
        &self.model
    }

    /// Where its time stands.
    #[must_use]
    pub fn now(&self) -> Timestamp {
        self.now
    }

    /// When it began.
    #[must_use]
    pub fn start(&self) -> Timestamp {
        self.beginning.start
    }

    /// Holds the plant still, or lets it go on: while held, time passes but nothing moves, and every
    /// register keeps its words.
    pub fn hold_still(&mut self, held: bool) {
        self.held_by_hand = held;
        self.update_faults();
    }

    /// Lets time pass.
    pub fn advance(&mut self, span: Span) {
        let until = self.now + span;
        while self.now < until {
            // Steps end on the grid from the start, so that one long and many short spans agree.
            let passed = (self.now - self.beginning.start).millis();
            let to_grid = STEP.millis() - passed.rem_euclid(STEP.millis());
            let dt = Span::from_millis(to_grid).min(until - self.now);
            self.now = self.now + dt;
            self.update_faults();
            if self.faults.held {
                continue;
            }
            let start = self.beginning.start;
            self.scenario
                .controls(start, self.now, dt, &mut self.controls);
            self.model.step(self.now, dt, &self.controls);
            self.sensors.advance(dt);
        }
    }

    fn update_faults(&mut self) {
        let start = self.beginning.start;
        self.scenario.faults(start, self.now, &mut self.faults);
        self.faults.held |= self.held_by_hand;
    }

    /// What is true now.
    #[must_use]
    pub fn truth(&self) -> Truth {
        let vessels = self
            .plant
            .all
            .vessel
            .iter()
            .zip(&self.model.stores)
            .map(|(vessel, store)| VesselTruth {
                id: Arc::clone(&vessel.id),
                mass_kg: store.mass_kg,
                holdup_kg: store.holdup_kg,
                pressure_pa: known(store.state.pressure_pa),
                temperature_k: known(store.state.temperature_k),
                level_m: known(store.state.level_m),
            })
            .collect();
        Truth {
            at: self.now,
            total_kg: self.model.total_kg(),
            outside_kg: self.model.outside_kg,
            leak_kg_per_s: self.model.leak_kg_per_s,
            vessels,
            barometer_pa: self.model.weather.barometer_pa,
            ambient_k: self.model.weather.ambient_k,
        }
    }

    /// What a channel would show without any error, SI.
    #[must_use]
    pub fn channel_truth(&self, ix: ChannelIx) -> Option<f64> {
        self.sensors.truth(ix, &self.model)
    }

    /// Reads a block as a Modbus client would: registers between channels are 0, a block that
    /// reaches beyond the last channel is refused, a lost device does not answer.
    ///
    /// # Errors
    /// [`PollFault`] as a poller would see it.
    pub fn read(&mut self, key: &BlockKey) -> Result<Vec<u16>, PollFault> {
        let Some((device, _)) = self.plant.device_by_id(&key.device) else {
            return Err(PollFault::NotConnected);
        };
        self.read_device(device, key.table, key.address, key.words)
    }

    /// As [`Self::read`], by the position of the device.
    ///
    /// # Errors
    /// [`PollFault`] as a poller would see it.
    pub fn read_device(
        &mut self,
        device: DeviceIx,
        registers: RegisterTable,
        address: u16,
        words: u16,
    ) -> Result<Vec<u16>, PollFault> {
        if self.faults.lost.contains(&device) {
            return Err(PollFault::TimedOut);
        }
        if words == 0 || words > coldledger::plant::poll_plan::MOST_REGISTERS {
            return Err(PollFault::Exception(ILLEGAL_DATA_VALUE));
        }
        let first = u32::from(address);
        let end = first + u32::from(words);
        let table = self
            .tables
            .get(&(device, registers))
            .filter(|table| end <= table.end)
            .ok_or(PollFault::Exception(ILLEGAL_DATA_ADDRESS))?;
        let mut image = vec![0; usize::from(words)];
        // The widest number has four registers, so an earlier channel may reach in by three.
        let from = table
            .channels
            .partition_point(|&(at, _)| u32::from(at) + 4 <= first);
        for &(at, ix) in table.channels.iter().skip(from) {
            if u32::from(at) >= end {
                break;
            }
            let sampled = self.sensors.words(ix, &self.model, &self.faults, self.now);
            for (place, word) in (u32::from(at)..).zip(sampled.unwrap_or(&[])) {
                let inside = place
                    .checked_sub(first)
                    .and_then(|n| usize::try_from(n).ok());
                if let Some(register) = inside.and_then(|n| image.get_mut(n)) {
                    *register = *word;
                }
            }
        }
        Ok(image)
    }

    /// All registers of a device's table, from 0 to its last channel.
    #[must_use]
    pub fn registers(&mut self, device: DeviceIx, table: RegisterTable) -> Option<Vec<u16>> {
        let end = self.tables.get(&(device, table))?.end;
        let mut image = Vec::new();
        let mut at = 0;
        while at < end {
            let words = (end - at).min(u32::from(coldledger::plant::poll_plan::MOST_REGISTERS));
            let address = u16::try_from(at).ok()?;
            let part = self
                .read_device(device, table, address, u16::try_from(words).ok()?)
                .ok()?;
            image.extend(part);
            at += words;
        }
        Some(image)
    }

    /// Ledger entries that a person would have made by now, each once.
    pub fn take_bookings(&mut self) -> Vec<LedgerEntry> {
        let now = self.now;
        let (due, later) = std::mem::take(&mut self.not_yet_booked)
            .into_iter()
            .partition(|(at, _)| *at <= now);
        self.not_yet_booked = later;
        let due: Vec<(Timestamp, LedgerEntry)> = due;
        due.into_iter().map(|(_, entry)| entry).collect()
    }

    /// What a person would have told the daemon by now, each once.
    pub fn take_actions(&mut self) -> Vec<Action> {
        let now = self.now;
        let (due, later) = std::mem::take(&mut self.not_yet_done)
            .into_iter()
            .partition(|(at, _)| *at <= now);
        self.not_yet_done = later;
        let due: Vec<(Timestamp, Action)> = due;
        due.into_iter().map(|(_, action)| action).collect()
    }

    /// The same plant with another scenario from now on; what began before goes on as the new one
    /// has it.
    #[must_use]
    pub fn with_scenario(&self, scenario: Scenario) -> Self {
        let now = self.now;
        let mut other = self.clone();
        other.not_yet_booked = bookings(&self.plant, &scenario, self.beginning);
        other.not_yet_booked.retain(|(at, _)| *at > now);
        other.not_yet_done = actions(&self.plant, &scenario, self.beginning.start);
        other.not_yet_done.retain(|(at, _)| *at > now);
        other.scenario = scenario;
        other.update_faults();
        other
    }
}

fn known(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// What people say in a scenario, each with its time.
fn actions(plant: &Plant, scenario: &Scenario, start: Timestamp) -> Vec<(Timestamp, Action)> {
    let mut found: Vec<(Timestamp, Action)> = scenario
        .events
        .iter()
        .filter_map(|event| {
            let What::Mode { store, mode, .. } = &event.what else {
                return None;
            };
            let vessel = plant.all.vessel.get(*store)?;
            let action = Action {
                actor: Actor {
                    name: "shift leader".to_owned(),
                    place: "simulator".to_owned(),
                },
                kind: ActionKind::SetMode {
                    vessel: Arc::clone(&vessel.id),
                    mode: Arc::clone(mode),
                },
            };
            Some((event.times(start).0, action))
        })
        .collect();
    found.sort_by_key(|(at, _)| *at);
    found
}

/// Ledger entries of a scenario, each with the time it is entered: when the helium has crossed.
fn bookings(
    plant: &Plant,
    scenario: &Scenario,
    beginning: Beginning,
) -> Vec<(Timestamp, LedgerEntry)> {
    let mut rng = stream(beginning.seed, "bookings");
    let mut entries = Vec::new();
    for (n, event) in scenario.events.iter().enumerate() {
        let (mass_kg, booked, vessel): (f64, &Booked, Option<usize>) = match &event.what {
            What::Delivery {
                into,
                mass_kg,
                booked: Some(booked),
            } => {
                let vessel = match into {
                    crate::model::Place::Store(ix) => Some(*ix),
                    _ => None,
                };
                (*mass_kg, booked, vessel)
            }
            What::Vent {
                from,
                mass_kg,
                booked: Some(booked),
            } => (*mass_kg, booked, Some(*from)),
            _ => continue,
        };
        let (begins, ends) = event.times(beginning.start);
        let vessel = vessel.and_then(|ix| plant.all.vessel.get(ix));
        let section = vessel.and_then(|vessel| plant.section(vessel.section));
        let z = if beginning.imperfections.noise {
            normal(&mut rng)
        } else {
            0.0
        };
        let std = mass_kg * booked.relative_std;
        let place = vessel.map_or("the gas header", |vessel| &vessel.name);
        let entry = LedgerEntry {
            id: format!("simulated-{}", n + 1).into(),
            booking: Booking {
                effective_at: begins,
                over: event.lasts.unwrap_or(Span::ZERO),
                kind: booked.kind,
                mass: Stated {
                    value: Mass::new((mass_kg + std * z).max(0.0)),
                    std,
                },
                author: "gas store keeper".to_owned(),
                note: format!("{}: {place}", booked.kind.words()),
                section: section.map(|section| Arc::clone(&section.id)),
            },
            supersedes: None,
            actor: Actor {
                name: "gas store keeper".to_owned(),
                place: "simulator".to_owned(),
            },
        };
        entries.push((ends.unwrap_or(begins) + booked.after, entry));
    }
    entries.sort_by_key(|(at, _)| *at);
    entries
}
