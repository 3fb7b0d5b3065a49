//! Room left: how long until gas must be vented if the compressors stop now.
//!
//! Without compressors gas goes only where the pressure of the baths drives it: into the bag, which
//! stands a few mbar above the air, and into a tank whose pressure lies below that of every bath
//! that boils, up to that pressure. A tank at several bar or a cylinder bank at 200 bar is out of
//! reach however empty it is; it is listed apart, as room that a compressor which still runs could
//! fill. A pumped bath lies below the air: its gas reaches the bag only while its pump runs, so it
//! sets no pressure here, but its boil-off is counted, which is on the safe side.
//!
//! Room is what a store holds when full (`full-at` of the description) less what it holds:
//! - bag: (V_full - V) rho;
//! - tank: V (rho(T, p) - rho(T, p_now)) with p the lower of `full-at` and what drives the gas.
//!
//! What boils off, bath by bath, from the first of these that is to be had:
//! 1. its mass over the last hour, while every supply to its section was shut for all of it;
//! 2. the meters on lines that leave its section, when it is the only bath there and every line that
//!    leaves and is not shut has one;
//! 3. what the description states for it (`boil-off`).
//!
//! A site's own stated `boil-off` stands for the total when one of its baths has none of these.
//!
//! The hours are room over boil-off. Their standard uncertainty follows from both by the law of
//! propagation (JCGM 100:2008, 5.1.2; relative variances add in a quotient); the 95 % band is 1.96 of
//! it to either side, not below zero.

use serde::{Deserialize, Serialize};

use super::inventory::{Readings, VesselMass};
use super::meter::meter_flow;
use super::report::{BoilOffFrom, RoomLeft};
use super::tally::Tally;
use crate::helium::{self, PhaseHint};
use crate::plant::{
    Contents, End, FullAt, Id, Line, LineIx, LiquidState, Passage, Plant, PressureSource, Vessel,
    VesselIx,
};
use crate::quantity::{AbsolutePressure, Quality, Temperature};
use crate::time::{Monotonic, Span};

/// Half-width of a 95 % band, in standard uncertainties.
const BAND_95: f64 = 1.96;
/// A trend counts when it is this many of its standard uncertainties.
const CERTAIN: f64 = 2.0;

/// Whether the supply of each bath has been shut for long enough to see what boils off.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct SupplyWatch {
    shut_since: Vec<Option<Monotonic>>,
}

impl SupplyWatch {
    /// Takes the state of the lines at a tick.
    pub fn tick(&mut self, plant: &Plant, passages: &[Passage], now: Monotonic) {
        self.shut_since.resize(plant.all.vessel.len(), None);
        for (vessel, since) in plant.all.vessel.iter().zip(&mut self.shut_since) {
            *since = if supply_is_shut(plant, passages, vessel) {
                Some(since.unwrap_or(now))
            } else {
                None
            };
        }
    }

    fn shut_for_an_hour(&self, vessel: VesselIx, now: Monotonic) -> bool {
        let since = self.shut_since.get(vessel.index()).copied().flatten();
        since.is_some_and(|since| now - since >= Span::HOUR)
    }
}

/// Every line that leads into its section is known to be shut, and there is one.
fn supply_is_shut(plant: &Plant, passages: &[Passage], vessel: &Vessel) -> bool {
    let into = End::Section(vessel.section);
    let mut supplies = plant
        .all
        .line
        .iter()
        .zip(passages)
        .filter(|(line, _)| line.to == into && line.from != into)
        .peekable();
    matches!(vessel.contents, Contents::Bath { .. })
        && supplies.peek().is_some()
        && supplies.all(|(_, passage)| *passage == Passage::Shut)
}

/// What the room is reckoned from.
pub struct RoomNow<'a> {
    /// Continuous monotonic time.
    pub now: Monotonic,
    /// Each vessel's mass.
    pub masses: &'a [VesselMass],
    /// The readings they rest on.
    pub readings: &'a dyn Readings,
    /// State of each line.
    pub passages: &'a [Passage],
    /// Supplies.
    pub supply: &'a SupplyWatch,
    /// Change of a vessel over the last hour, kg with standard uncertainty.
    pub change_over_hour: &'a dyn Fn(VesselIx) -> Option<(f64, f64)>,
}

