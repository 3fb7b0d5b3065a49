//! The mass flow of helium through a metered line, with its uncertainty by cause.
//!
//! - a channel that is a mass flow: its reading;
//! - orifice or venturi: the device's equation ([`crate::instrument::flow`]) with density, viscosity
//!   and isentropic exponent of helium at the pressure and temperature before it;
//! - counter: what passed between its last two readings, over the time between them.
//!
//! Gas that is not all helium: the rest counts as air. A reading that is a mass flow of helium was
//! scaled by amount of substance (standard volumes, thermal meters), so the helium in it is the
//! stated fraction x. An orifice weighs: the mixture is denser, rho = rho_He M/M_He with
//! M = x M_He + (1 - x) M_air, and x M_He/M of its mass is helium.
//!
//! Slopes are total ones: the gas's density, viscosity and exponent move with pressure and
//! temperature, and the discharge coefficient with the flow (JCGM 100:2008, 5.1.3).

use crate::helium::{self, PhaseHint};
use crate::instrument::flow::{Constriction, DpFlow, GasState, HELIUM_MOLAR_MASS_KG_PER_MOL};
use crate::plant::{
    ChannelIx, ConstrictionMeter, Line, LineIx, MeterForm, MeterGroups, Plant, PressureSource,
    PuritySource, TemperatureSource,
};
use crate::quantity::{
    AbsolutePressure, GroupIx, MassFlow, Measured, Quality, Quantity, QuantityKind, Reason,
    SharedParts, Si, Temperature, add_shared,
};

use super::inventory::{GAS_MODEL_STD, Readings};

/// Molar mass of dry air, kg/mol. **Source**: ISO 2533:1975, standard atmosphere.
const AIR_MOLAR_MASS_KG_PER_MOL: f64 = 28.964_42e-3;

/// Outside the limits of the standard the uncertainty of the device counts this many times (common
/// practice, no source: ISO 5167-4 gives up to 3 % for a venturi in thin flow).
const OUTSIDE_STANDARD: f64 = 3.0;

/// Relative step of the differences that slopes come from.
const STEP: f64 = 1e-4;

/// The mass flow of helium through a line, in the direction of the line, with signed parts of its
/// uncertainty by shared source.
///
/// None when the line has no meter. A flow that cannot be told is of quality bad, with its reason.
/// Whether the line is open is not asked: a shut line's meter shows what it shows.
///
/// **Units** kg/s.
#[must_use]
pub fn meter_flow(
    plant: &Plant,
    readings: &dyn Readings,
    line: LineIx,
) -> Option<Measured<MassFlow>> {
    let described = plant.line(line)?;
    described.meter.as_ref()?;
    Some(told(plant, readings, line, described).unwrap_or_else(Measured::bad))
}

/// The channels that a line's meter reads from, in a fixed order.
#[must_use]
pub fn meter_channels(line: &Line) -> Vec<ChannelIx> {
    let Some(meter) = &line.meter else {
        return Vec::new();
    };
    let mut channels = match &meter.form {
        MeterForm::MassFlow(channel) => vec![*channel],
        MeterForm::Totaliser(totaliser) => vec![totaliser.count],
        MeterForm::Constriction(constriction) => {
            let mut channels = vec![constriction.pressure_difference];
            if let PressureSource::Channel(channel) = constriction.pressure {
                channels.push(channel);
            }
            if let TemperatureSource::Channel(channel) = constriction.temperature {
                channels.push(channel);
            }
            channels
        }
    };
    if let Some(PuritySource::Channel(channel)) = meter.purity {
        channels.push(channel);
    }
    channels
}

fn told(
    plant: &Plant,
    readings: &dyn Readings,
    ix: LineIx,
    line: &Line,
) -> Result<Measured<MassFlow>, Reason> {
    let meter = line.meter.as_ref().ok_or(Reason::InputBad)?;
    let inputs = Inputs {
        plant,
        readings,
        groups: &meter.groups,
    };
    let purity = inputs.purity(meter.purity)?;
    match &meter.form {
        MeterForm::MassFlow(channel) => {
            let read = inputs.channel(*channel)?;
            Ok(helium_part(read.map(|si| MassFlow::from_si(si.0)), &purity))
        }
        MeterForm::Totaliser(_) => {
            let counted = readings.counted(ix).ok_or(Reason::NeverRead)?;
            if !counted.is_usable() {
                return Err(counted.reason);
            }
            Ok(helium_part(counted.clone(), &purity))
        }
        MeterForm::Constriction(constriction) => through(&inputs, constriction, &purity),
    }
}

