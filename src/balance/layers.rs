//! Liquid that is colder at the bottom than at its surface, with vapour above it.
//!
//! Two profiles, as the description says: without an interface the temperature rises evenly from
//! the lowest inside point to the surface; with one, a colder layer lies below it and a warmer above.
//! An even rise is a guess. What it may be off is reckoned as a stated number of its own: two layers
//! with their interface anywhere between bottom and surface are as likely (common practice, no
//! source), and the mass moves with the place of the interface by a standard deviation of
//! 1/sqrt(12) of the depth either way.
//!
//! A differential pressure weighs the liquid between the taps as it lies, so its level comes of the
//! mean density along the height while the mass takes the mean over the volume. Slopes are those of
//! the whole reckoning, by difference.

use super::bath::lines_gas;
use super::inventory::{Input, Inputs, LIQUID_MODEL_STD, StatedSource, VesselMass};
use crate::helium::{self, PhaseHint};
use crate::instrument::level::{
    ColumnState, DpColumn, STANDARD_GRAVITY_M_PER_S2, Strapping, capacitance_level, dp_bath,
};
use crate::plant::{Contents, LevelSource, Stratified, VapourState};
use crate::quantity::{AbsolutePressure, Quality, Reason, Temperature};

/// Slices of an even rise of temperature.
const SLICES: u32 = 8;
/// Standard deviation of a place that may be anywhere in a width of one.
const ANYWHERE: f64 = 0.288_675_134_594_812_9;
/// Relative step of the differences that slopes come from.
const STEP: f64 = 1e-5;

/// How the temperature runs.
#[derive(Clone, Copy)]
enum Profile {
    Even,
    /// Interface at this height, m.
    Interface(f64),
    /// Interface at this part of the depth.
    Part(f64),
}

/// What the mass is a function of.
#[derive(Clone, Copy)]
struct Point {
    probe: f64,
    pressure_pa: f64,
    bottom_k: f64,
    surface_k: f64,
    /// Of the vapour, where it is not saturated.
    vapour_k: Option<f64>,
    /// Added to the density of the gas in the lines, kg/m3.
    lines: f64,
    /// Added to the level that the probe gives, m.
    probe_m: f64,
    profile: Profile,
}

#[derive(Clone, Copy)]
struct Reckoned {
    mass_kg: f64,
    liquid_kg: f64,
    volume_m3: f64,
    level_m: f64,
    at_tap: bool,
    /// Level by its own probe's stated capacitances, m.
    probe_std_m: f64,
}

struct Vessel<'a> {
    strapping: &'a Strapping,
    level: LevelSource,
}

