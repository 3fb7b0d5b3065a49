//! What drives the plant: physical parameters that no description of sensors states.

use super::weather::Climate;

/// Where helium can go.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// A store, by the position of its vessel in the description.
    Store(usize),
    /// The tanks that stand open on the common header.
    Header,
    /// Out of the plant.
    Outside,
}

/// Parameters of the whole plant.
#[derive(Debug, Clone, PartialEq)]
pub struct ModelParams {
    /// The weather.
    pub climate: Climate,
    /// One for each vessel of the description, in its order.
    pub vessels: Vec<VesselParams>,
    /// Vessels that share the header while their valves are open.
    pub header: Vec<usize>,
    /// The liquefier.
    pub liquefier: Option<Liquefier>,
    /// Compressors, pumps and purifiers that move gas from one store to another.
    pub movers: Vec<Mover>,
}

/// A cold box that takes gas from the header and gives liquid.
#[derive(Debug, Clone, PartialEq)]
pub struct Liquefier {
    /// The vessel that it fills.
    pub into: usize,
    /// Liquid fraction of that vessel's volume that it holds.
    pub hold: f64,
    /// Most it can make, kg/s.
    pub most_kg_per_s: f64,
    /// It takes no more gas below this header pressure, Pa.
    pub header_low_pa: f64,
}

/// A machine that moves gas while it runs, switched by how full its source is.
#[derive(Debug, Clone, PartialEq)]
pub struct Mover {
    /// Name, for channels that follow its flow.
    pub name: String,
    /// From here.
    pub from: usize,
    /// To there.
    pub to: Place,
    /// Starts above this (m3 of a bag, Pa of a tank).
    pub start_above: f64,
    /// Stops below this.
    pub stop_below: f64,
    /// While it runs, kg/s.
    pub kg_per_s: f64,
}

/// Parameters of one vessel. What does not apply to its kind is not looked at.
#[derive(Debug, Clone, PartialEq)]
pub struct VesselParams {
    /// Liquid fraction of the volume at the start.
    pub fill: f64,
    /// Pressure at the start, Pa; a bath is held there.
    pub pressure_pa: f64,
    /// Temperature at the start, K; a pumped bath and a held fluid stay there.
    pub temperature_k: f64,
    /// Gas volume of a bag at the start, m3.
    pub bag_m3: f64,
    /// Helium fraction.
    pub purity: f64,
    /// Heat that reaches the liquid, W.
    pub heat_load_w: f64,
    /// Relative wander of the heat load.
    pub heat_load_wander: f64,
    /// Where boiled-off gas goes.
    pub boil_off_to: Place,
    /// Wander of the held pressure, Pa.
    pub pressure_wander_pa: f64,
    /// Vapour above the liquid is this much warmer than saturation, K.
    pub superheat_k: f64,
    /// Subcooled liquid is this much colder than saturation, K.
    pub subcooling_k: f64,
    /// The liquid follows the saturation pressure with this lag, s.
    pub liquid_lag_s: f64,
    /// Continuous supply that holds the level.
    pub supply: Option<Supply>,
    /// Filling in batches.
    pub refill: Option<Refill>,
    /// Pressure and temperature are held from outside; the mass follows by exchange with the header.
    pub held: bool,
    /// Gas follows the air with this lag, s.
    pub gas_lag_s: f64,
    /// Gas is warmer by this in full sun, K.
    pub sun_k: f64,
    /// The thermometer follows the gas with this lag, s.
    pub thermometer_lag_s: f64,
    /// The thermometer reads high by this in full sun (stratification and sun on the pocket), K.
    pub thermometer_sun_k: f64,
    /// Wander of the unmeasured holdup, as a multiple of its stated standard uncertainty.
    pub holdup_wander: f64,
}

impl Default for VesselParams {
    fn default() -> Self {
        Self {
            fill: 0.6,
            pressure_pa: 125_000.0,
            temperature_k: 288.0,
            bag_m3: 0.0,
            purity: 1.0,
            heat_load_w: 0.0,
            heat_load_wander: 0.0,
            boil_off_to: Place::Header,
            pressure_wander_pa: 0.0,
            superheat_k: 0.0,
            subcooling_k: 0.05,
            liquid_lag_s: 0.0,
            supply: None,
            refill: None,
            held: false,
            gas_lag_s: 3.0 * 3600.0,
            sun_k: 0.0,
            thermometer_lag_s: 0.0,
            thermometer_sun_k: 0.0,
            holdup_wander: 0.0,
        }
    }
}

/// A control valve that holds a bath's level from another vessel.
#[derive(Debug, Clone, PartialEq)]
pub struct Supply {
    /// From here.
    pub from: usize,
    /// Liquid fraction of the volume that it holds.
    pub hold: f64,
    /// Flow with the valve wide open, kg/s.
    pub most_kg_per_s: f64,
    /// Part that arrives as vapour and goes the way of the boil-off.
    pub flash: f64,
}

/// A transfer that starts when a bath is low and stops when it is full.
#[derive(Debug, Clone, PartialEq)]
pub struct Refill {
    /// From here.
    pub from: usize,
    /// Starts below this liquid fraction.
    pub below: f64,
    /// Stops above this one.
    pub until: f64,
    /// Flow, kg/s.
    pub kg_per_s: f64,
    /// Part that returns as gas.
    pub flash: f64,
}