/// Room for gas; none when no store of the description says where it is full.
#[must_use]
pub fn room_left(plant: &Plant, now: &RoomNow<'_>) -> Option<RoomLeft> {
    if plant
        .all
        .vessel
        .iter()
        .all(|vessel| vessel.full_at.is_none())
    {
        return None;
    }
    let driving_pa = driving_pressure(plant, now);
    let (mut by_vessel, mut by_compressor) = (Vec::new(), Vec::new());
    let (mut free_kg, mut free_kg2) = (0.0, 0.0);
    for (vessel, mass) in plant.all.vessel.iter().zip(now.masses) {
        let Some(space) = space(vessel, mass, driving_pa) else {
            continue;
        };
        if let Some(kg) = space.reachable_kg {
            let std = libm::sqrt(Tally::of([mass], now.readings).variance_kg2());
            free_kg += kg;
            free_kg2 += std * std;
            by_vessel.push((Id::clone(&vessel.id), kg));
        }
        if space.by_compressor_kg > 0.0 {
            by_compressor.push((Id::clone(&vessel.id), space.by_compressor_kg));
        }
    }
    let boil_off = boil_off(plant, now);
    let free_std_kg = libm::sqrt(free_kg2);
    let hours = boil_off
        .total
        .filter(|(rate, _)| *rate > 0.0)
        .map(|(rate, std)| hours(free_kg, free_std_kg, rate, std));
    let (rate, std) = boil_off.total.unwrap_or((0.0, 0.0));
    Some(RoomLeft {
        hours: hours.map(|(hours, _)| hours),
        hours_band: hours.map(|(_, band)| band),
        free_kg,
        free_std_kg,
        by_vessel,
        boil_off_kg_per_s: rate,
        boil_off_std_kg_per_s: std,
        boil_off_from: boil_off.from,
        by_compressor,
    })
}

fn hours(free_kg: f64, free_std_kg: f64, rate: f64, rate_std: f64) -> (f64, (f64, f64)) {
    let per_hour = 3600.0 * rate;
    let hours = free_kg / per_hour;
    let std = libm::hypot(free_std_kg / per_hour, hours * rate_std / rate);
    let band = ((hours - BAND_95 * std).max(0.0), hours + BAND_95 * std);
    (hours, band)
}

/// The lowest pressure of the baths that boil into the plant by themselves, Pa.
fn driving_pressure(plant: &Plant, now: &RoomNow<'_>) -> Option<f64> {
    plant
        .all
        .vessel
        .iter()
        .zip(now.masses)
        .filter(|(vessel, mass)| {
            let pumped = matches!(
                vessel.contents,
                Contents::Bath {
                    liquid: LiquidState::Pumped(_),
                    ..
                }
            );
            matches!(vessel.contents, Contents::Bath { .. })
                && !pumped
                && mass.liquid_kg.is_some_and(|kg| kg > 0.0)
        })
        .filter_map(|(_, mass)| mass.pressure_pa)
        .min_by(f64::total_cmp)
}

struct Space {
    /// None where gas cannot go without a compressor.
    reachable_kg: Option<f64>,
    by_compressor_kg: f64,
}

fn space(vessel: &Vessel, mass: &VesselMass, driving_pa: Option<f64>) -> Option<Space> {
    if mass.quality == Quality::Bad {
        return None;
    }
    match (vessel.full_at?, &vessel.contents) {
        (FullAt::Volume(full), Contents::Bag { .. }) => {
            let density = mass.density_kg_m3.filter(|density| *density > 0.0)?;
            Some(Space {
                reachable_kg: Some((full.si() * density - mass.mass_kg).max(0.0)),
                by_compressor_kg: 0.0,
            })
        }
        (
            FullAt::Pressure(full),
            Contents::Fluid {
                volume, pressure, ..
            },
        ) => {
            // One that is open to the air is no store.
            if matches!(pressure, PressureSource::Air { .. }) {
                return None;
            }
            let (now_pa, kelvin) = (mass.pressure_pa?, mass.temperature_k?);
            let density = mass.density_kg_m3.filter(|density| *density > 0.0)?;
            // The helium fraction stays as it is.
            let per_m3 = density / density_at(kelvin, now_pa)?;
            let room = |to_pa: f64| -> Option<f64> {
                let dense = per_m3 * density_at(kelvin, to_pa)?;
                Some((volume.value.si() * (dense - density)).max(0.0))
            };
            let full_kg = room(full.si())?;
            let reachable_kg = match driving_pa {
                Some(driving_pa) if now_pa < driving_pa => Some(room(driving_pa.min(full.si()))?),
                _ => None,
            };
            Some(Space {
                reachable_kg,
                by_compressor_kg: full_kg - reachable_kg.unwrap_or(0.0),
            })
        }
        _ => None,
    }
}