/// Mass of a bath whose liquid lies in layers.
#[expect(
    clippy::too_many_lines,
    reason = "one input after the other, straight down"
)]
pub(super) fn layered_mass(
    inputs: &Inputs<'_>,
    contents: &Contents,
    layers: &Stratified,
) -> Result<VesselMass, Reason> {
    let Contents::Bath {
        strapping,
        volume_std,
        level,
        pressure,
        vapour,
        ..
    } = contents
    else {
        return Err(Reason::InputBad);
    };
    let channel = match *level {
        LevelSource::Height { channel, .. }
        | LevelSource::DifferentialPressure { channel, .. }
        | LevelSource::Capacitance { channel, .. }
        | LevelSource::Volume { channel } => channel,
    };
    let probe = inputs.channel(channel)?;
    let pressure = inputs.pressure(*pressure)?;
    let bottom = inputs.temperature(layers.bottom)?;
    let surface = inputs.temperature(layers.surface)?;
    let over = match vapour {
        VapourState::Saturated => None,
        VapourState::Superheated(source) => Some(inputs.temperature(*source)?),
    };
    let vessel = Vessel {
        strapping,
        level: *level,
    };
    let at = Point {
        probe: probe.value,
        pressure_pa: pressure.value,
        bottom_k: bottom.value,
        surface_k: surface.value,
        vapour_k: over.as_ref().map(|input| input.value),
        lines: 0.0,
        probe_m: 0.0,
        profile: layers.interface.map_or(Profile::Even, |height| {
            Profile::Interface(height.value.si())
        }),
    };
    let whole = vessel.reckon(&at)?;

    let mut mass = VesselMass::new();
    mass.mass_kg = whole.mass_kg;
    mass.liquid_kg = Some(whole.liquid_kg);
    mass.level_m = Some(whole.level_m);
    mass.pressure_pa = Some(at.pressure_pa);
    mass.temperature_k = Some(f64::midpoint(at.bottom_k, at.surface_k));
    if whole.volume_m3 > 0.0 {
        mass.density_kg_m3 = Some(whole.liquid_kg / whole.volume_m3);
    }
    // A level in m, Pa or m3 at zero still needs a step.
    let floor = match level {
        LevelSource::Height { .. } => 0.1,
        LevelSource::DifferentialPressure { .. } => 10.0,
        LevelSource::Capacitance { .. } => 0.0,
        LevelSource::Volume { .. } => 1e-3,
    };
    let slope = |value: f64, floor: f64, nudged: &dyn Fn(f64) -> Point| {
        let step = STEP * value.abs().max(floor);
        let up = vessel.reckon(&nudged(value + step))?.mass_kg;
        let down = vessel.reckon(&nudged(value - step))?.mass_kg;
        Ok::<f64, Reason>((up - down) / (2.0 * step))
    };
    let mut add = |input: &Input, floor: f64, nudged: &dyn Fn(f64) -> Point| {
        mass.add(input, slope(input.value, floor, nudged)?);
        Ok::<(), Reason>(())
    };
    add(&probe, floor, &|probe| Point { probe, ..at })?;
    add(&pressure, 0.0, &|pressure_pa| Point { pressure_pa, ..at })?;
    add(&bottom, 0.0, &|bottom_k| Point { bottom_k, ..at })?;
    add(&surface, 0.0, &|surface_k| Point { surface_k, ..at })?;
    if let Some(over) = &over {
        add(over, 0.0, &|kelvin| Point {
            vapour_k: Some(kelvin),
            ..at
        })?;
    }
    let total = strapping.total();
    if total > 0.0 {
        let by_volume = whole.mass_kg / total * volume_std;
        mass.add_stated(StatedSource::Volume(inputs.vessel), by_volume);
    }
    mass.add_stated(
        StatedSource::LiquidModel,
        whole.liquid_kg * LIQUID_MODEL_STD,
    );
    let profile_kg = if let Some(height) = layers.interface {
        let by_height = slope(height.value.si(), 0.1, &|height| Point {
            profile: Profile::Interface(height),
            ..at
        })?;
        by_height * height.std
    } else {
        let with = |part: f64| {
            let profile = Profile::Part(part);
            vessel.reckon(&Point { profile, ..at })
        };
        let (low, high) = (with(0.5 - ANYWHERE)?, with(0.5 + ANYWHERE)?);
        (high.mass_kg - low.mass_kg) / 2.0
    };
    mass.add_stated(StatedSource::Layers(inputs.vessel), profile_kg);
    if let LevelSource::DifferentialPressure {
        lines: Some(lines), ..
    } = level
    {
        let by_lines = slope(0.0, 1.0, &|lines| Point { lines, ..at })?;
        let std = lines_gas(*lines, at.pressure_pa)?.std;
        mass.add_stated(StatedSource::Lines(inputs.vessel), by_lines * std);
    }
    if whole.probe_std_m > 0.0 {
        let by_level = slope(0.0, 0.1, &|probe_m| Point { probe_m, ..at })?;
        let source = StatedSource::LevelProbe(inputs.vessel);
        mass.add_stated(source, by_level * whole.probe_std_m);
    }
    if whole.at_tap {
        mass.lower(Quality::Uncertain, Reason::AtTap);
    }
    Ok(mass)
}

impl Vessel<'_> {
    fn reckon(&self, at: &Point) -> Result<Reckoned, Reason> {
        let liquid = Liquid::new(at)?;
        let vapour = vapour_density(at)?;
        let (level_m, at_tap, probe_std_m) = self.level_of(at, &liquid, vapour)?;
        let (low, high) = self.strapping.heights();
        let level_m = (level_m + at.probe_m).clamp(low, high);
        let volume = |height: f64| {
            self.strapping
                .volume_at(height.clamp(low, high))
                .map(|(volume, _)| volume)
                .map_err(|_| Reason::OutOfRange)
        };
        let mut liquid_kg = liquid.bottom_density(level_m) * volume(low)?;
        for (from, to, density) in liquid.slices(level_m) {
            liquid_kg += density * (volume(to)? - volume(from.max(low))?).max(0.0);
        }
        let volume_m3 = volume(level_m)?;
        let mass_kg = liquid_kg + (self.strapping.total() - volume_m3) * vapour;
        Ok(Reckoned {
            mass_kg,
            liquid_kg,
            volume_m3,
            level_m,
            at_tap,
            probe_std_m,
        })
    }

    /// The level, whether it stands at a tap, and what the probe's own numbers make it uncertain by.
    fn level_of(
        &self,
        at: &Point,
        liquid: &Liquid,
        vapour_density: f64,
    ) -> Result<(f64, bool, f64), Reason> {
        match self.level {
            LevelSource::Height { bottom, .. } => Ok((bottom.si() + at.probe, false, 0.0)),
            LevelSource::Volume { .. } => {
                let volume_m3 = at.probe.clamp(0.0, self.strapping.total());
                let level_m = self.strapping.height_at(volume_m3);
                Ok((level_m.map_err(|_| Reason::OutOfRange)?, false, 0.0))
            }
            LevelSource::DifferentialPressure {
                bottom_tap,
                top_tap,
                lines,
                ..
            } => {
                let column = DpColumn {
                    lower_tap_m: bottom_tap.si(),
                    tap_distance_m: top_tap.si() - bottom_tap.si(),
                    gravity_m_per_s2: STANDARD_GRAVITY_M_PER_S2,
                };
                let in_lines = match lines {
                    None => 0.0,
                    Some(stated) => lines_gas(stated, at.pressure_pa)?.density,
                };
                let mut found = Err(Reason::OutOfRange);
                settle(bottom_tap.si(), top_tap.si(), |level_m| {
                    let state = ColumnState {
                        dp_pa: at.probe,
                        liquid_density: liquid.mean_along(bottom_tap.si(), level_m),
                        vapour_density,
                        reference_density: in_lines + at.lines,
                    };
                    let content =
                        dp_bath(&column, self.strapping, &state).map_err(|_| Reason::OutOfRange)?;
                    found = Ok((content.level_m, content.limit.is_some(), 0.0));
                    Ok(content.level_m)
                })?;
                found
            }
            LevelSource::Capacitance {
                probe,
                empty_std_f,
                stray_std_f,
                ..
            } => {
                let (low, high) = (probe.lower_end_m, probe.lower_end_m + probe.active_length_m);
                let mut found = Err(Reason::OutOfRange);
                settle(low, high, |level_m| {
                    let density = liquid.mean_along(low, level_m);
                    let level = capacitance_level(&probe, at.probe, density, vapour_density)
                        .map_err(|_| Reason::OutOfRange)?;
                    let std_m = libm::hypot(
                        level.d_level_d_capacitance * stray_std_f,
                        level.d_level_d_empty * empty_std_f,
                    );
                    found = Ok((level.level_m, false, std_m));
                    Ok(level.level_m)
                })?;
                found
            }
        }
    }
}

