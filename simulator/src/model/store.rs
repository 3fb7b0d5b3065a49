//! One store of helium: its mass, and the pressure, temperature and level that follow from it.

use coldledger::instrument::level::Strapping;
use coldledger::plant::{
    Contents, LiquidState, PressureSource, PuritySource, Stated, TemperatureSource, VapourState,
    Vessel,
};
use coldledger::quantity::{Fraction, Temperature};

use super::fluid::{Fluid, GAS_CONSTANT, Saturated, density};
use super::params::VesselParams;
use super::random::{Lag, Wander, normal, stream};
use super::weather::Weather;

/// What a store holds.
#[derive(Debug, Clone)]
pub enum Kind {
    /// Gas that fills a volume.
    Gas,
    /// A fluid whose pressure and temperature are held from outside.
    Held,
    /// Liquid with vapour above it.
    Bath(Box<Bath>),
    /// A bag near the pressure of the air.
    Bag {
        /// Overpressure, Pa.
        over_pa: f64,
    },
    /// A mass without sensors.
    Unmeasured,
}

/// Shape and regime of a bath.
#[derive(Debug, Clone)]
pub struct Bath {
    strapping: Strapping,
    regime: Regime,
    superheated: bool,
    follows: Lag,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Regime {
    Boiling,
    Subcooled,
    Pumped,
}

/// What is true of a store at an instant. What does not apply is NaN.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoreState {
    /// Absolute pressure, Pa.
    pub pressure_pa: f64,
    /// Temperature of the gas or of the liquid, K.
    pub temperature_k: f64,
    /// Where the thermometer stands in its lag, K.
    pub thermometer_k: f64,
    /// Temperature of the vapour above a liquid, K.
    pub vapour_k: f64,
    /// Height of the liquid above the lowest inside point, m.
    pub level_m: f64,
    /// Liquid as a fraction of the inside volume.
    pub fill: f64,
    /// Density of the liquid, kg/m3.
    pub liquid_density: f64,
    /// Density of the vapour or gas, kg/m3.
    pub vapour_density: f64,
    /// Gas volume of a bag, or the inside volume, m3.
    pub volume_m3: f64,
    /// Helium fraction.
    pub purity: f64,
    /// Supply of liquid, kg/s.
    pub supply_kg_per_s: f64,
    /// Gas that leaves by boiling, kg/s.
    pub boil_off_kg_per_s: f64,
    /// All gas that leaves by the way of the boil-off, flash gas included, kg/s.
    pub return_kg_per_s: f64,
    /// Heat that reaches the liquid, W.
    pub heat_w: f64,
    /// Open on the common header.
    pub on_header: bool,
}

impl StoreState {
    fn blank() -> Self {
        Self {
            pressure_pa: f64::NAN,
            temperature_k: f64::NAN,
            thermometer_k: f64::NAN,
            vapour_k: f64::NAN,
            level_m: f64::NAN,
            fill: f64::NAN,
            liquid_density: f64::NAN,
            vapour_density: f64::NAN,
            volume_m3: f64::NAN,
            purity: 1.0,
            supply_kg_per_s: 0.0,
            boil_off_kg_per_s: 0.0,
            return_kg_per_s: 0.0,
            heat_w: 0.0,
            on_header: false,
        }
    }
}

/// One store.
#[derive(Debug, Clone)]
pub struct Store {
    /// The vessel's id.
    pub id: String,
    /// What it holds.
    pub kind: Kind,
    /// All its helium, kg.
    pub mass_kg: f64,
    /// The part of it that no sensor of the vessel sees, kg.
    pub holdup_kg: f64,
    /// What is true now.
    pub state: StoreState,
    /// What drives it.
    pub params: VesselParams,
    compressibility: f64,
    gas: Lag,
    thermometer: Lag,
    pressure: Wander,
    pressure_smoothed: Lag,
    heat: Wander,
    holdup: Wander,
    holdup_mean_kg: f64,
    saturation: Option<Saturated>,
    /// Temperature that a pump-down began at, K.
    pumped_from_k: Option<f64>,
    /// Held temperature of the step before, K.
    held_before_k: f64,
}

