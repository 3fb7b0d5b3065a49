//! Halls: oxygen as the monitors tell it, and what a release would do to it.

use serde::Serialize;

use super::Scene;
use super::losses::UNCERTAINTY;
use crate::air::{
    Fan, HallAir, HeliumRelease, NOT_FOR_SAFETY_DESIGN, OUTSIDE_OXYGEN, Scenario,
    WELL_MIXED_CAUTION,
};
use crate::console::words::{Figure, QualityFact};
use crate::engine::view::{ChannelView, VesselView};
use crate::plant::{ChannelIx, Hall, OxygenMonitor};
use crate::quantity::{
    AbsolutePressure, Duration, Fraction, Mass, Measured, Quality, Quantity, QuantityKind, Reason,
    SharedParts, Temperature,
};

/// Temperature that released helium is taken to have in a hall, K: 20 degrees Celsius.
const HALL_K: f64 = 293.15;
/// How long the release of the largest vessel is taken to last, s: a burst first, which is the worse, then
/// a slow one, which a fan may keep up with.
const BURST_S: f64 = 60.0;
const SLOW_S: f64 = 3600.0;

/// Every hall.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HallFacts {
    /// What these figures are not for.
    pub mark: &'static str,
    /// What the reckoning leaves out.
    pub caution: &'static str,
    /// What every ± on it means.
    pub uncertainty: &'static str,
    /// Air pressure used.
    pub air_pressure: Figure,
    /// How far it can be used.
    pub air_pressure_quality: QualityFact,
    /// Each, in the order of the description.
    pub halls: Vec<HallFact>,
}

/// One hall.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HallFact {
    /// Text id.
    pub id: String,
    /// Name.
    pub name: String,
    /// Its fan, in words.
    pub fan: String,
    /// Its monitors.
    pub oxygen: Vec<OxygenFact>,
    /// The lowest fraction that a usable monitor tells, in words.
    pub lowest: String,
    /// The lowest fraction that a usable monitor tells, 1.
    pub lowest_fraction: Option<f64>,
    /// What a release of the largest vessel would do; none without a vessel whose mass is known.
    pub release: Option<ReleaseFact>,
}

/// One oxygen monitor.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OxygenFact {
    /// Channel, by id.
    pub channel: String,
    /// What it measures.
    pub name: String,
    /// Fraction; of a cell that reads partial pressure, by the barometer.
    pub fraction: Figure,
    /// How far the fraction can be used.
    pub fraction_quality: QualityFact,
    /// Partial pressure.
    pub partial_pressure: Figure,
    /// How far the partial pressure can be used.
    pub partial_pressure_quality: QualityFact,
}

/// The largest vessel of a hall's sections, released evenly. An information, not a prediction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReleaseFact {
    /// The vessel, by id.
    pub vessel: String,
    /// What it holds now, kg.
    pub mass_kg: f64,
    /// How long a burst is taken to last, s.
    pub over_s: f64,
    /// Oxygen at its end, well mixed, mole fraction.
    pub oxygen_at_end: f64,
    /// How long a slow release is taken to last, s.
    pub slow_over_s: f64,
    /// Oxygen at its end, well mixed, mole fraction.
    pub slow_oxygen_at_end: f64,
    /// The same in words.
    pub text: String,
    /// What it is not for.
    pub mark: &'static str,
}

/// The halls of a picture.
#[must_use]
pub fn hall_facts(scene: Scene<'_>) -> HallFacts {
    let air = air_pressure(scene);
    let unit = QuantityKind::AbsolutePressure
        .unit("mbar(a)")
        .unwrap_or_else(|| QuantityKind::AbsolutePressure.si_unit());
    HallFacts {
        mark: NOT_FOR_SAFETY_DESIGN,
        caution: WELL_MIXED_CAUTION,
        uncertainty: UNCERTAINTY,
        air_pressure: Figure::in_unit(Some(air.value.si()), Some(air.combined_std()), unit),
        air_pressure_quality: QualityFact::new(air.quality, air.reason),
        halls: scene
            .plant
            .halls
            .iter()
            .map(|hall| hall_fact(scene, hall, &air))
            .collect(),
    }
}

/// The barometer, or what the description says in its place.
fn air_pressure(scene: Scene<'_>) -> Measured<AbsolutePressure> {
    let site = &scene.plant.site;
    let stated = Measured::good(
        site.air_pressure.value,
        site.air_pressure.std,
        SharedParts::new(),
    );
    match site.barometer {
        None => stated,
        Some(ix) => {
            let read: Measured<AbsolutePressure> = reading(scene, ix);
            if read.is_usable() {
                read
            } else {
                stated.with_quality(Quality::Uncertain, Reason::Substituted)
            }
        }
    }
}

