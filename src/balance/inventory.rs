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
//! - bath: m = Vl(h) rho_l + (V - Vl(h)) rho_v;
//! - the level, when weighed by differential pressure, as [`crate::instrument::level`] has it;
//! - bag: m = V rho(T, p) x with V itself a reading.

use serde::{Deserialize, Serialize};
use smallvec::SmallVec;

use crate::helium::{self, PhaseHint};
use crate::instrument::level::{
    ColumnState, DpColumn, STANDARD_GRAVITY_M_PER_S2, Strapping, dp_bath,
};
use crate::plant::{
    ChannelIx, Contents, LevelSource, LiquidState, Mode, Plant, PressureSource, PuritySource, Site,
    TemperatureSource, VapourState, Vessel, VesselIx,
};
use crate::quantity::{AbsolutePressure, Measured, Quality, QuantityKind, Reason, Si, Temperature};

/// Specific gas constant of helium, J/(kg K): 8.31446261815324 J/(mol K) over 4.002602e-3 kg/mol.
const SPECIFIC_GAS_CONSTANT: f64 = 8.31446261815324 / 4.002602e-3;

/// Below this a bath's vapour is reckoned as an ideal gas, since the equation of state ends at the
/// lambda line; at 2.1768 K and 5 kPa that is 1.5 % of 1.1 kg/m3.
const VAPOUR_EQUATION_FROM_K: f64 = 2.1768;

/// Relative standard uncertainty of the liquid's density from the equation of state: half the
/// largest mismatch to the tables of Donnelly and Barenghi (1998) below 4.5 K, 0.31 %.
const LIQUID_MODEL_STD: f64 = 0.15e-2;

/// Relative standard uncertainty of gas density (Ortiz-Vega et al.: 0.02 % near ambient).
const GAS_MODEL_STD: f64 = 0.01e-2;