fn density_at(kelvin: f64, pa: f64) -> Option<f64> {
    let (t, p) = (Temperature::new(kelvin), AbsolutePressure::new(pa));
    let slopes = helium::density_with_slopes(t, p, PhaseHint::Stable).ok()?;
    Some(slopes.density.si()).filter(|density| *density > 0.0)
}

struct BoilOff {
    /// kg/s with standard uncertainty; none while one bath's is not known.
    total: Option<(f64, f64)>,
    from: Vec<(Id, BoilOffFrom)>,
}

fn boil_off(plant: &Plant, now: &RoomNow<'_>) -> BoilOff {
    let (mut rate, mut variance, mut known) = (0.0, 0.0, true);
    let mut from = Vec::new();
    for ((number, vessel), mass) in (0u32..).zip(&plant.all.vessel).zip(now.masses) {
        if !matches!(vessel.contents, Contents::Bath { .. }) || is_empty(mass) {
            continue;
        }
        let found = of_bath(plant, now, VesselIx(number), vessel, mass);
        let source = found.map_or(BoilOffFrom::Unknown, |(_, source)| source);
        from.push((Id::clone(&vessel.id), source));
        if let Some(((kg_per_s, std), _)) = found {
            rate += kg_per_s;
            variance += std * std;
        }
        known &= found.is_some();
    }
    if !known && let Some(stated) = plant.site.boil_off {
        return BoilOff {
            total: Some((stated.value.si(), stated.std)),
            from: vec![(Id::clone(&plant.site.id), BoilOffFrom::Stated)],
        };
    }
    BoilOff {
        total: (known && !from.is_empty()).then(|| (rate, libm::sqrt(variance))),
        from,
    }
}

/// Warm, or without liquid: nothing boils there.
fn is_empty(mass: &VesselMass) -> bool {
    mass.quality != Quality::Bad && mass.liquid_kg.is_none_or(|kg| kg <= 0.0)
}

type Rate = ((f64, f64), BoilOffFrom);

fn of_bath(
    plant: &Plant,
    now: &RoomNow<'_>,
    ix: VesselIx,
    vessel: &Vessel,
    mass: &VesselMass,
) -> Option<Rate> {
    let trend = (now.supply.shut_for_an_hour(ix, now.now) && mass.quality == Quality::Good)
        .then(|| (now.change_over_hour)(ix))
        .flatten()
        .filter(|(kg, std)| -kg > CERTAIN * std)
        .map(|(kg, std)| (-kg / 3600.0, std / 3600.0));
    if let Some(rate) = trend {
        return Some((rate, BoilOffFrom::Trend));
    }
    if let Some(rate) = metered(plant, now, vessel) {
        return Some((rate, BoilOffFrom::Meters));
    }
    let stated = vessel.boil_off?;
    Some(((stated.value.si(), stated.std), BoilOffFrom::Stated))
}

fn metered(plant: &Plant, now: &RoomNow<'_>, vessel: &Vessel) -> Option<(f64, f64)> {
    let section = plant.section(vessel.section)?;
    let baths = section
        .vessels
        .iter()
        .filter_map(|ix| plant.vessel(*ix))
        .filter(|other| matches!(other.contents, Contents::Bath { .. }));
    if baths.count() != 1 {
        return None;
    }
    let out = End::Section(vessel.section);
    let leaves = |line: &&Line| line.from == out && line.to != out;
    let (mut rate, mut variance, mut meters) = (0.0, 0.0, 0);
    for ((number, line), passage) in (0u32..).zip(&plant.all.line).zip(now.passages) {
        if !leaves(&line) || *passage == Passage::Shut {
            continue;
        }
        let measured = meter_flow(plant, now.readings, LineIx(number))?;
        if !measured.is_usable() {
            return None;
        }
        let std = measured.combined_std();
        rate += measured.value.si();
        variance += std * std;
        meters += 1;
    }
    (meters > 0 && rate > 0.0).then(|| (rate, libm::sqrt(variance)))
}
