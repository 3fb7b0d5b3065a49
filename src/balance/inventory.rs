//! How much helium a vessel holds, and how the instruments' errors reach that mass.
//!
//! A vessel's mass is a function of a few channel readings and a few stated numbers (its volume,
//! its holdup). Beside the mass, [`vessel_mass`] gives the *sensitivity* to each reading,
//! dm/dx in kg per SI unit, and the signed standard uncertainty that each stated number brings in
//! kg. [`super::tally::Tally`] adds vessels up by reading and by source, so that one barometer under six gauge
//! tanks, or one calibration under two levels, adds as it does in the plant (law of propagation of
//! uncertainty with correlated inputs, JCGM 100:2008, 5.2).
//!
//! Equations:
//! - one phase: m = V rho(T, p) x, with x the helium fraction of the amount of substance;
//! - bath: see `bath`;
//! - bag: m = V rho(T, p) x with V itself a reading.

use serde::{Deserialize, Serialize};
use smallvec::SmallVec;

use super::bath::bath_mass;
use crate::helium::{self, PhaseHint};
use crate::plant::{
    ChannelIx, Contents, LineIx, Mode, Plant, PressureSource, PuritySource, Site,
    TemperatureSource, Vessel, VesselIx,
};
use crate::quantity::{
    AbsolutePressure, MassFlow, Measured, Quality, QuantityKind, Reason, Si, Temperature,
};

/// Relative standard uncertainty of the liquid's density from the equation of state: half the
/// largest mismatch to the tables of Donnelly and Barenghi (1998) below 4.5 K, 0.31 %.
pub(super) const LIQUID_MODEL_STD: f64 = 0.15e-2;

/// Relative standard uncertainty of gas density (Ortiz-Vega et al.: 0.02 % near ambient).
pub(super) const GAS_MODEL_STD: f64 = 0.01e-2;

/// Gives the readings at a tick.
pub trait Readings {
    /// A channel's value now; unusable ones say why.
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>>;

    /// What a counter says has passed through a line between its last two readings, kg/s; none
    /// while it has been read less than twice, or where nothing remembers counters.
    fn counted(&self, _line: LineIx) -> Option<&Measured<MassFlow>> {
        None
    }
}

/// A stated number that several masses may share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum StatedSource {
    /// The pressure of the surrounding air, where no barometer tells it.
    Air,
    /// The density of the liquid from the model.
    LiquidModel,
    /// The density of gas from the model.
    GasModel,
    /// A vessel's inside volume.
    Volume(VesselIx),
    /// A vessel's holdup.
    Holdup(VesselIx),
    /// A temperature of a vessel that a person stated.
    Temperature(VesselIx),
    /// A helium fraction of a vessel that a person stated.
    Purity(VesselIx),
    /// A vessel's last mass, carried forward while nothing can be reckoned.
    Carried(VesselIx),
    /// What a vessel's level probe itself is stated to be: bias in superfluid, capacitance.
    LevelProbe(VesselIx),
    /// How the temperature of a vessel's layered liquid runs from bottom to surface.
    Layers(VesselIx),
    /// The gas in the lines of a vessel's differential pressure.
    Lines(VesselIx),
    /// What lies beyond a tap that the level stands at.
    BeyondTap(VesselIx),
}

/// A vessel's helium with all that its uncertainty needs.
#[derive(Debug, Clone, PartialEq)]
pub struct VesselMass {
    /// kg, holdup included; NaN when `quality` is bad.
    pub mass_kg: f64,
    /// Liquid part, kg.
    pub liquid_kg: Option<f64>,
    /// Level above the lowest inside point, m.
    pub level_m: Option<f64>,
    /// Pressure used, Pa absolute.
    pub pressure_pa: Option<f64>,
    /// Temperature used, K.
    pub temperature_k: Option<f64>,
    /// Density of the liquid or of the single phase, kg/m3.
    pub density_kg_m3: Option<f64>,
    /// dm/dx by reading, kg per SI unit of the channel.
    pub by_channel: SmallVec<[(ChannelIx, f64); 6]>,
    /// Signed standard uncertainty by stated number, kg.
    pub by_stated: SmallVec<[(StatedSource, f64); 4]>,
    /// How far the mass can be used.
    pub quality: Quality,
    /// Why not plainly good.
    pub reason: Reason,
}

impl VesselMass {
    pub(super) fn new() -> Self {
        Self {
            mass_kg: 0.0,
            liquid_kg: None,
            level_m: None,
            pressure_pa: None,
            temperature_k: None,
            density_kg_m3: None,
            by_channel: SmallVec::new(),
            by_stated: SmallVec::new(),
            quality: Quality::Good,
            reason: Reason::None,
        }
    }