/// Repeats `level = next(level)` until it stands; the mean density hardly moves with the level, so
/// a few rounds do.
fn settle(
    low: f64,
    high: f64,
    mut next: impl FnMut(f64) -> Result<f64, Reason>,
) -> Result<(), Reason> {
    let mut level = f64::midpoint(low, high);
    for _ in 0..60 {
        let after = next(level)?;
        if (after - level).abs() <= 1e-13 * high.abs().max(1.0) {
            return Ok(());
        }
        level = after;
    }
    Ok(())
}

/// Densities from the bottom up.
struct Liquid {
    even: [f64; SLICES as usize],
    bottom: f64,
    surface: f64,
    profile: Profile,
}

impl Liquid {
    fn new(at: &Point) -> Result<Self, Reason> {
        let density = |kelvin: f64| {
            helium::density_with_slopes(
                Temperature::new(kelvin),
                AbsolutePressure::new(at.pressure_pa),
                PhaseHint::Liquid,
            )
            .map(|found| found.density.si())
            .map_err(|_| Reason::OutsideModel)
        };
        let mut even = [0.0; SLICES as usize];
        if matches!(at.profile, Profile::Even) {
            for (number, slot) in (0u32..).zip(&mut even) {
                let part = (f64::from(number) + 0.5) / f64::from(SLICES);
                *slot = density(at.bottom_k + part * (at.surface_k - at.bottom_k))?;
            }
        }
        Ok(Self {
            even,
            bottom: density(at.bottom_k)?,
            surface: density(at.surface_k)?,
            profile: at.profile,
        })
    }

    /// (from, to, density) from the lowest inside point to the surface, m and kg/m3.
    fn slices(&self, level_m: f64) -> impl Iterator<Item = (f64, f64, f64)> {
        let interface = match self.profile {
            Profile::Even => None,
            Profile::Interface(height) => Some(height.clamp(0.0, level_m.max(0.0))),
            Profile::Part(part) => Some(part * level_m),
        };
        let layers =
            interface.map(|height| [(0.0, height, self.bottom), (height, level_m, self.surface)]);
        let even = self.even;
        let thickness = level_m / f64::from(SLICES);
        let evenly = (0..SLICES).zip(even).map(move |(number, density)| {
            let from = f64::from(number) * thickness;
            (from, from + thickness, density)
        });
        let take_even = layers.is_none();
        layers
            .into_iter()
            .flatten()
            .chain(evenly.filter(move |_| take_even))
    }

    /// Density at the lowest inside point.
    fn bottom_density(&self, level_m: f64) -> f64 {
        match self.profile {
            Profile::Interface(height) if height <= 0.0 && level_m > 0.0 => self.surface,
            _ => self.bottom,
        }
    }

    /// Mean density along the height between two heights.
    fn mean_along(&self, low: f64, high: f64) -> f64 {
        let (mut weighted, mut length) = (0.0, 0.0);
        for (from, to, density) in self.slices(high) {
            let part = (to.min(high) - from.max(low)).max(0.0);
            weighted += density * part;
            length += part;
        }
        if length > 0.0 {
            weighted / length
        } else {
            self.bottom_density(high)
        }
    }
}

/// Density of the vapour: saturated at the pressure, or as warm as stated.
fn vapour_density(at: &Point) -> Result<f64, Reason> {
    let pressure = AbsolutePressure::new(at.pressure_pa);
    let outside = |_| Reason::OutsideModel;
    match at.vapour_k {
        None => helium::saturation_at_pressure(pressure)
            .map(|saturation| saturation.vapour.si())
            .map_err(outside),
        Some(kelvin) => {
            let kelvin = Temperature::new(kelvin);
            helium::density_with_slopes(kelvin, pressure, PhaseHint::Vapour)
                .map(|found| found.density.si())
                .map_err(outside)
        }
    }
}