fn hall_fact(scene: Scene<'_>, hall: &Hall, air: &Measured<AbsolutePressure>) -> HallFact {
    let told: Vec<_> = hall
        .oxygen
        .iter()
        .filter_map(|monitor| oxygen_fact(scene, monitor, air))
        .collect();
    let lowest = told
        .iter()
        .filter_map(|(fact, fraction)| Some((fact, (*fraction)?)))
        .reduce(|least, next| if next.1 < least.1 { next } else { least });
    HallFact {
        id: hall.id.to_string(),
        name: hall.name.clone(),
        fan: match hall.air.fan() {
            Fan::Off => "no fan".into(),
            Fan::Exhaust(flow) => format!("exhaust fan {:.2} m3/s", flow.si()),
            Fan::Supply(flow) => format!("supply fan {:.2} m3/s", flow.si()),
        },
        lowest: lowest.as_ref().map_or_else(
            || "no usable reading".into(),
            |(fact, _)| format!("{} at {}", fact.fraction.with_unit(), fact.channel),
        ),
        lowest_fraction: lowest.map(|(_, fraction)| fraction),
        release: release_fact(scene, hall, air),
        oxygen: told.into_iter().map(|(fact, _)| fact).collect(),
    }
}

/// A monitor with its fraction, when that can be used.
fn oxygen_fact(
    scene: Scene<'_>,
    monitor: &OxygenMonitor,
    air: &Measured<AbsolutePressure>,
) -> Option<(OxygenFact, Option<f64>)> {
    let channel = scene.plant.channel(monitor.channel)?;
    let indicated: Measured<Fraction> = reading(scene, monitor.channel);
    let told = monitor.scale.oxygen(&indicated, air);
    let percent = QuantityKind::Fraction.unit("%")?;
    let mbar = QuantityKind::AbsolutePressure.unit("mbar(a)")?;
    let usable = told.fraction.is_usable();
    let fact = OxygenFact {
        channel: channel.id.to_string(),
        name: channel.name.clone(),
        fraction: Figure::in_unit(
            Some(told.fraction.value.si()).filter(|_| usable),
            Some(told.fraction.combined_std()),
            percent,
        ),
        fraction_quality: QualityFact::new(told.fraction.quality, told.fraction.reason),
        partial_pressure: Figure {
            // Of the oxygen alone: neither absolute nor gauge.
            unit: "mbar".into(),
            ..Figure::in_unit(
                Some(told.partial_pressure.value.si())
                    .filter(|_| told.partial_pressure.is_usable()),
                Some(told.partial_pressure.combined_std()),
                mbar,
            )
        },
        partial_pressure_quality: QualityFact::new(
            told.partial_pressure.quality,
            told.partial_pressure.reason,
        ),
    };
    Some((fact, usable.then(|| told.fraction.value.si())))
}

fn release_fact(
    scene: Scene<'_>,
    hall: &Hall,
    air: &Measured<AbsolutePressure>,
) -> Option<ReleaseFact> {
    let (vessel, mass_kg) = hall
        .sections
        .iter()
        .filter_map(|ix| scene.plant.section(*ix))
        .flat_map(|section| &section.vessels)
        .filter_map(|ix| {
            let vessel = scene.plant.vessel(*ix)?;
            let view = vessel_view(scene, &vessel.id)?;
            Some((vessel, view.mass_kg.filter(|mass| *mass > 0.0)?))
        })
        .reduce(|most, next| if next.1 > most.1 { next } else { most })?;
    let state = HallAir::new(Temperature::new(HALL_K), air.value).ok()?;
    let oxygen_after = |over_s: f64| {
        let over = Duration::new(over_s);
        let release = HeliumRelease::Amount {
            mass: Mass::new(mass_kg),
            over,
        };
        let flow = release.volume_flow(&state).ok()?;
        let scenario = Scenario::new(&hall.air, OUTSIDE_OXYGEN, flow, Some(over)).ok()?;
        Some(scenario.oxygen_at(over).ok()?.si())
    };
    let (oxygen_at_end, slow_oxygen_at_end) = (oxygen_after(BURST_S)?, oxygen_after(SLOW_S)?);
    Some(ReleaseFact {
        vessel: vessel.id.to_string(),
        mass_kg,
        over_s: BURST_S,
        oxygen_at_end,
        slow_over_s: SLOW_S,
        slow_oxygen_at_end,
        text: format!(
            "If the {} of {} came out within a minute, as from a burst, oxygen in well-mixed air would be at {:.1} % at the end; within an hour, at {:.1} %. Where the helium gathers it is lower",
            Figure::two_digits(mass_kg, "kg").with_unit(),
            vessel.name,
            oxygen_at_end * 100.0,
            slow_oxygen_at_end * 100.0
        ),
        mark: NOT_FOR_SAFETY_DESIGN,
    })
}

/// A channel as the picture has it, in SI.
fn reading<Q: Quantity>(scene: Scene<'_>, ix: ChannelIx) -> Measured<Q> {
    let never = || Measured::bad(Reason::NeverRead);
    let Some(channel) = scene.plant.channel(ix) else {
        return never();
    };
    let Some(view) = channel_view(scene, &channel.id) else {
        return never();
    };
    match view.value.filter(|_| view.quality != Quality::Bad) {
        None => Measured::bad(view.reason),
        Some(value) => Measured::good(
            Q::from_si(channel.unit.to_si(value)),
            view.std.unwrap_or(0.0) * channel.unit.scale,
            SharedParts::new(),
        )
        .with_quality(view.quality, view.reason),
    }
}

fn channel_view<'v>(scene: Scene<'v>, id: &str) -> Option<&'v ChannelView> {
    scene.view.channels.iter().find(|view| &*view.id == id)
}

fn vessel_view<'v>(scene: Scene<'v>, id: &str) -> Option<&'v VesselView> {
    scene.view.vessels.iter().find(|view| &*view.id == id)
}
