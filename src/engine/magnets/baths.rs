//! Heat load of a bath, and how long its liquid lasts.

use std::collections::BTreeMap;

use super::reckoning::Reckoning;
use super::view::{BathView, HeatSource, Until};
use super::{POINTS, Series, coverage};
use crate::balance::inventory::VesselMass;
use crate::balance::tally::Tally;
use crate::engine::core::Carried;
use crate::helium::EOS_MIN_TEMPERATURE;
use crate::magnet::{self, BathState, BoilOff, Figure, LevelFall, Trend};
use crate::plant::{BathWatch, Contents, Id};
use crate::quantity::Reason;
use crate::time::Span;

/// The fall of a bath is taken over this time.
const BATH_OVER: Span = Span::HOUR;

impl Reckoning<'_> {
    pub(super) fn bath(
        &self,
        watch: &BathWatch,
        memory: &mut BTreeMap<Id, Series>,
    ) -> Option<BathView> {
        let vessel = self.plant.vessel(watch.vessel)?;
        let Contents::Bath { strapping, .. } = &vessel.contents else {
            return None;
        };
        let mut why = Vec::new();
        let mut view = BathView::unknown(&vessel.id);
        let mass = self.mass(watch.vessel);
        let known = mass.and_then(|mass| {
            Some(Bath {
                mass,
                liquid_kg: mass.liquid_kg?,
                level_m: mass.level_m?,
                pressure_pa: mass.pressure_pa?,
                density: mass.density_kg_m3?,
            })
        });
        let Some(bath) = known else {
            let reason = self
                .masses
                .get(watch.vessel.index())
                .map(|mass| mass.reason);
            let words = reason.map_or("not reckoned yet", Reason::words);
            view.why = format!("{}: no usable level or pressure ({words})", vessel.id);
            memory.remove(&vessel.id);
            return Some(view);
        };
        let filling = match watch.supply {
            None => false,
            Some((channel, open_above)) => match self.read(channel) {
                Ok(position) => position.value > open_above,
                Err(problem) => {
                    why.push(problem);
                    true
                }
            },
        };
        let series = memory.entry(Id::clone(&vessel.id)).or_default();
        series.see(self.now, BATH_OVER, bath.liquid_kg, bath.pressure_pa);
        let noise = self.noise_kg(bath.mass);
        let fall = series
            .line(BATH_OVER, noise, |(liquid, _)| liquid)
            .map(|line| held(line, self.hold(bath.mass)));
        view.liquid_rate_kg_per_s = fall.map(|line| line.rate_per_s);
        let vapour_m3 = strapping
            .volume_at(bath.level_m)
            .map_or(0.0, |(volume, _)| (strapping.total() - volume).max(0.0));
        let variance = Tally::of([bath.mass], &Carried(self.channels)).variance_kg2();
        let liquid_std = libm::sqrt(variance);
        let pressure_std = self.pressure_std(watch.vessel);
        let helium_ii = bath
            .mass
            .temperature_k
            .is_some_and(|kelvin| kelvin < EOS_MIN_TEMPERATURE);
        let rate = series
            .line(BATH_OVER, 0.0, |(_, pressure)| pressure)
            .map(|line| line.rate_per_s)
            // Below the lambda point a moving pressure is refused; one that stands as far as it is
            // known counts as standing.
            .filter(|rate| !helium_ii || rate.value.abs() > 2.0 * rate.std);
        let state = BathState {
            pressure_pa: Figure::new(bath.pressure_pa, pressure_std),
            pressure_rate_pa_per_s: rate.unwrap_or_default(),
            liquid_kg: Figure::new(bath.liquid_kg, liquid_std),
            vapour_m3: Figure::new(vapour_m3, 0.0),
        };
        self.heat(watch, &mut view, &state, fall.as_ref(), filling, &mut why);
        if let Some(low) = watch.low_level {
            let left = strapping
                .volume_at(low.si())
                .map_or(0.0, |(volume, _)| volume)
                * bath.density;
            endurance(&mut view, &state, left, fall.as_ref(), &mut why);
        }
        view.why = why.join("; ");
        Some(view)
    }

    /// The heat load: by the vent, by the fall of the liquid, or as stated.
    fn heat(
        &self,
        watch: &BathWatch,
        view: &mut BathView,
        state: &BathState,
        fall: Option<&Trend>,
        filling: bool,
        why: &mut Vec<String>,
    ) {
        let mut take = |found: BoilOff, from: HeatSource| {
            view.heat_from = from;
            view.heat_w = Some(found.heat_w);
            view.evaporation_kg_per_s = Some(found.evaporation_kg_per_s);
            view.liquid_l_per_h = Some(found.liquid_l_per_h);
            view.vent_nm3_per_h = Some(found.vent_nm3_per_h);
        };
        if let Some(vent) = watch.vent {
            let found = self.read(vent).and_then(|flow| {
                magnet::from_vent_flow(state, flow).map_err(|problem| problem.to_string())
            });
            match found {
                Ok(found) => return take(found, HeatSource::VentFlow),
                Err(problem) => why.push(problem),
            }
        } else if watch.supply.is_some() && !filling {
            // The fall of the liquid says something only beyond its own uncertainty.
            let seen = fall.filter(|line| line.rate_per_s.value < -2.0 * line.rate_per_s.std);
            if let Some(line) = seen {
                let rate = Figure::new(-line.rate_per_s.value, line.rate_per_s.std);
                match magnet::from_level_fall(state, LevelFall::Mass(rate)) {
                    Ok(found) => return take(found, HeatSource::LevelFall),
                    Err(problem) => why.push(problem.to_string()),
                }
            }
        }
        if let Some(stated) = watch.heat_load {
            view.heat_from = HeatSource::Stated;
            view.heat_w = Some(Figure::new(stated.value.si(), stated.std));
        }
    }

    /// Scatter of the liquid's mass from one reading to the next, kg.
    fn noise_kg(&self, mass: &VesselMass) -> f64 {
        let squares: f64 = mass
            .by_channel
            .iter()
            .filter_map(|&(channel, slope)| {
                let noise = self.channels.get(channel)?.for_balance().independent_std;
                Some(slope * slope * noise * noise)
            })
            .sum();
        libm::sqrt(squares)
    }

    /// Longest time for which one of a mass's readings is held.
    fn hold(&self, mass: &VesselMass) -> Span {
        mass.by_channel
            .iter()
            .filter_map(|&(channel, _)| self.plant.channel(channel)?.hold)
            .max()
            .unwrap_or(Span::ZERO)
    }
}