/// Gives the readings at a tick.
pub trait Readings {
    /// A channel's value now; unusable ones say why.
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>>;
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
    fn new() -> Self {
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

    fn lower(&mut self, quality: Quality, reason: Reason) {
        if quality > self.quality {
            self.quality = quality;
            self.reason = reason;
        }
    }

    /// Adds the effect of an input whose derivative is `slope`.
    fn add(&mut self, input: &Input, slope: f64) {
        for source in [Some(input.source), input.also].into_iter().flatten() {
            match source {
                Source::Channel(channel) => push(&mut self.by_channel, channel, slope),
                Source::Stated(stated, std) => push(&mut self.by_stated, stated, slope * std),
            }
        }
        self.lower(input.quality, input.reason);
    }

    fn add_stated(&mut self, source: StatedSource, signed_std_kg: f64) {
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
struct Input {
    value: f64,
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
struct Inputs<'a> {
    plant: &'a Plant,
    readings: &'a dyn Readings,
    vessel: VesselIx,
}

impl Inputs<'_> {
    fn channel(&self, ix: ChannelIx) -> Result<Input, Reason> {
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

    fn pressure(&self, source: PressureSource) -> Result<Input, Reason> {
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

    fn temperature(&self, source: TemperatureSource) -> Result<Input, Reason> {
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

/// A density with its slopes to the bath's pressure and to a temperature of its own.
struct PhaseDensity {
    density: f64,
    per_pa: f64,
    temperature: Option<(Input, f64)>,
}

fn liquid_density(
    inputs: &Inputs,
    state: LiquidState,
    pressure: f64,
) -> Result<(PhaseDensity, f64), Reason> {
    let outside = |_| Reason::OutsideModel;
    match state {
        LiquidState::Saturated => {
            let saturation =
                helium::saturation_at_pressure(AbsolutePressure::new(pressure)).map_err(outside)?;
            let liquid = PhaseDensity {
                density: saturation.liquid.si(),
                per_pa: saturation.d_liquid_dp,
                temperature: None,
            };
            Ok((liquid, saturation.temperature.si()))
        }
        LiquidState::Subcooled(source) => {
            let temperature = inputs.temperature(source)?;
            let at = Temperature::new(temperature.value);
            let slopes =
                helium::density_with_slopes(at, AbsolutePressure::new(pressure), PhaseHint::Liquid)
                    .map_err(outside)?;
            let kelvin = temperature.value;
            let liquid = PhaseDensity {
                density: slopes.density.si(),
                per_pa: slopes.d_dp,
                temperature: Some((temperature, slopes.d_dt)),
            };
            Ok((liquid, kelvin))
        }
        LiquidState::Pumped(source) => {
            let temperature = inputs.temperature(source)?;
            let kelvin = temperature.value;
            let bath = helium::liquid_bath_density(Temperature::new(kelvin)).map_err(outside)?;
            let liquid = PhaseDensity {
                density: bath.density.si(),
                per_pa: 0.0,
                temperature: Some((temperature, bath.d_dt)),
            };
            Ok((liquid, kelvin))
        }
    }
}

fn vapour_density(
    inputs: &Inputs,
    state: VapourState,
    pressure: f64,
    liquid_kelvin: f64,
) -> Result<PhaseDensity, Reason> {
    let outside = |_| Reason::OutsideModel;
    match state {
        VapourState::Saturated if liquid_kelvin < VAPOUR_EQUATION_FROM_K => Ok(PhaseDensity {
            density: pressure / (SPECIFIC_GAS_CONSTANT * liquid_kelvin),
            per_pa: 1.0 / (SPECIFIC_GAS_CONSTANT * liquid_kelvin),
            temperature: None,
        }),
        VapourState::Saturated => {
            let saturation =
                helium::saturation_at_pressure(AbsolutePressure::new(pressure)).map_err(outside)?;
            Ok(PhaseDensity {
                density: saturation.vapour.si(),
                per_pa: saturation.d_vapour_dp,
                temperature: None,
            })
        }
        VapourState::Superheated(source) => {
            let temperature = inputs.temperature(source)?;
            let at = Temperature::new(temperature.value);
            let slopes =
                helium::density_with_slopes(at, AbsolutePressure::new(pressure), PhaseHint::Vapour)
                    .map_err(outside)?;
            Ok(PhaseDensity {
                density: slopes.density.si(),
                per_pa: slopes.d_dp,
                temperature: Some((temperature, slopes.d_dt)),
            })
        }
    }
}

fn bath_mass(inputs: &Inputs, contents: &Contents) -> Result<VesselMass, Reason> {
    let Contents::Bath {
        strapping,
        volume_std,
        level,
        pressure,
        liquid,
        vapour,
    } = contents
    else {
        return Err(Reason::InputBad);
    };
    let pressure = inputs.pressure(*pressure)?;
    let (liquid, kelvin) = liquid_density(inputs, *liquid, pressure.value)?;
    let vapour = vapour_density(inputs, *vapour, pressure.value, kelvin)?;
    let surface = surface(inputs, strapping, *level, liquid.density, vapour.density)?;
    let total = strapping.total();
    let ullage = total - surface.volume_m3;

    let mut mass = VesselMass::new();
    mass.liquid_kg = Some(surface.volume_m3 * liquid.density);
    mass.mass_kg = surface.volume_m3 * liquid.density + ullage * vapour.density;
    mass.level_m = Some(surface.level_m);
    mass.pressure_pa = Some(pressure.value);
    mass.temperature_k = Some(kelvin);
    mass.density_kg_m3 = Some(liquid.density);

    mass.add(&surface.probe, surface.by_probe);
    mass.add(
        &pressure,
        surface.by_liquid * liquid.per_pa + surface.by_vapour * vapour.per_pa,
    );
    for (part, weight) in [(&liquid, surface.by_liquid), (&vapour, surface.by_vapour)] {
        if let Some((temperature, slope)) = &part.temperature {
            mass.add(temperature, weight * slope);
        }
    }
    if total > 0.0 {
        mass.add_stated(
            StatedSource::Volume(inputs.vessel),
            mass.mass_kg / total * volume_std,
        );
    }
    mass.add_stated(
        StatedSource::LiquidModel,
        surface.by_liquid * liquid.density * LIQUID_MODEL_STD,
    );
    Ok(mass)
}

/// Where liquid and vapour meet, with the *total* derivatives of the vessel's mass: an error of
/// density that also moves the level counts once.
struct Surface {
    level_m: f64,
    volume_m3: f64,
    probe: Input,
    /// kg per SI unit of the level instrument.
    by_probe: f64,
    /// kg per kg/m3 of the liquid.
    by_liquid: f64,
    /// kg per kg/m3 of the vapour.
    by_vapour: f64,
}

fn surface(
    inputs: &Inputs,
    strapping: &Strapping,
    level: LevelSource,
    liquid_density: f64,
    vapour_density: f64,
) -> Result<Surface, Reason> {
    match level {
        LevelSource::Height { channel, bottom } => {
            let probe = inputs.channel(channel)?;
            let (low, high) = strapping.heights();
            // Noise may put an empty or a brim-full bath a little outside; the vessel is what it is.
            let level_m = (bottom.si() + probe.value).clamp(low, high);
            let (volume_m3, area) = strapping
                .volume_at(level_m)
                .map_err(|_| Reason::OutOfRange)?;
            Ok(Surface {
                level_m,
                volume_m3,
                probe,
                by_probe: area * (liquid_density - vapour_density),
                by_liquid: volume_m3,
                by_vapour: strapping.total() - volume_m3,
            })
        }
        LevelSource::DifferentialPressure {
            channel,
            bottom_tap,
            top_tap,
        } => {
            let probe = inputs.channel(channel)?;
            let column = DpColumn {
                lower_tap_m: bottom_tap.si(),
                tap_distance_m: top_tap.si() - bottom_tap.si(),
                gravity_m_per_s2: STANDARD_GRAVITY_M_PER_S2,
            };
            let state = ColumnState {
                dp_pa: probe.value,
                liquid_density,
                vapour_density,
                reference_density: 0.0,
            };
            let content = dp_bath(&column, strapping, &state).map_err(|_| Reason::OutOfRange)?;
            Ok(Surface {
                level_m: content.level_m,
                volume_m3: content.liquid_volume_m3,
                probe,
                by_probe: content.d_mass_d_dp,
                by_liquid: content.d_mass_d_liquid_density,
                by_vapour: content.d_mass_d_vapour_density,
            })
        }
        LevelSource::Volume { channel } => {
            let probe = inputs.channel(channel)?;
            let volume_m3 = probe.value.clamp(0.0, strapping.total());
            Ok(Surface {
                level_m: strapping
                    .height_at(volume_m3)
                    .map_err(|_| Reason::OutOfRange)?,
                volume_m3,
                probe,
                by_probe: liquid_density - vapour_density,
                by_liquid: volume_m3,
                by_vapour: strapping.total() - volume_m3,
            })
        }
    }
}