/// Correlation times, s. Common practice, no source.
const PRESSURE_WANDER_S: f64 = 900.0;
const PRESSURE_LAG_S: f64 = 600.0;
const HEAT_WANDER_S: f64 = 4.0 * 3600.0;
const HOLDUP_WANDER_S: f64 = 6.0 * 3600.0;

impl Store {
    /// The store of a vessel at the start. `biased` draws the volume and the holdup within their
    /// stated uncertainty; otherwise they are as stated.
    #[must_use]
    pub fn new(
        vessel: &Vessel,
        params: VesselParams,
        weather: &Weather,
        fluid: &Fluid,
        seed: u64,
        biased: bool,
    ) -> Self {
        let id = vessel.id.to_string();
        let mut rng = stream(seed, &format!("vessel/{id}"));
        let mut params = params;
        let (volume_z, holdup_z) = (normal(&mut rng), normal(&mut rng));
        let (purity_z, temperature_z) = (normal(&mut rng), normal(&mut rng));
        let drawn = |value: f64, std: f64, z: f64| {
            if biased && std > 0.0 {
                (value + std * z).max(0.0)
            } else {
                value
            }
        };
        if let Some(stated) = stated_purity(&vessel.contents) {
            params.purity = drawn(params.purity, stated.std, purity_z).min(1.0);
        }
        if let Some(stated) = stated_temperature(&vessel.contents) {
            params.temperature_k = drawn(params.temperature_k, stated.std, temperature_z);
        }
        let (kind, stated_m3, volume_std) = kind_of(vessel, &params);
        let volume_m3 = drawn(stated_m3, volume_std, volume_z);
        let (stated_holdup, holdup_std) = vessel
            .modes
            .get(vessel.first_mode)
            .map_or((0.0, 0.0), |mode| (mode.holdup.value.si(), mode.holdup.std));
        let holdup_mean_kg = drawn(stated_holdup, holdup_std, holdup_z);
        let wander = |std, time_s, what: &str| {
            Wander::new(std, time_s, stream(seed, &format!("vessel/{id}/{what}")))
        };
        let temperature = if vessel.outdoors {
            weather.ambient_k
        } else {
            params.temperature_k
        };
        let mut state = StoreState::blank();
        state.volume_m3 = volume_m3;
        state.purity = params.purity;
        if !matches!(kind, Kind::Unmeasured) {
            state.pressure_pa = params.pressure_pa;
        }
        let mut store = Self {
            kind,
            mass_kg: 0.0,
            holdup_kg: holdup_mean_kg,
            state,
            compressibility: 1.0,
            gas: Lag::new(temperature, params.gas_lag_s),
            thermometer: Lag::new(temperature, params.thermometer_lag_s),
            // Smoothing by a lag lowers the spread by the root of T / (T + lag).
            pressure: wander(
                params.pressure_wander_pa * libm::sqrt(1.0 + PRESSURE_LAG_S / PRESSURE_WANDER_S),
                PRESSURE_WANDER_S,
                "pressure",
            ),
            pressure_smoothed: Lag::new(0.0, PRESSURE_LAG_S),
            heat: wander(params.heat_load_wander, HEAT_WANDER_S, "heat"),
            holdup: wander(params.holdup_wander * holdup_std, HOLDUP_WANDER_S, "holdup"),
            holdup_mean_kg,
            saturation: None,
            pumped_from_k: None,
            held_before_k: params.temperature_k,
            params,
            id,
        };
        store.begin(vessel.outdoors, weather, fluid);
        store
    }

    /// The mass that gives the starting state.
    fn begin(&mut self, outdoors: bool, weather: &Weather, fluid: &Fluid) {
        self.drift(outdoors, weather, fluid, 0.0);
        let contents = match &self.kind {
            Kind::Gas => self.gas_mass_at(self.params.pressure_pa),
            Kind::Held => self.held_mass(),
            Kind::Bag { .. } => {
                self.state.pressure_pa = self.bag_pressure(weather);
                self.gas_mass_at(self.state.pressure_pa)
            }
            Kind::Bath(_) => self.bath_mass_at(self.params.fill),
            Kind::Unmeasured => 0.0,
        };
        self.mass_kg = contents + self.holdup_kg;
        self.settle(weather);
    }