/// The helium in a flow that was scaled by amount of substance.
fn helium_part(flow: Measured<MassFlow>, purity: &Measured<Si>) -> Measured<MassFlow> {
    let (x, all) = (purity.value.0, flow.value.si());
    let (quality, reason) = (flow.quality, flow.reason);
    let mut sum = Sum::new(all * x, quality, reason);
    sum.add(&flow.map(|q| Si(q.si())), x);
    sum.add(purity, all);
    sum.flow()
}

fn through(
    inputs: &Inputs<'_>,
    meter: &ConstrictionMeter,
    purity: &Measured<Si>,
) -> Result<Measured<MassFlow>, Reason> {
    let dp = inputs.channel(meter.pressure_difference)?;
    let pressure = inputs.pressure(meter.pressure)?;
    let temperature = inputs.temperature(meter.temperature)?;
    let at = Point {
        dp_pa: dp.value.0,
        pressure_pa: pressure.value.0,
        kelvin: temperature.value.0,
        fraction: purity.value.0,
    };
    let (flow, part, density) = at.flow(&meter.device)?;
    let q = flow.mass_flow_kg_per_s * part;
    let mut sum = Sum::new(q, Quality::Good, Reason::None);
    let mut device_std = flow.device_std * part;
    if !flow.within_limits && !flow.cut_off {
        device_std *= OUTSIDE_STANDARD;
        sum.lower(Quality::Uncertain, Reason::OutsideStandard);
    }
    sum.stated(inputs.groups.device, device_std);
    let slope = |value: f64, nudged: &dyn Fn(f64) -> Point| {
        let step = STEP * value.abs();
        let up = nudged(value + step).helium(&meter.device)?;
        let down = nudged(value - step).helium(&meter.device)?;
        Ok::<f64, Reason>(if step > 0.0 {
            (up - down) / (2.0 * step)
        } else {
            0.0
        })
    };
    sum.add(&dp, flow.d_flow_d_dp * part);
    let by_pressure = slope(at.pressure_pa, &|pressure_pa| Point { pressure_pa, ..at })?;
    sum.add(&pressure, by_pressure);
    let by_kelvin = slope(at.kelvin, &|kelvin| Point { kelvin, ..at })?;
    sum.add(&temperature, by_kelvin);
    if purity.value.0 < 1.0 || purity.combined_std() > 0.0 {
        let by_fraction = slope(at.fraction, &|fraction| Point { fraction, ..at })?;
        sum.add(purity, by_fraction);
    }
    let b4 = libm::pow(meter.device.beta(), 4.0);
    // ISO 5167-1:2003, 8.2.2.1: the sensitivities of the flow to bore and pipe.
    let by_throat = 2.0 / (1.0 - b4) / meter.device.throat_diameter_m;
    let by_pipe = -2.0 * b4 / (1.0 - b4) / meter.device.pipe_diameter_m;
    sum.stated(inputs.groups.throat, q * by_throat * meter.throat_std_m);
    sum.stated(inputs.groups.pipe, q * by_pipe * meter.pipe_std_m);
    let by_model = flow.d_flow_d_density * part * density * GAS_MODEL_STD;
    sum.stated(inputs.groups.model, by_model);
    Ok(sum.flow())
}

/// What an orifice or a venturi stands in.
#[derive(Clone, Copy)]
struct Point {
    dp_pa: f64,
    pressure_pa: f64,
    kelvin: f64,
    fraction: f64,
}

impl Point {
    /// Flow of the gas, the part of its mass that is helium, and its density.
    fn flow(&self, device: &Constriction) -> Result<(DpFlow, f64, f64), Reason> {
        let (t, p) = (
            Temperature::new(self.kelvin),
            AbsolutePressure::new(self.pressure_pa),
        );
        let state = helium::state(t, p, PhaseHint::Stable).map_err(|_| Reason::OutsideModel)?;
        let pure = state.density_kg_per_m3;
        let viscosity = helium::viscosity_pa_s(t, crate::quantity::Density::new(pure))
            .map_err(|_| Reason::OutsideModel)?;
        let x = self.fraction;
        let molar_mass = x * HELIUM_MOLAR_MASS_KG_PER_MOL + (1.0 - x) * AIR_MOLAR_MASS_KG_PER_MOL;
        let density = pure * molar_mass / HELIUM_MOLAR_MASS_KG_PER_MOL;
        let gas = GasState {
            pressure_pa: self.pressure_pa,
            density,
            viscosity_pa_s: viscosity,
            isentropic_exponent: state.isentropic_exponent(),
        };
        let flow = device
            .flow(self.dp_pa, &gas)
            .map_err(|_| Reason::OutsideStandard)?;
        Ok((flow, x * HELIUM_MOLAR_MASS_KG_PER_MOL / molar_mass, density))
    }