/// How long the liquid lasts above what is left at the low level, kg.
fn endurance(
    view: &mut BathView,
    state: &BathState,
    left_kg: f64,
    fall: Option<&Trend>,
    why: &mut Vec<String>,
) {
    let above = Figure::new(state.liquid_kg.value - left_kg, state.liquid_kg.std);
    view.above_low_kg = Some(above);
    view.until_low = match fall {
        _ if above.value <= 0.0 => Until::Reached,
        None => {
            why.push("the fall of the liquid has not been watched for long enough".into());
            Until::NotKnown
        }
        Some(line) => {
            magnet::time_until_by_trend(line, left_kg, coverage(line.degrees_of_freedom)).into()
        }
    };
    if let Some(heat) = view.heat_w {
        match magnet::time_until_by_heat(above, heat, state.pressure_pa.value, 2.0) {
            Ok(arrival) => view.until_low_without_supply = arrival.into(),
            Err(problem) => why.push(problem.to_string()),
        }
    }
}

struct Bath<'m> {
    mass: &'m VesselMass,
    liquid_kg: f64,
    level_m: f64,
    pressure_pa: f64,
    density: f64,
}

/// A trend of readings that are held between pulses: fewer of its points are its own.
fn held(mut line: Trend, hold: Span) -> Trend {
    let spacing = BATH_OVER.seconds() / Span::from_millis(POINTS * 1000).seconds();
    let wider = libm::sqrt((hold.seconds() / spacing).max(1.0));
    line.rate_per_s.std *= wider;
    line.value.std *= wider;
    line
}