    /// Helium that the vessel's own sensors see, kg.
    #[must_use]
    pub fn contents_kg(&self) -> f64 {
        (self.mass_kg - self.holdup_kg).max(0.0)
    }

    /// From now on its unmeasured holdup wanders about this, kg.
    pub fn set_holdup(&mut self, kg: f64) {
        self.holdup_mean_kg = kg;
    }

    /// Its thermometer lags the gas by this, s; without a figure, as the settings have it.
    pub fn set_thermometer_lag(&mut self, seconds: Option<f64>) {
        let seconds = seconds.unwrap_or(self.params.thermometer_lag_s);
        self.thermometer.set_time(seconds);
    }

    /// Liquid, kg.
    #[must_use]
    pub fn liquid_kg(&self) -> f64 {
        match self.kind {
            Kind::Bath(_) => self.state.fill * self.state.volume_m3 * self.state.liquid_density,
            _ => 0.0,
        }
    }

    /// Moves temperatures, held pressures and wandering quantities on; the mass stays.
    pub fn drift(&mut self, outdoors: bool, weather: &Weather, fluid: &Fluid, dt_s: f64) {
        let before_pa = self.state.pressure_pa;
        self.holdup_kg = (self.holdup_mean_kg + self.holdup.advance(dt_s)).max(0.0);
        match &mut self.kind {
            Kind::Bath(bath) => {
                let heat = self.params.heat_load_w * (1.0 + self.heat.advance(dt_s)).max(0.0);
                self.state.heat_w = heat;
                let wander = self
                    .pressure_smoothed
                    .advance(self.pressure.advance(dt_s), dt_s);
                let at = match bath.regime {
                    Regime::Pumped => {
                        // Pressure control of the pump: the same relative wander in pressure.
                        let held = fluid.at_temperature(self.params.temperature_k);
                        fluid.at_temperature(held.temperature_k + wander * held.dt_dp)
                    }
                    Regime::Boiling | Regime::Subcooled => {
                        fluid.at_pressure(self.params.pressure_pa + wander)
                    }
                };
                self.state.pressure_pa = at.pressure_pa;
                let behind = bath.follows.advance(at.pressure_pa, dt_s);
                let liquid = match bath.regime {
                    Regime::Boiling => {
                        let lagging = fluid.at_pressure(behind);
                        self.state.temperature_k = lagging.temperature_k;
                        lagging.liquid
                    }
                    Regime::Subcooled => {
                        self.state.temperature_k = at.temperature_k - self.params.subcooling_k;
                        density(self.state.temperature_k, at.pressure_pa).unwrap_or(at.liquid)
                    }
                    Regime::Pumped => {
                        self.state.temperature_k = at.temperature_k;
                        at.liquid
                    }
                };
                self.state.thermometer_k = self.state.temperature_k;
                self.state.vapour_k = at.temperature_k;
                let mut vapour = at.vapour;
                if bath.superheated {
                    self.state.vapour_k += self.params.superheat_k;
                    if self.params.superheat_k > 0.0 {
                        vapour = density(self.state.vapour_k, at.pressure_pa).unwrap_or(vapour);
                    }
                }
                self.state.liquid_density = liquid;
                self.state.vapour_density = vapour;
                self.saturation = Some(at);
                // A pumped bath cools by evaporating: what its liquid gives up is heat to boil with.
                let pumped = bath.regime == Regime::Pumped;
                if dt_s > 0.0 && pumped {
                    let held_k = self.params.temperature_k;
                    let cooled = std::mem::replace(&mut self.held_before_k, held_k) - held_k;
                    let capacity = super::fluid::liquid_heat_capacity(held_k);
                    self.state.heat_w += self.liquid_kg_of(liquid) * capacity * cooled / dt_s;
                }
                // Heat that a change of pressure takes up in the liquid.
                if dt_s > 0.0 && !pumped {
                    let warming = at.dt_dp * (at.pressure_pa - before_pa) / dt_s;
                    self.state.heat_w -=
                        self.liquid_kg_of(liquid) * super::fluid::LIQUID_HEAT_CAPACITY * warming;
                }
            }
            Kind::Gas | Kind::Bag { .. } => {
                let aim = if outdoors {
                    weather.ambient_k + self.params.sun_k * weather.sun
                } else {
                    self.params.temperature_k
                };
                self.state.temperature_k = self.gas.advance(aim, dt_s);
                let seen = self.state.temperature_k + self.params.thermometer_sun_k * weather.sun;
                self.state.thermometer_k = self.thermometer.advance(seen, dt_s);
            }
            Kind::Held => {
                let wander = self
                    .pressure_smoothed
                    .advance(self.pressure.advance(dt_s), dt_s);
                self.state.pressure_pa = self.params.pressure_pa + wander;
                self.state.temperature_k = self.params.temperature_k;
                self.state.thermometer_k = self.params.temperature_k;
            }
            Kind::Unmeasured => {}
        }
    }