    fn bad(reason: Reason) -> Self {
        Self {
            mass_kg: f64::NAN,
            quality: Quality::Bad,
            reason,
            ..Self::new()
        }
    }

    /// Whether it rests on readings of now, nothing in it carried forward.
    #[must_use]
    pub fn rests_on_readings(&self) -> bool {
        self.quality != Quality::Bad
            && !matches!(self.reason, Reason::CarriedForward | Reason::OutOfRange)
    }

    /// Makes a mass that cannot be reckoned the last known one (kg with its standard uncertainty),
    /// `age` seconds old. Its uncertainty grows by 2 % of that mass per root of a day; a level that
    /// lies outside what its instrument can tell speaks against the last mass, so then half of it
    /// is in doubt (both common practice, no source).
    pub fn carry_forward(&mut self, vessel: VesselIx, last: (f64, f64), age: f64) {
        let (last_kg, last_std_kg) = last;
        let days = age.max(0.0) / 86_400.0;
        let contradicted = self.reason == Reason::OutOfRange;
        let doubt = if contradicted {
            0.5 * last_kg.abs()
        } else {
            0.02 * last_kg.abs() * libm::sqrt(days)
        };
        self.mass_kg = last_kg;
        self.quality = Quality::Uncertain;
        if !contradicted {
            self.reason = Reason::CarriedForward;
        }
        self.by_stated.clear();
        self.add_stated(
            StatedSource::Carried(vessel),
            libm::hypot(last_std_kg, doubt),
        );
    }

    pub(super) fn lower(&mut self, quality: Quality, reason: Reason) {
        if quality > self.quality {
            self.quality = quality;
            self.reason = reason;
        }
    }

    /// Adds the effect of an input whose derivative is `slope`.
    pub(super) fn add(&mut self, input: &Input, slope: f64) {
        for source in [Some(input.source), input.also].into_iter().flatten() {
            match source {
                Source::Channel(channel) => push(&mut self.by_channel, channel, slope),
                Source::Stated(stated, std) => push(&mut self.by_stated, stated, slope * std),
            }
        }
        self.lower(input.quality, input.reason);
    }

    pub(super) fn add_stated(&mut self, source: StatedSource, signed_std_kg: f64) {
        push(&mut self.by_stated, source, signed_std_kg);
    }
}

fn push<K: PartialEq, const N: usize>(list: &mut SmallVec<[(K, f64); N]>, key: K, amount: f64)
where
    [(K, f64); N]: smallvec::Array<Item = (K, f64)>,
{
    match list.iter_mut().find(|(k, _)| *k == key) {
        Some((_, sum)) => *sum += amount,
        None => list.push((key, amount)),
    }
}

/// A number with where it came from.
pub(super) struct Input {
    pub(super) value: f64,
    source: Source,
    /// What else the value rests on with the same weight: the air of a gauge reading.
    also: Option<Source>,
    quality: Quality,
    reason: Reason,
}

#[derive(Clone, Copy)]
enum Source {
    Channel(ChannelIx),
    /// With its standard uncertainty, SI of the input.
    Stated(StatedSource, f64),
}

/// What a vessel's reckoning reads from.
pub(super) struct Inputs<'a> {
    plant: &'a Plant,
    readings: &'a dyn Readings,
    pub(super) vessel: VesselIx,
}

impl Inputs<'_> {
    pub(super) fn channel(&self, ix: ChannelIx) -> Result<Input, Reason> {
        let measured = self.readings.measured(ix).ok_or(Reason::NeverRead)?;
        if !measured.is_usable() {
            return Err(Reason::InputBad);
        }
        Ok(Input {
            value: measured.value.0,
            source: Source::Channel(ix),
            also: None,
            quality: measured.quality,
            reason: measured.reason,
        })
    }

    /// The barometer, or the stated air where there is none. A barometer that has never shown
    /// anything usable is stood in for by the stated air too.
    fn air(&self) -> Input {
        let site: &Site = &self.plant.site;
        let stated = |quality, reason| Input {
            value: site.air_pressure.value.si(),
            source: Source::Stated(StatedSource::Air, site.air_pressure.std),
            also: None,
            quality,
            reason,
        };
        match site.barometer {
            Some(barometer) => self
                .channel(barometer)
                .unwrap_or_else(|_| stated(Quality::Uncertain, Reason::Substituted)),
            None => stated(Quality::Good, Reason::None),
        }
    }

    pub(super) fn pressure(&self, source: PressureSource) -> Result<Input, Reason> {
        match source {
            PressureSource::Air { over_pa } => {
                let mut air = self.air();
                air.value += over_pa;
                Ok(air)
            }
            PressureSource::Channel(ix) => {
                let mut input = self.channel(ix)?;
                let gauge = self
                    .plant
                    .channel(ix)
                    .is_some_and(|channel| channel.kind == QuantityKind::GaugePressure);
                if gauge {
                    let air = self.air();
                    input.value += air.value;
                    input.also = Some(air.source);
                    if air.quality > input.quality {
                        input.quality = air.quality;
                        input.reason = air.reason;
                    }
                }
                Ok(input)
            }
        }
    }

    pub(super) fn temperature(&self, source: TemperatureSource) -> Result<Input, Reason> {
        match source {
            TemperatureSource::Channel(ix) => self.channel(ix),
            TemperatureSource::Stated(stated) => Ok(Input {
                value: stated.value.si(),
                source: Source::Stated(StatedSource::Temperature(self.vessel), stated.std),
                also: None,
                quality: Quality::Good,
                reason: Reason::None,
            }),
        }
    }

    fn purity(&self, source: Option<PuritySource>) -> Result<Option<Input>, Reason> {
        match source {
            None => Ok(None),
            Some(PuritySource::Channel(ix)) => self.channel(ix).map(Some),
            Some(PuritySource::Stated(stated)) => Ok(Some(Input {
                value: stated.value.si(),
                source: Source::Stated(StatedSource::Purity(self.vessel), stated.std),
                also: None,
                quality: Quality::Good,
                reason: Reason::None,
            })),
        }
    }
}