    fn helium(&self, device: &Constriction) -> Result<f64, Reason> {
        let (flow, part, _) = self.flow(device)?;
        Ok(flow.mass_flow_kg_per_s * part)
    }
}

/// A flow while its uncertainty is added up.
struct Sum {
    value: f64,
    variance: f64,
    shared: SharedParts,
    quality: Quality,
    reason: Reason,
}

impl Sum {
    fn new(value: f64, quality: Quality, reason: Reason) -> Self {
        Self {
            value,
            variance: 0.0,
            shared: SharedParts::new(),
            quality,
            reason,
        }
    }

    fn add(&mut self, input: &Measured<Si>, slope: f64) {
        let own = slope * input.independent_std;
        self.variance += own * own;
        add_shared(&mut self.shared, &input.shared, slope);
        self.lower(input.quality, input.reason);
    }

    fn stated(&mut self, group: GroupIx, signed_std: f64) {
        if signed_std != 0.0 {
            add_shared(
                &mut self.shared,
                &SharedParts::from_iter([(group, signed_std)]),
                1.0,
            );
        }
    }

    fn lower(&mut self, quality: Quality, reason: Reason) {
        if quality > self.quality {
            self.quality = quality;
            self.reason = reason;
        }
    }

    fn flow(self) -> Measured<MassFlow> {
        if !self.value.is_finite() {
            return Measured::bad(Reason::OutsideModel);
        }
        Measured {
            value: MassFlow::new(self.value),
            independent_std: libm::sqrt(self.variance),
            shared: self.shared,
            quality: self.quality,
            reason: self.reason,
        }
    }
}

/// What a meter reads from.
struct Inputs<'a> {
    plant: &'a Plant,
    readings: &'a dyn Readings,
    groups: &'a MeterGroups,
}

impl Inputs<'_> {
    fn channel(&self, ix: ChannelIx) -> Result<Measured<Si>, Reason> {
        let measured = self.readings.measured(ix).ok_or(Reason::NeverRead)?;
        if measured.is_usable() {
            Ok(measured.clone())
        } else {
            Err(match measured.reason {
                Reason::NeverRead => Reason::NeverRead,
                _ => Reason::InputBad,
            })
        }
    }

    /// The barometer, or the stated air in its place.
    fn air(&self) -> Measured<Si> {
        let site = &self.plant.site;
        let stated = || {
            let air = site.air_pressure;
            Measured::good(
                Si(air.value.si()),
                0.0,
                SharedParts::from_iter([(self.groups.air, air.std)]),
            )
        };
        match site.barometer {
            None => stated(),
            Some(barometer) => self
                .channel(barometer)
                .unwrap_or_else(|_| stated().with_quality(Quality::Uncertain, Reason::Substituted)),
        }
    }

    fn pressure(&self, source: PressureSource) -> Result<Measured<Si>, Reason> {
        let (mut read, over) = match source {
            PressureSource::Air { over_pa } => {
                let mut air = self.air();
                air.value.0 += over_pa;
                return Ok(air);
            }
            PressureSource::Channel(ix) => {
                let gauge = self
                    .plant
                    .channel(ix)
                    .is_some_and(|channel| channel.kind == QuantityKind::GaugePressure);
                (self.channel(ix)?, gauge.then(|| self.air()))
            }
        };
        if let Some(air) = over {
            read.value.0 += air.value.0;
            read.independent_std = libm::hypot(read.independent_std, air.independent_std);
            add_shared(&mut read.shared, &air.shared, 1.0);
            if air.quality > read.quality {
                (read.quality, read.reason) = (air.quality, air.reason);
            }
        }
        Ok(read)
    }

    fn temperature(&self, source: TemperatureSource) -> Result<Measured<Si>, Reason> {
        match source {
            TemperatureSource::Channel(ix) => self.channel(ix),
            TemperatureSource::Stated(stated) => Ok(Measured::good(
                Si(stated.value.si()),
                0.0,
                SharedParts::from_iter([(self.groups.temperature, stated.std)]),
            )),
        }
    }

    fn purity(&self, source: Option<PuritySource>) -> Result<Measured<Si>, Reason> {
        match source {
            None => Ok(Measured::good(Si(1.0), 0.0, SharedParts::new())),
            Some(PuritySource::Channel(ix)) => self.channel(ix),
            Some(PuritySource::Stated(stated)) => Ok(Measured::good(
                Si(stated.value.si()),
                0.0,
                SharedParts::from_iter([(self.groups.purity, stated.std)]),
            )),
        }
    }
}
