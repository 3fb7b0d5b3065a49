//! The mass of every vessel, and what the reckoning makes of them together.

use super::core::{Carried, Engine, LastMass, Restatement, Sink};
use super::outcome::OutcomeKind;
use crate::balance::inventory::{VesselMass, vessel_mass};
use crate::balance::report::InventoryReport;
use crate::balance::tally::{Contributor, Tally};
use crate::plant::{Id, Plant, VesselIx};
use crate::quantity::Quality;
use crate::time::{Monotonic, Span};

/// A restatement waits this long for readings, then takes what there is.
const LONGEST_SETTLING: Span = Span::from_millis(600_000);

/// A vessel's uncertainty is reckoned anew after this time, for when its readings are lost.
const SURE_FOR: Span = Span::from_millis(60_000);

impl Engine {
    /// The mass of every vessel; one that cannot be reckoned keeps its last mass, ever less sure.
    pub(super) fn reckon(&mut self, plant: &Plant, now: Monotonic) {
        let readings = Carried(&self.state.channels);
        self.masses.clear();
        for ((number, vessel), mode) in (0u32..).zip(&plant.all.vessel).zip(&self.state.modes) {
            let ix = VesselIx(number);
            let Some(mode) = vessel.modes.get(*mode as usize) else {
                continue;
            };
            let mut mass = vessel_mass(plant, ix, vessel, mode, &readings);
            let last = self.state.last_masses.get_mut(ix.index());
            match (last, mass.quality) {
                (Some(Some(last)), Quality::Bad) => {
                    let age = (now - last.at).seconds();
                    mass.carry_forward(ix, (last.kg, last.std_kg), age);
                }
                (Some(last), _) if mass.rests_on_readings() => {
                    // How sure a mass is changes slowly; a loss of its readings asks for it seldom.
                    let (std_kg, weighed) = last
                        .filter(|last| last.weighed + SURE_FOR > now)
                        .map_or_else(
                            || {
                                (
                                    libm::sqrt(Tally::of([&mass], &readings).variance_kg2()),
                                    now,
                                )
                            },
                            |last| (last.std_kg, last.weighed),
                        );
                    *last = Some(LastMass {
                        kg: mass.mass_kg,
                        std_kg,
                        weighed,
                        at: now,
                    });
                }
                _ => {}
            }
            self.masses.push(mass);
        }
    }

    /// The plant's mass, when every vessel has one.
    pub(super) fn sum_masses(&self) -> Option<f64> {
        (!self.masses.is_empty()).then(|| sum_of(self.masses.iter().map(Some)))?
    }

    /// Compares the reckoning before and after it changed, once what it rests on has been read
    /// again: a corrected instrument shows its effect only with its next reading.
    pub(super) fn restate(&mut self, now: Monotonic, sink: &mut Sink) {
        let Some(pending) = &self.state.restate_from else {
            return;
        };
        let settled = self.masses.iter().all(VesselMass::rests_on_readings);
        let waited = now - pending.since >= LONGEST_SETTLING;
        let (Some(to_kg), true) = (self.state.plant_mass, settled || waited) else {
            return;
        };
        if let Some(Restatement { from_kg, why, .. }) = self.state.restate_from.take() {
            self.state.losses.restate(to_kg - from_kg);
            sink.push(OutcomeKind::Restated {
                from_kg,
                to_kg,
                why,
            });
        }
    }

    /// Remembers the mass before the reckoning changes; of several changes in a row, the first.
    pub(super) fn restate_later(&mut self, from: Option<f64>, why: String, since: Monotonic) {
        if let (Some(from_kg), None) = (from, &self.state.restate_from) {
            self.state.restate_from = Some(Restatement {
                from_kg,
                why,
                since,
            });
        }
    }

    /// Mean temperature of outdoor gas, weighted by mass: the weather that moves the reckoning.
    pub(super) fn outdoor_kelvin(&self, plant: &Plant) -> Option<f64> {
        let (mut weighted, mut weight) = (0.0, 0.0);
        for (vessel, mass) in plant.all.vessel.iter().zip(&self.masses) {
            if vessel.outdoors
                && mass.quality == Quality::Good
                && let Some(kelvin) = mass.temperature_k
            {
                weighted += mass.mass_kg * kelvin;
                weight += mass.mass_kg;
            }
        }
        (weight > 0.0).then(|| weighted / weight)
    }

    pub(super) fn inventory_report(&self, plant: &Plant) -> InventoryReport {
        let readings = Carried(&self.state.channels);
        let total = Tally::of(&self.masses, &readings);
        InventoryReport {
            plant: total.figure(),
            constant_std_kg: libm::sqrt(total.constant_kg2(plant)),
            sections: plant
                .all
                .section
                .iter()
                .map(|section| {
                    let masses = section
                        .vessels
                        .iter()
                        .filter_map(|ix| self.masses.get(ix.index()));
                    (
                        Id::clone(&section.id),
                        Tally::of(masses, &readings).figure(),
                    )
                })
                .collect(),
            vessels: plant
                .all
                .vessel
                .iter()
                .zip(&self.masses)
                .map(|(vessel, mass)| {
                    (Id::clone(&vessel.id), Tally::of([mass], &readings).figure())
                })
                .collect(),
        }
    }

    /// What each reading and lasting cause brings to the plant's uncertainty, kg.
    pub(super) fn contributors(&self) -> Vec<(Contributor, f64)> {
        let mut contributors = Vec::new();
        Tally::with_contributors(
            &self.masses,
            &Carried(&self.state.channels),
            &mut contributors,
        );
        contributors
    }
}

/// Sum of masses, when all of them are there and usable.
pub(super) fn sum_of<'a>(masses: impl Iterator<Item = Option<&'a VesselMass>>) -> Option<f64> {
    masses
        .map(|mass| {
            mass.filter(|mass| mass.quality != Quality::Bad)
                .map(|mass| mass.mass_kg)
        })
        .sum()
}
