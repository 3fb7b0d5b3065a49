//! Flows between the stores, and the step that moves them all.
//!
//! Gas that the compressors take from the cold returns goes to the tanks on the common header, and
//! the cold box draws from there; pressures of the open tanks equalise within a step, an isolated
//! tank keeps its mass. Each flow is limited to what its source holds.
#![expect(
    clippy::indexing_slicing,
    reason = "store indices are checked against the number of vessels when the model is made"
)]

use std::collections::{BTreeMap, BTreeSet};

use coldledger::helium::HeliumError;
use coldledger::plant::Plant;
use coldledger::time::{Span, Timestamp};

use super::fluid::Fluid;
use super::params::{ModelParams, Place, Refill, Supply};
use super::store::{Kind, Store};
use super::weather::Weather;

/// A hole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leak {
    /// Out of this store.
    pub store: usize,
    /// Rate, kg/s, at the reference pressure.
    pub kg_per_s: f64,
    /// Choked flow grows with the absolute pressure behind the hole: the rate holds at this
    /// pressure, Pa. Without it the rate is constant.
    pub at_pa: Option<f64>,
}

/// What a scenario does to the plant during one step.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Controls {
    /// Holes.
    pub leaks: Vec<Leak>,
    /// Helium that comes in: to where, kg/s.
    pub inflows: Vec<(Place, f64)>,
    /// Helium that is let out: of which store, kg/s.
    pub outflows: Vec<(usize, f64)>,
    /// Heat into a bath, W.
    pub heat: Vec<(usize, f64)>,
    /// Liquid from a store into a bath: from, to, kg/s, part that goes the way of the boil-off.
    pub transfers: Vec<(usize, usize, f64, f64)>,
    /// Pumped baths brought to another temperature: which, to which, K, and the part of the way
    /// that is done.
    pub pumped: Vec<(usize, f64, f64)>,
    /// Baths whose supply valve stands still.
    pub stuck: BTreeSet<usize>,
    /// Tanks taken off the header.
    pub isolated: BTreeSet<usize>,
    /// Added to the air pressure, Pa.
    pub barometer_pa: f64,
    /// Unmeasured holdups that differ from the settings, kg.
    pub holdups: BTreeMap<usize, f64>,
    /// Lags of thermometers that differ from the settings, s.
    pub thermometer_lags: BTreeMap<usize, f64>,
}

/// A level control's memory.
#[derive(Debug, Clone, Copy, Default)]
struct Valve {
    integral_kg_per_s: f64,
    flow_kg_per_s: f64,
    refilling: bool,
}

/// All stores, the outside account and the weather.
#[derive(Debug, Clone)]
pub struct PlantModel {
    params: ModelParams,
    fluid: &'static Fluid,
    outdoors: Vec<bool>,
    valves: Vec<Valve>,
    running: Vec<bool>,
    /// The stores, in the order of the description's vessels.
    pub stores: Vec<Store>,
    /// The weather.
    pub weather: Weather,
    /// Helium that has left the plant less what came in, kg.
    pub outside_kg: f64,
    /// Helium in the pipes while no tank is open to take it, kg.
    pub pipes_kg: f64,
    /// What holes have let out of each store, kg.
    pub leaked_kg: Vec<f64>,
    /// What was let out of each store less what was delivered into it, kg.
    pub crossed_kg: Vec<f64>,
    /// All leaks at the last step, kg/s.
    pub leak_kg_per_s: f64,
    /// What the cold box makes, kg/s.
    pub liquefied_kg_per_s: f64,
    /// Gas that came back to the header, kg/s.
    pub returned_kg_per_s: f64,
    /// Flow of each mover, kg/s.
    pub moved_kg_per_s: Vec<f64>,
}

/// The level control reaches its aim in about this time, s.
const LEVEL_TIME_S: f64 = 1_800.0;
/// Time of its integral part, s.
const INTEGRAL_TIME_S: f64 = 7_200.0;
/// The cold box follows the dewar's content over this time, s.
const LIQUEFIER_TIME_S: f64 = 6.0 * 3600.0;
/// Holdup is made up over this time, s.
const HOLDUP_TIME_S: f64 = 600.0;

