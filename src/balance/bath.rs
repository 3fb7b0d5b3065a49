//! Liquid with vapour above it: m = Vl(h) rho_l + (V - Vl(h)) rho_v.
//!
//! The level h is a reading, or follows from a differential pressure or a capacitance and the
//! densities, as [`crate::instrument::level`] has it; a stated bias of a wire probe in superfluid is
//! taken off. Liquid in layers is reckoned in `layers`.

use smallvec::SmallVec;

use super::inventory::{Input, Inputs, LIQUID_MODEL_STD, StatedSource, VesselMass};
use super::layers::layered_mass;
use crate::helium::{self, PhaseHint};
use crate::instrument::level::{
    ColumnLimit, ColumnState, DpColumn, STANDARD_GRAVITY_M_PER_S2, Strapping, capacitance_level,
    dp_bath,
};
use crate::plant::{Contents, LevelSource, LiquidState, Stated, VapourState};
use crate::quantity::{AbsolutePressure, Quality, Reason, Temperature};

/// Specific gas constant of helium, J/(kg K): 8.31446261815324 J/(mol K) over 4.002602e-3 kg/mol.
const SPECIFIC_GAS_CONSTANT: f64 = 8.31446261815324 / 4.002602e-3;

/// Below this a bath's vapour is reckoned as an ideal gas, since the equation of state ends at the
/// lambda line; at 2.1768 K and 5 kPa that is 1.5 % of 1.1 kg/m3.
const VAPOUR_EQUATION_FROM_K: f64 = 2.1768;

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
        // Reckoned by layers, not here.
        LiquidState::Stratified(_) => Err(Reason::InputBad),
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

/// Mass of liquid and vapour of a bath.
pub(super) fn bath_mass(inputs: &Inputs, contents: &Contents) -> Result<VesselMass, Reason> {
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
    if let LiquidState::Stratified(layers) = liquid {
        return layered_mass(inputs, contents, layers);
    }
    let pressure = inputs.pressure(*pressure)?;
    let (liquid, kelvin) = liquid_density(inputs, *liquid, pressure.value)?;
    let vapour = vapour_density(inputs, *vapour, pressure.value, kelvin)?;
    let at = Bath {
        strapping,
        pressure_pa: pressure.value,
        kelvin,
        liquid_density: liquid.density,
        vapour_density: vapour.density,
    };
    let surface = at.surface(inputs, *level)?;
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
        surface.by_liquid * liquid.per_pa + surface.by_vapour * vapour.per_pa + surface.by_pressure,
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
    for (stated, std_kg) in surface.stated {
        mass.add_stated(stated, std_kg);
    }
    if surface.at_tap {
        mass.lower(Quality::Uncertain, Reason::AtTap);
    }
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
    /// kg per Pa, beside what the densities move.
    by_pressure: f64,
    /// Signed standard uncertainty by stated number, kg.
    stated: SmallVec<[(StatedSource, f64); 2]>,
    /// The level stands at a tap.
    at_tap: bool,
}

/// A bath but for its level.
struct Bath<'a> {
    strapping: &'a Strapping,
    pressure_pa: f64,
    kelvin: f64,
    liquid_density: f64,
    vapour_density: f64,
}