    /// Moves the held temperature of a pumped bath on: `done` of the way to `to_k`.
    pub fn pump_down(&mut self, to_k: f64, done: f64) {
        let from_k = *self.pumped_from_k.get_or_insert(self.params.temperature_k);
        self.params.temperature_k = from_k + (to_k - from_k) * done;
        if done >= 1.0 {
            self.pumped_from_k = None;
        }
    }

    fn liquid_kg_of(&self, density: f64) -> f64 {
        let fill = self.state.fill;
        if fill.is_finite() {
            fill * self.state.volume_m3 * density
        } else {
            0.0
        }
    }

    /// Boil-off with heat from outside and from a scenario, kg/s of gas that leaves.
    #[must_use]
    pub fn boil_off(&self, extra_w: f64) -> f64 {
        let Some(at) = self.saturation else {
            return 0.0;
        };
        let evaporation = (self.state.heat_w + extra_w).max(0.0) / at.latent_j_per_kg;
        // Vapour stays behind in the room that the evaporated liquid leaves.
        evaporation * (1.0 - self.state.vapour_density / self.state.liquid_density)
    }

    /// Pressure and level from the mass.
    pub fn settle(&mut self, weather: &Weather) {
        let contents = self.contents_kg();
        match &self.kind {
            Kind::Gas => {
                let ideal_pa = contents / self.per_pascal();
                // Each round leaves about a tenth of the error at 200 bar, a hundredth at 10 bar.
                for _ in 0..12 {
                    let before = self.compressibility;
                    self.refresh_compressibility(ideal_pa * before);
                    if (self.compressibility - before).abs() < 1e-8 {
                        break;
                    }
                }
                self.state.pressure_pa = ideal_pa * self.compressibility;
                self.state.vapour_density = contents / self.state.volume_m3;
            }
            Kind::Bag { .. } => {
                let p = self.bag_pressure(weather);
                self.refresh_compressibility(p);
                self.state.pressure_pa = p;
                let rho = p / (self.compressibility * GAS_CONSTANT * self.state.temperature_k);
                self.state.volume_m3 = contents / (rho * self.state.purity);
                self.state.vapour_density = rho;
            }
            Kind::Bath(bath) => {
                let (liquid, vapour) = (self.state.liquid_density, self.state.vapour_density);
                let volume = self.state.volume_m3;
                let filled = ((contents - vapour * volume) / (liquid - vapour)).clamp(0.0, volume);
                self.state.fill = filled / volume;
                let stated = self.state.fill * bath.strapping.total();
                if let Ok(level) = bath.strapping.height_at(stated) {
                    self.state.level_m = level;
                }
            }
            Kind::Held | Kind::Unmeasured => {}
        }
    }

    /// Mass of ideal gas per Pa in this volume at this temperature, kg/Pa, helium only.
    #[must_use]
    pub fn per_pascal(&self) -> f64 {
        self.state.volume_m3 * self.state.purity / (GAS_CONSTANT * self.state.temperature_k)
    }

    /// Compressibility factor at the last state.
    #[must_use]
    pub fn compressibility(&self) -> f64 {
        self.compressibility
    }

    /// What a held fluid or an unmeasured holdup should hold now, kg.
    #[must_use]
    pub fn wanted_kg(&self) -> Option<f64> {
        match self.kind {
            Kind::Held => Some(self.held_mass() + self.holdup_kg),
            Kind::Unmeasured => Some(self.holdup_kg),
            _ => None,
        }
    }