impl PlantModel {
    /// The plant at the start.
    ///
    /// # Errors
    /// [`HeliumError`] when the helium tables cannot be made.
    pub fn new(
        plant: &Plant,
        params: ModelParams,
        seed: u64,
        at: Timestamp,
        biased: bool,
    ) -> Result<Self, HeliumError> {
        let fluid = Fluid::shared()?;
        let weather = Weather::new(params.climate.clone(), seed, at);
        let vessels = &plant.all.vessel;
        let mut params = params;
        params.vessels.resize_with(vessels.len(), Default::default);
        let exists = |ix: usize| ix < vessels.len();
        params.header.retain(|&ix| exists(ix));
        let stores: Vec<Store> = vessels
            .iter()
            .zip(&params.vessels)
            .map(|(vessel, driven)| {
                Store::new(vessel, driven.clone(), &weather, fluid, seed, biased)
            })
            .collect();
        let mut model = Self {
            outdoors: vessels.iter().map(|vessel| vessel.outdoors).collect(),
            valves: vec![Valve::default(); stores.len()],
            leaked_kg: vec![0.0; stores.len()],
            crossed_kg: vec![0.0; stores.len()],
            running: vec![false; params.movers.len()],
            moved_kg_per_s: vec![0.0; params.movers.len()],
            stores,
            weather,
            fluid,
            outside_kg: 0.0,
            pipes_kg: 0.0,
            leak_kg_per_s: 0.0,
            liquefied_kg_per_s: 0.0,
            returned_kg_per_s: 0.0,
            params,
        };
        for ix in 0..model.stores.len() {
            if let Some(supply) = &model.params.vessels[ix].supply {
                let evaporated = model.stores[ix].boil_off(0.0);
                model.valves[ix].integral_kg_per_s = evaporated / (1.0 - supply.flash);
            }
        }
        model.share_header(&BTreeSet::new());
        Ok(model)
    }

    /// Names of the movers, in the order of their flows.
    pub fn movers(&self) -> impl Iterator<Item = &str> {
        self.params.movers.iter().map(|mover| mover.name.as_str())
    }

    /// Parameters that drive it.
    #[must_use]
    pub fn params(&self) -> &ModelParams {
        &self.params
    }

    /// All helium in the plant, kg.
    #[must_use]
    pub fn total_kg(&self) -> f64 {
        self.pipes_kg + self.stores.iter().map(|store| store.mass_kg).sum::<f64>()
    }

    /// One step of `dt` that ends at `at`.
    pub fn step(&mut self, at: Timestamp, dt: Span, controls: &Controls) {
        let dt_s = dt.seconds();
        if dt_s <= 0.0 {
            return;
        }
        self.weather.advance(at, dt, controls.barometer_pa);
        for &(ix, to_k, done) in &controls.pumped {
            self.stores[ix].pump_down(to_k, done);
        }
        for (ix, store) in self.stores.iter_mut().enumerate() {
            if let Some(kg) = controls.holdups.get(&ix) {
                store.set_holdup(*kg);
            }
            store.set_thermometer_lag(controls.thermometer_lags.get(&ix).copied());
        }
        for (store, &outdoors) in self.stores.iter_mut().zip(&self.outdoors) {
            store.drift(outdoors, &self.weather, self.fluid, dt_s);
        }
        self.returned_kg_per_s = 0.0;
        self.leak_kg_per_s = 0.0;
        for ix in 0..self.stores.len() {
            self.bath(ix, dt_s, controls);
        }
        self.liquefier(dt_s);
        self.movers_run(dt_s);
        self.scenario(dt_s, controls);
        self.holdups(dt_s);
        self.share_header(&controls.isolated);
        for store in &mut self.stores {
            store.settle(&self.weather);
        }
        self.equalise();
    }

    /// Moves up to `kg`; gives what could be moved.
    fn transfer(&mut self, from: Place, to: Place, kg: f64) -> f64 {
        let available = match from {
            Place::Store(ix) => self.stores[ix].contents_kg(),
            Place::Header => self.header_kg(),
            Place::Outside => f64::INFINITY,
        };
        let moved = kg.clamp(0.0, available.max(0.0));
        self.add(from, -moved);
        self.add(to, moved);
        moved
    }

    fn add(&mut self, place: Place, kg: f64) {
        match place {
            Place::Store(ix) => self.stores[ix].mass_kg += kg,
            Place::Header => self.pipes_kg += kg,
            Place::Outside => self.outside_kg += kg,
        }
    }

    fn header_kg(&self) -> f64 {
        let tanks: f64 = self.open_tanks().map(|ix| self.stores[ix].mass_kg).sum();
        self.pipes_kg + tanks
    }