impl Bath<'_> {
    #[expect(clippy::too_many_lines, reason = "one arm for each kind of level")]
    fn surface(&self, inputs: &Inputs<'_>, level: LevelSource) -> Result<Surface, Reason> {
        match level {
            LevelSource::Height {
                channel,
                bottom,
                superfluid_bias,
            } => {
                let probe = inputs.channel(channel)?;
                let bias = superfluid_bias.filter(|_| is_superfluid(self.kelvin, self.pressure_pa));
                let (low, high) = self.strapping.heights();
                // Noise may put an empty or a brim-full bath a little outside; the vessel is what
                // it is.
                let level_m = (bottom.si() + probe.value - bias.map_or(0.0, |b| b.value.si()))
                    .clamp(low, high);
                let (surface, area) = self.at_height(level_m, probe)?;
                let stated = bias.map(|bias| {
                    let by_height = area * (self.liquid_density - self.vapour_density);
                    let source = StatedSource::LevelProbe(inputs.vessel);
                    (source, -by_height * bias.std)
                });
                Ok(Surface {
                    by_probe: area * (self.liquid_density - self.vapour_density),
                    stated: stated.into_iter().collect(),
                    ..surface
                })
            }
            LevelSource::Volume { channel } => {
                let read = inputs.channel(channel)?;
                let volume_m3 = read.value.clamp(0.0, self.strapping.total());
                let level_m = self
                    .strapping
                    .height_at(volume_m3)
                    .map_err(|_| Reason::OutOfRange)?;
                let (surface, _) = self.at_height(level_m, read)?;
                Ok(Surface {
                    volume_m3,
                    by_probe: self.liquid_density - self.vapour_density,
                    by_liquid: volume_m3,
                    by_vapour: self.strapping.total() - volume_m3,
                    ..surface
                })
            }
            LevelSource::Capacitance {
                channel,
                probe,
                empty_std_f,
                stray_std_f,
            } => {
                let read = inputs.channel(channel)?;
                let level =
                    capacitance_level(&probe, read.value, self.liquid_density, self.vapour_density)
                        .map_err(|_| Reason::OutOfRange)?;
                let (low, high) = self.strapping.heights();
                let (surface, area) = self.at_height(level.level_m.clamp(low, high), read)?;
                let by_height = area * (self.liquid_density - self.vapour_density);
                let probe_std = libm::hypot(
                    level.d_level_d_capacitance * stray_std_f,
                    level.d_level_d_empty * empty_std_f,
                );
                Ok(Surface {
                    by_probe: by_height * level.d_level_d_capacitance,
                    by_liquid: surface.by_liquid + by_height * level.d_level_d_liquid_density,
                    by_vapour: surface.by_vapour + by_height * level.d_level_d_vapour_density,
                    stated: SmallVec::from_iter([(
                        StatedSource::LevelProbe(inputs.vessel),
                        by_height * probe_std,
                    )]),
                    ..surface
                })
            }
            LevelSource::DifferentialPressure {
                channel,
                bottom_tap,
                top_tap,
                lines,
            } => {
                let probe = inputs.channel(channel)?;
                let column = DpColumn {
                    lower_tap_m: bottom_tap.si(),
                    tap_distance_m: top_tap.si() - bottom_tap.si(),
                    gravity_m_per_s2: STANDARD_GRAVITY_M_PER_S2,
                };
                let in_lines = lines
                    .map(|at| lines_gas(at, self.pressure_pa))
                    .transpose()?;
                let state = ColumnState {
                    dp_pa: probe.value,
                    liquid_density: self.liquid_density,
                    vapour_density: self.vapour_density,
                    reference_density: in_lines.map_or(0.0, |gas| gas.density),
                };
                let content =
                    dp_bath(&column, self.strapping, &state).map_err(|_| Reason::OutOfRange)?;
                let mut stated = SmallVec::new();
                let mut by_pressure = 0.0;
                if let Some(gas) = in_lines {
                    let slope = content.d_mass_d_reference_density;
                    by_pressure = slope * gas.per_pa;
                    stated.push((StatedSource::Lines(inputs.vessel), slope * gas.std));
                }
                if let Some(limit) = content.limit {
                    let std_kg = self.beyond(limit, content.level_m)?;
                    stated.push((StatedSource::BeyondTap(inputs.vessel), std_kg));
                }
                Ok(Surface {
                    level_m: content.level_m,
                    volume_m3: content.liquid_volume_m3,
                    probe,
                    by_probe: content.d_mass_d_dp,
                    by_liquid: content.d_mass_d_liquid_density,
                    by_vapour: content.d_mass_d_vapour_density,
                    by_pressure,
                    stated,
                    at_tap: content.limit.is_some(),
                })
            }
        }
    }

    /// A surface at a height, with the area there.
    fn at_height(&self, level_m: f64, probe: Input) -> Result<(Surface, f64), Reason> {
        let (volume_m3, area) = self
            .strapping
            .volume_at(level_m)
            .map_err(|_| Reason::OutOfRange)?;
        let surface = Surface {
            level_m,
            volume_m3,
            probe,
            by_probe: 0.0,
            by_liquid: volume_m3,
            by_vapour: self.strapping.total() - volume_m3,
            by_pressure: 0.0,
            stated: SmallVec::new(),
            at_tap: false,
        };
        Ok((surface, area))
    }

    /// What may lie beyond a tap that the level stands at, kg: the root mean square of a level that
    /// may be anywhere between the tap and the end of the vessel.
    fn beyond(&self, limit: ColumnLimit, tap_m: f64) -> Result<f64, Reason> {
        let (at_tap, _) = self
            .strapping
            .volume_at(tap_m)
            .map_err(|_| Reason::OutOfRange)?;
        let hidden = match limit {
            ColumnLimit::AtLowerTap => at_tap,
            ColumnLimit::AtUpperTap => self.strapping.total() - at_tap,
        };
        Ok(hidden * (self.liquid_density - self.vapour_density) / libm::sqrt(3.0))
    }
}

/// Whether liquid is superfluid.
fn is_superfluid(kelvin: f64, pressure_pa: f64) -> bool {
    let lambda = helium::lambda_temperature(AbsolutePressure::new(pressure_pa))
        .map_or(helium::LAMBDA_TEMPERATURE_K, Temperature::si);
    kelvin < lambda
}

/// Gas in the lines of a differential pressure.
#[derive(Clone, Copy)]
pub(super) struct LinesGas {
    pub(super) density: f64,
    pub(super) per_pa: f64,
    /// Standard uncertainty from the stated temperature, kg/m3.
    pub(super) std: f64,
}

pub(super) fn lines_gas(at: Stated<Temperature>, pressure_pa: f64) -> Result<LinesGas, Reason> {
    let slopes = helium::density_with_slopes(
        at.value,
        AbsolutePressure::new(pressure_pa),
        PhaseHint::Stable,
    )
    .map_err(|_| Reason::OutsideModel)?;
    Ok(LinesGas {
        density: slopes.density.si(),
        per_pa: slopes.d_dp,
        std: slopes.d_dt * at.std,
    })
}