/// The helium in a vessel run in `mode`.
///
/// **Units** kg and SI throughout. Never fails: what cannot be reckoned is a mass of quality bad
/// with a reason.
#[must_use]
pub fn vessel_mass(
    plant: &Plant,
    ix: VesselIx,
    vessel: &Vessel,
    mode: &Mode,
    readings: &dyn Readings,
) -> VesselMass {
    let inputs = Inputs {
        plant,
        readings,
        vessel: ix,
    };
    let mut mass = if mode.counts_contents {
        contents_mass(&inputs, &vessel.contents).unwrap_or_else(VesselMass::bad)
    } else {
        VesselMass::new()
    };
    mass.mass_kg += mode.holdup.value.si();
    mass.add_stated(StatedSource::Holdup(ix), mode.holdup.std);
    mass
}

fn contents_mass(inputs: &Inputs, contents: &Contents) -> Result<VesselMass, Reason> {
    match contents {
        Contents::Unmeasured => Ok(VesselMass::new()),
        Contents::Fluid {
            volume,
            pressure,
            temperature,
            purity,
        } => {
            let gas = Gas {
                pressure: inputs.pressure(*pressure)?,
                temperature: inputs.temperature(*temperature)?,
                purity: inputs.purity(*purity)?,
            };
            let size = volume.value.si();
            let (mut mass, density) = gas.mass(size)?;
            mass.add_stated(StatedSource::Volume(inputs.vessel), density * volume.std);
            Ok(mass)
        }
        Contents::Bag {
            volume,
            over_pa,
            temperature,
            purity,
        } => {
            let gas = Gas {
                pressure: inputs.pressure(PressureSource::Air { over_pa: *over_pa })?,
                temperature: inputs.temperature(*temperature)?,
                purity: inputs.purity(*purity)?,
            };
            let size = inputs.channel(*volume)?;
            let (mut mass, density) = gas.mass(size.value.max(0.0))?;
            mass.add(&size, density);
            Ok(mass)
        }
        Contents::Bath { .. } => bath_mass(inputs, contents),
    }
}

struct Gas {
    pressure: Input,
    temperature: Input,
    purity: Option<Input>,
}

impl Gas {
    /// Mass in a volume, with the density of the helium in it.
    fn mass(&self, volume: f64) -> Result<(VesselMass, f64), Reason> {
        let slopes = helium::density_with_slopes(
            Temperature::new(self.temperature.value),
            AbsolutePressure::new(self.pressure.value),
            PhaseHint::Stable,
        )
        .map_err(|_| Reason::OutsideModel)?;
        let fraction = self.purity.as_ref().map_or(1.0, |input| input.value);
        let density = slopes.density.si() * fraction;
        let mut mass = VesselMass::new();
        mass.mass_kg = volume * density;
        mass.pressure_pa = Some(self.pressure.value);
        mass.temperature_k = Some(self.temperature.value);
        mass.density_kg_m3 = Some(density);
        mass.add(&self.pressure, volume * fraction * slopes.d_dp);
        mass.add(&self.temperature, volume * fraction * slopes.d_dt);
        if let Some(purity) = &self.purity {
            mass.add(purity, volume * slopes.density.si());
        }
        mass.add_stated(StatedSource::GasModel, mass.mass_kg * GAS_MODEL_STD);
        Ok((mass, density))
    }
}