    /// Gas that came in at the temperature of the air, and was compressed on the way.
    pub fn warm_by_filling(&mut self, added_kg: f64, air_k: f64) {
        if let Kind::Gas = self.kind
            && self.mass_kg > 0.0
        {
            // Ideal monatomic gas let into a vessel from a constant pressure: it gains the flow work.
            const HEAT_RATIO: f64 = 5.0 / 3.0;
            let rise = (HEAT_RATIO * air_k - self.state.temperature_k) * added_kg / self.mass_kg;
            self.gas.shift(rise);
        }
    }

    /// The factor by one exact density.
    fn refresh_compressibility(&mut self, p: f64) {
        let t = self.state.temperature_k;
        if let Ok(rho) = density(t, p)
            && rho > 0.0
        {
            self.compressibility = p / (rho * GAS_CONSTANT * t);
        }
    }

    fn gas_mass_at(&self, p: f64) -> f64 {
        density(self.state.temperature_k, p)
            .map_or(0.0, |rho| rho * self.state.volume_m3 * self.state.purity)
    }

    fn held_mass(&self) -> f64 {
        density(self.state.temperature_k, self.state.pressure_pa)
            .map_or(self.contents_kg(), |rho| {
                rho * self.state.volume_m3 * self.state.purity
            })
    }

    fn bath_mass_at(&self, fill: f64) -> f64 {
        self.state.volume_m3
            * (fill * self.state.liquid_density + (1.0 - fill) * self.state.vapour_density)
    }

    fn bag_pressure(&self, weather: &Weather) -> f64 {
        match self.kind {
            Kind::Bag { over_pa } => weather.barometer_pa + over_pa,
            _ => f64::NAN,
        }
    }
}

/// What a person says of the purity, where no channel does.
fn stated_purity(contents: &Contents) -> Option<Stated<Fraction>> {
    match contents {
        Contents::Fluid {
            purity: Some(PuritySource::Stated(stated)),
            ..
        }
        | Contents::Bag {
            purity: Some(PuritySource::Stated(stated)),
            ..
        } => Some(*stated),
        _ => None,
    }
}

/// What a person says of the temperature, where no channel does.
fn stated_temperature(contents: &Contents) -> Option<Stated<Temperature>> {
    match contents {
        Contents::Fluid {
            temperature: TemperatureSource::Stated(stated),
            ..
        }
        | Contents::Bag {
            temperature: TemperatureSource::Stated(stated),
            ..
        }
        | Contents::Bath {
            liquid: LiquidState::Pumped(TemperatureSource::Stated(stated)),
            ..
        } => Some(*stated),
        _ => None,
    }
}

/// Kind of the store, its volume as stated and the standard uncertainty of that, m3.
fn kind_of(vessel: &Vessel, params: &VesselParams) -> (Kind, f64, f64) {
    match &vessel.contents {
        Contents::Fluid {
            volume, pressure, ..
        } => {
            let open = matches!(pressure, PressureSource::Air { .. });
            let kind = if open || params.held {
                Kind::Held
            } else {
                Kind::Gas
            };
            (kind, volume.value.si(), volume.std)
        }
        Contents::Bath {
            strapping,
            volume_std,
            liquid,
            vapour,
            ..
        } => {
            let regime = match liquid {
                LiquidState::Saturated => Regime::Boiling,
                LiquidState::Subcooled(_) | LiquidState::Stratified(_) => Regime::Subcooled,
                LiquidState::Pumped(_) => Regime::Pumped,
            };
            let bath = Bath {
                strapping: strapping.clone(),
                regime,
                superheated: matches!(vapour, VapourState::Superheated(_)),
                follows: Lag::new(params.pressure_pa, params.liquid_lag_s),
            };
            (Kind::Bath(Box::new(bath)), strapping.total(), *volume_std)
        }
        Contents::Bag { over_pa, .. } => (Kind::Bag { over_pa: *over_pa }, params.bag_m3, 0.0),
        Contents::Unmeasured => (Kind::Unmeasured, f64::NAN, 0.0),
    }
}
