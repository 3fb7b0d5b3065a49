//! What a tick brings to the books of losses.

use super::core::{Carried, Engine, usable};
use super::masses::sum_of;
use crate::balance::account::{AccountTick, Flow};
use crate::balance::inventory::Readings;
use crate::balance::losses::{LossTick, Renewed};
use crate::balance::meter::{meter_channels, meter_flow};
use crate::balance::tally::Tally;
use crate::balance::unlike;
use crate::balance::window::TickMass;
use crate::plant::{LineIx, Plant, VesselIx};
use crate::quantity::Reason;
use crate::time::Monotonic;

impl Engine {
    /// Brings the books of losses up to date.
    pub(super) fn balance(
        &mut self,
        plant: &Plant,
        now: Monotonic,
        doubtful: &[VesselIx],
    ) -> Renewed {
        let readings = Carried(&self.state.channels);
        let (masses, passages) = (&self.masses, &self.state.passages);
        let sections: Vec<Option<f64>> = plant
            .all
            .section
            .iter()
            .map(|section| sum_of(section.vessels.iter().map(|ix| masses.get(ix.index()))))
            .collect();
        let pressures: Vec<Option<f64>> = plant
            .all
            .section
            .iter()
            .map(|section| {
                let own = section
                    .vessels
                    .iter()
                    .filter_map(|ix| masses.get(ix.index()));
                let measured = own.filter(|mass| mass.rests_on_readings());
                measured
                    .filter_map(|mass| mass.pressure_pa)
                    .reduce(f64::max)
            })
            .collect();
        let flows: Vec<Option<Flow>> = (0u32..)
            .zip(&plant.all.line)
            .map(|(number, _)| flow(plant, &readings, LineIx(number)))
            .collect();
        let unlike: Vec<Option<f64>> =
            unlike::unlike_kg(&self.comparisons, masses, &readings, passages).collect();
        let carried: Vec<VesselIx> = (0u32..)
            .zip(masses)
            .filter(|(_, mass)| !mass.rests_on_readings())
            .map(|(ix, _)| VesselIx(ix))
            .collect();
        let vacuum = |vessel| {
            let watched = plant.vessel(vessel)?.insulation_vacuum?;
            usable(&self.state.channels, watched.channel)
        };
        let utc = self.state.time.utc();
        let outdoor_kelvin = self.outdoor_kelvin(plant);
        let tick = LossTick {
            mass: TickMass {
                now,
                utc,
                mass_kg: self.state.plant_mass,
                doubtful,
                outdoor_kelvin,
                metered_kg: (0.0, 0.0),
            },
            account: AccountTick {
                now,
                utc,
                sections: &sections,
                pressures: &pressures,
                flows: &flows,
                passages,
                unlike: &unlike,
                outdoor_kelvin,
                doubtful,
                carried: &carried,
            },
            masses,
            comparisons: &self.comparisons,
            jumps: &|| self.state.happenings.jumps(&self.state.ledger),
            vacuum: &vacuum,
        };
        let losses = &mut self.state.losses;
        losses.tick(plant, &self.state.ledger, &tick, |section| {
            let Some(section) = section.and_then(|ix| plant.section(ix)) else {
                return Tally::of(masses, &readings);
            };
            let own = section.vessels.iter();
            Tally::of(own.filter_map(|ix| masses.get(ix.index())), &readings)
        })
    }
}

/// What a line's meter shows now, when it can be used.
fn flow(plant: &Plant, readings: &dyn Readings, line: LineIx) -> Option<Flow> {
    let measured = meter_flow(plant, readings, line)?;
    let channels = plant.line(line).map(meter_channels).unwrap_or_default();
    let every = channels
        .iter()
        .filter_map(|ix| plant.channel(*ix).map(|channel| channel.interval))
        .max()?;
    let usable = measured.is_usable() && measured.reason != Reason::CarriedForward;
    let lasting: f64 = measured.shared.iter().map(|(_, u)| u * u).sum();
    usable.then(|| Flow {
        kg_per_s: measured.value.si(),
        independent_std: measured.independent_std,
        lasting_std: libm::sqrt(lasting),
        every,
    })
}