    fn open_tanks(&self) -> impl Iterator<Item = usize> + '_ {
        let header = self.params.header.iter().copied();
        header.filter(|&ix| self.stores[ix].state.on_header)
    }

    /// Absolute pressure of the header, Pa, while a tank is open.
    #[must_use]
    pub fn header_pa(&self) -> Option<f64> {
        let first = self.open_tanks().next()?;
        Some(self.stores[first].state.pressure_pa)
    }

    fn bath(&mut self, ix: usize, dt_s: f64, controls: &Controls) {
        if !matches!(self.stores[ix].kind, Kind::Bath(_)) {
            return;
        }
        let extra: f64 = controls
            .heat
            .iter()
            .filter(|(store, _)| *store == ix)
            .map(|(_, watt)| watt)
            .sum();
        let boil_off_to = self.params.vessels[ix].boil_off_to;
        let liquid = self.stores[ix].liquid_kg();
        let boiled = (self.stores[ix].boil_off(extra) * dt_s).min(liquid);
        let moved = self.transfer(Place::Store(ix), boil_off_to, boiled);
        self.note_return(boil_off_to, moved / dt_s);
        self.stores[ix].state.boil_off_kg_per_s = moved / dt_s;
        self.stores[ix].state.return_kg_per_s = moved / dt_s;
        self.stores[ix].state.supply_kg_per_s = 0.0;
        if let Some(supply) = self.params.vessels[ix].supply.clone() {
            self.supply(ix, &supply, dt_s, controls.stuck.contains(&ix));
        }
        if let Some(refill) = self.params.vessels[ix].refill.clone() {
            self.refill(ix, &refill, dt_s);
        }
    }

    fn note_return(&mut self, to: Place, kg_per_s: f64) {
        if to == Place::Header {
            self.returned_kg_per_s += kg_per_s;
        }
    }

    /// A proportional and integral controller on the liquid content.
    fn supply(&mut self, ix: usize, supply: &Supply, dt_s: f64, stuck: bool) {
        let state = &self.stores[ix].state;
        let missing_kg = (supply.hold - state.fill) * state.volume_m3 * state.liquid_density;
        let valve = &mut self.valves[ix];
        if !stuck {
            let proportional = missing_kg / LEVEL_TIME_S;
            let wanted = proportional + valve.integral_kg_per_s;
            valve.flow_kg_per_s = wanted.clamp(0.0, supply.most_kg_per_s);
            // The integral stands still while the valve is at a stop.
            if wanted == valve.flow_kg_per_s {
                valve.integral_kg_per_s += proportional * dt_s / INTEGRAL_TIME_S;
            }
        }
        let flow = valve.flow_kg_per_s;
        self.fill(ix, supply.from, flow * dt_s, supply.flash, dt_s);
    }

    fn refill(&mut self, ix: usize, refill: &Refill, dt_s: f64) {
        let fill = self.stores[ix].state.fill;
        let valve = &mut self.valves[ix];
        if fill < refill.below {
            valve.refilling = true;
        } else if fill > refill.until {
            valve.refilling = false;
        }
        if valve.refilling {
            self.fill(ix, refill.from, refill.kg_per_s * dt_s, refill.flash, dt_s);
        }
    }

    /// Liquid from a vessel into a bath; the flash gas goes the way of the boil-off.
    fn fill(&mut self, ix: usize, from: usize, kg: f64, flash: f64, dt_s: f64) {
        let liquid = self.stores[from].liquid_kg();
        let boil_off_to = self.params.vessels[ix].boil_off_to;
        let moved = self.transfer(Place::Store(from), Place::Store(ix), kg.min(liquid));
        let gas = self.transfer(Place::Store(ix), boil_off_to, moved * flash);
        self.note_return(boil_off_to, gas / dt_s);
        self.stores[ix].state.return_kg_per_s += gas / dt_s;
        self.stores[ix].state.supply_kg_per_s = moved / dt_s;
    }

    /// Makes liquid so that its vessel's content stays, as far as there is gas.
    fn liquefier(&mut self, dt_s: f64) {
        self.liquefied_kg_per_s = 0.0;
        let Some(cold_box) = self.params.liquefier.clone() else {
            return;
        };
        let into = cold_box.into;
        let state = &self.stores[into].state;
        let missing_kg = (cold_box.hold - state.fill) * state.volume_m3 * state.liquid_density;
        let demand = self.returned_kg_per_s + missing_kg / LIQUEFIER_TIME_S;
        let header = self.header_pa().unwrap_or(0.0);
        // Fades out over half a bar above the low limit.
        let gas = ((header - cold_box.header_low_pa) / 50_000.0).clamp(0.0, 1.0);
        let wanted = demand.clamp(0.0, cold_box.most_kg_per_s) * gas;
        let made = self.transfer(Place::Header, Place::Store(into), wanted * dt_s);
        self.liquefied_kg_per_s = made / dt_s;
    }

    fn movers_run(&mut self, dt_s: f64) {
        for n in 0..self.params.movers.len() {
            let mover = self.params.movers[n].clone();
            let source = &self.stores[mover.from];
            let amount = match source.kind {
                Kind::Bag { .. } => source.state.volume_m3,
                _ => source.state.pressure_pa,
            };
            if amount > mover.start_above {
                self.running[n] = true;
            } else if amount < mover.stop_below {
                self.running[n] = false;
            }
            let wanted = if self.running[n] { mover.kg_per_s } else { 0.0 };
            let moved = self.transfer(Place::Store(mover.from), mover.to, wanted * dt_s);
            self.moved_kg_per_s[n] = moved / dt_s;
            self.note_return(mover.to, 0.0);
        }
    }

    fn scenario(&mut self, dt_s: f64, controls: &Controls) {
        for leak in &controls.leaks {
            let scale = leak
                .at_pa
                .map_or(1.0, |at| self.stores[leak.store].state.pressure_pa / at);
            let wanted = leak.kg_per_s * scale.max(0.0) * dt_s;
            let lost = self.transfer(Place::Store(leak.store), Place::Outside, wanted);
            self.leak_kg_per_s += lost / dt_s;
            self.leaked_kg[leak.store] += lost;
        }
        for &(to, kg_per_s) in &controls.inflows {
            let added = self.transfer(Place::Outside, to, kg_per_s * dt_s);
            if let Place::Store(ix) = to {
                let air = self.weather.ambient_k;
                self.stores[ix].warm_by_filling(added, air);
                self.crossed_kg[ix] -= added;
            }
        }
        for &(from, to, kg_per_s, flash) in &controls.transfers {
            let wanted = (kg_per_s * dt_s).min(self.stores[from].liquid_kg());
            let moved = self.transfer(Place::Store(from), Place::Store(to), wanted);
            let back = self.params.vessels[to].boil_off_to;
            let gas = self.transfer(Place::Store(to), back, moved * flash);
            self.note_return(back, gas / dt_s);
        }
        for &(from, kg_per_s) in &controls.outflows {
            let left = self.transfer(Place::Store(from), Place::Outside, kg_per_s * dt_s);
            self.crossed_kg[from] += left;
        }
    }

    /// Holdup and held fluids take from the header what they lack and give back what they have over.
    fn holdups(&mut self, dt_s: f64) {
        let part = (dt_s / HOLDUP_TIME_S).min(1.0);
        for ix in 0..self.stores.len() {
            let Some(wanted) = self.stores[ix].wanted_kg() else {
                continue;
            };
            let missing = wanted - self.stores[ix].mass_kg;
            // A held fluid has no room to lag: its state is given.
            let moved = match self.stores[ix].kind {
                Kind::Held => missing,
                _ => missing * part,
            };
            if moved > 0.0 {
                self.transfer(Place::Header, Place::Store(ix), moved);
            } else {
                // What the store holds includes its holdup here, so it is moved without that limit.
                let given = (-moved).min(self.stores[ix].mass_kg);
                self.add(Place::Store(ix), -given);
                self.add(Place::Header, given);
            }
        }
    }

    fn share_header(&mut self, isolated: &BTreeSet<usize>) {
        for n in 0..self.params.header.len() {
            let ix = self.params.header[n];
            self.stores[ix].state.on_header = !isolated.contains(&ix);
        }
        self.equalise();
    }

    /// The gas of the header spreads so that all open tanks stand at one pressure.
    fn equalise(&mut self) {
        let weight = |store: &Store| store.per_pascal() / store.compressibility();
        let capacity: f64 = self.open_tanks().map(|ix| weight(&self.stores[ix])).sum();
        if capacity.is_nan() || capacity <= 0.0 {
            return;
        }
        let gas: f64 = self.pipes_kg
            + self
                .open_tanks()
                .map(|ix| self.stores[ix].contents_kg())
                .sum::<f64>();
        let pressure = gas / capacity;
        let open: Vec<usize> = self.open_tanks().collect();
        let mut given = 0.0;
        for &ix in &open {
            let store = &mut self.stores[ix];
            let share = weight(store) * pressure;
            given += share;
            store.mass_kg = store.holdup_kg + share;
            store.state.pressure_pa = pressure;
        }
        // Rounding, and nothing else, is left in the pipes.
        self.pipes_kg = gas - given;
    }
}
