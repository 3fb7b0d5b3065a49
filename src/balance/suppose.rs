//! Everything that may be behind a loss, as the description allows it: each a direction among the traces,
//! with how far it is believed beforehand and how large it may be.
//!
//! **Source** prior weights and sizes: common practice, no source.

use super::area::Area;
use super::explain::{Changes, Evidence, Tried, share};
use super::report::HypothesisKind;
use super::trace::TraceOf;
use super::whiten::DAY_S;
use crate::plant::{ChannelIx, Contents, Id, LineIx, SectionIx, VesselIx};

/// Where something that may be behind it is.
#[derive(Debug, Clone)]
pub(super) enum Place {
    /// In one of these.
    Sections(Vec<SectionIx>),
    /// At the meter of that line.
    Line(LineIx),
}

/// Something that may be behind it, as a direction among the traces.
#[derive(Debug, Clone)]
pub(super) struct Supposed {
    pub kind: HypothesisKind,
    pub place: Place,
    /// The hole that a leak is supposed to leave through, by its number; none of a steady one.
    pub hole: Option<usize>,
    pub form: usize,
    pub direction: Vec<f64>,
    /// Share of the belief before the data.
    pub prior: f64,
    /// Standard deviation of its size before the data, kg/day or kg.
    pub likely: f64,
}

impl Evidence<'_> {
    /// Every hypothesis that the description allows.
    pub(super) fn supposed(&self, changes: &[Changes]) -> Vec<Supposed> {
        let mut all = Vec::new();
        for (form, change) in changes.iter().enumerate() {
            match change.tried {
                Tried::Bend => self.suppose_bends(form, &mut all),
                Tried::Jump => self.suppose_jumps(form, change.at_s, &mut all),
                Tried::Lag => self.suppose_lags(form, &mut all),
                Tried::Through(number) => self.suppose_hole(form, number, &mut all),
            }
        }
        all
    }

    fn suppose_hole(&self, form: usize, number: usize, all: &mut Vec<Supposed>) {
        let hole = self.holes.get(number);
        let area =
            hole.and_then(|hole| self.areas.iter().position(|area| area.holds(hole.section)));
        all.extend(area.and_then(|area| self.leak(form, area, Some(number))));
    }

    /// A leak in an area, steady or through a hole: where the pressures tell, half of the belief in it
    /// is that in a steady one.
    fn leak(&self, form: usize, number: usize, hole: Option<usize>) -> Option<Supposed> {
        // A leak of a hundredth of the plant a day is as likely as any.
        let held: f64 = self.masses.iter().map(|mass| mass.mass_kg.abs()).sum();
        let area = self.areas.get(number)?;
        let of_area = self.holes.iter().filter(|hole| area.holds(hole.section));
        let belief = share(0.5, self.areas.len());
        let prior = match (of_area.count(), hole) {
            (0, _) => belief,
            (_, None) => 0.5 * belief,
            (holes, Some(_)) => share(0.5 * belief, holes),
        };
        Some(Supposed {
            kind: HypothesisKind::Leak {
                sections: self.sections(area),
            },
            place: Place::Sections(area.sections.clone()),
            hole,
            form,
            direction: self.direction(Some(number), None),
            prior,
            likely: if held.is_finite() { 0.01 * held } else { 0.0 }.max(0.5),
        })
    }

    fn suppose_bends(&self, form: usize, all: &mut Vec<Supposed>) {
        for number in 0..self.areas.len() {
            all.extend(self.leak(form, number, None));
        }
        self.suppose_instruments(form, (0.25, 0.03), all, |vessel, channels| {
            HypothesisKind::Drift { vessel, channels }
        });
        let meters: Vec<(LineIx, f64)> = self.metered();
        for (line, flow) in &meters {
            let Some(described) = self.plant.line(*line) else {
                continue;
            };
            all.push(Supposed {
                kind: HypothesisKind::Meter {
                    line: Id::clone(&described.id),
                },
                place: Place::Line(*line),
                hole: None,
                form,
                direction: self.meter_direction(described),
                prior: share(0.1, meters.len()),
                likely: (0.02 * flow.abs() * DAY_S).max(0.1),
            });
        }
    }

    /// An error of each vessel's instruments: all together with that share of the belief, each as
    /// large as that part of what the vessel holds.
    fn suppose_instruments(
        &self,
        form: usize,
        (belief, part): (f64, f64),
        all: &mut Vec<Supposed>,
        kind: impl Fn(Id, Vec<Id>) -> HypothesisKind,
    ) {
        let instruments = self.instruments();
        for (vessel, channel, channels) in &instruments {
            let Some(described) = self.plant.vessel(*vessel) else {
                continue;
            };
            let holds = self
                .masses
                .get(vessel.index())
                .map_or(1.0, |mass| mass.mass_kg.abs().max(1.0));
            all.push(Supposed {
                kind: kind(Id::clone(&described.id), self.channel_ids(channels)),
                place: Place::Sections(vec![described.section]),
                hole: None,
                form,
                direction: self.direction(self.area_of(*vessel), *channel),
                prior: share(belief, instruments.len()),
                likely: part * holds,
            });
        }
    }

    fn suppose_jumps(&self, form: usize, at_s: f64, all: &mut Vec<Supposed>) {
        let areas = self.areas.len().max(1);
        for (number, area) in self.areas.iter().enumerate() {
            all.push(Supposed {
                kind: HypothesisKind::UnbookedVent {
                    sections: self.sections(area),
                },
                place: Place::Sections(area.sections.clone()),
                hole: None,
                form,
                direction: self.direction(Some(number), None),
                prior: share(0.1, areas),
                likely: 20.0,
            });
        }
        self.suppose_instruments(form, (0.04, 0.05), all, |vessel, channels| {
            HypothesisKind::Step { vessel, channels }
        });
        for &(changed_s, vessel) in self.modes {
            let Some(described) = self.plant.vessel(vessel).filter(|_| changed_s == at_s) else {
                continue;
            };
            let stated = described.modes.iter().map(|mode| mode.holdup.std);
            all.push(Supposed {
                kind: HypothesisKind::Holdup {
                    vessel: Id::clone(&described.id),
                },
                place: Place::Sections(vec![described.section]),
                hole: None,
                form,
                direction: self.direction(self.area_of(vessel), None),
                prior: share(0.1, self.modes.len()),
                likely: 3.0 * stated.fold(0.1, f64::max),
            });
        }
    }

    /// Thermometers of outdoor gas that follow it later than they did: about an hour. Its false mass
    /// follows how fast the gas warms, as far as the weather's columns have not learned it.
    fn suppose_lags(&self, form: usize, all: &mut Vec<Supposed>) {
        let outdoors = |area: &Area| {
            let vessels = (0_u32..).zip(self.masses).filter_map(|(number, mass)| {
                let vessel = self.plant.vessel(VesselIx(number))?;
                let here = vessel.outdoors && area.holds(vessel.section);
                let per_kelvin = mass.mass_kg.abs() / mass.temperature_k?;
                (here && per_kelvin.is_finite()).then(|| (Id::clone(&vessel.id), per_kelvin))
            });
            vessels.unzip::<_, _, Vec<Id>, Vec<f64>>()
        };
        let found: Vec<_> = self.areas.iter().map(outdoors).enumerate().collect();
        let having = || found.iter().filter(|(_, (vessels, _))| !vessels.is_empty());
        for (number, (vessels, per_kelvin)) in having() {
            all.push(Supposed {
                kind: HypothesisKind::ThermometerLag {
                    vessels: vessels.clone(),
                },
                place: Place::Sections(
                    self.areas
                        .get(*number)
                        .map_or_else(Vec::new, |area| area.sections.clone()),
                ),
                hole: None,
                form,
                direction: self.direction(Some(*number), None),
                prior: share(0.05, having().count()),
                likely: per_kelvin.iter().sum(),
            });
        }
    }

    /// A loss in an area, or what looks like one; with the comparison that would show an instrument.
    fn direction(&self, area: Option<usize>, comparison: Option<usize>) -> Vec<f64> {
        self.traces
            .iter()
            .map(|trace| match trace.of {
                TraceOf::Plant => 1.0,
                TraceOf::Area(number) => f64::from(u8::from(Some(number) == area)),
                TraceOf::Unlike(number) => f64::from(u8::from(Some(number) == comparison)),
            })
            .collect()
    }

    /// A meter that counts too little: helium seems lost where the line begins, and found where it
    /// ends.
    fn meter_direction(&self, line: &crate::plant::Line) -> Vec<f64> {
        self.traces
            .iter()
            .map(|trace| match trace.of {
                TraceOf::Area(number) => self
                    .areas
                    .get(number)
                    .and_then(|area| area.sign_of(line.from, line.to))
                    .map_or(0.0, |sign| -sign),
                TraceOf::Plant | TraceOf::Unlike(_) => 0.0,
            })
            .collect()
    }

    fn area_of(&self, vessel: VesselIx) -> Option<usize> {
        let section = self.plant.vessel(vessel)?.section;
        self.areas.iter().position(|area| area.holds(section))
    }

    pub(super) fn sections(&self, area: &Area) -> Vec<Id> {
        area.sections
            .iter()
            .filter_map(|ix| self.plant.section(*ix).map(|s| Id::clone(&s.id)))
            .collect()
    }

    fn channel_ids(&self, channels: &[ChannelIx]) -> Vec<Id> {
        channels
            .iter()
            .filter_map(|ix| self.plant.channel(*ix).map(|c| Id::clone(&c.id)))
            .collect()
    }

    fn metered(&self) -> Vec<(LineIx, f64)> {
        let parts: Vec<(LineIx, f64)> = (0u32..)
            .zip(&self.plant.all.line)
            .zip(self.flows)
            .filter_map(|((number, line), flow)| {
                let crosses = self
                    .areas
                    .iter()
                    .any(|area| area.sign_of(line.from, line.to).is_some());
                crosses.then_some((LineIx(number), (*flow)?))
            })
            .collect();
        parts
    }

    /// Instruments by vessel: those with a comparison each by itself, the others together, since
    /// nothing tells them apart.
    fn instruments(&self) -> Vec<(VesselIx, Option<usize>, Vec<ChannelIx>)> {
        let compared = |channel: ChannelIx| {
            self.traces.iter().find_map(|trace| match trace.of {
                TraceOf::Unlike(number)
                    if self
                        .comparisons
                        .get(number)
                        .is_some_and(|known| known.channel == channel) =>
                {
                    Some(number)
                }
                _ => None,
            })
        };
        let mut found = Vec::new();
        for (number, mass) in (0u32..).zip(self.masses) {
            let vessel = VesselIx(number);
            if self
                .plant
                .vessel(vessel)
                .is_none_or(|described| matches!(described.contents, Contents::Unmeasured))
            {
                continue;
            }
            let mut others = Vec::new();
            for &(channel, slope) in &mass.by_channel {
                match compared(channel) {
                    _ if slope == 0.0 => {}
                    Some(comparison) => found.push((vessel, Some(comparison), vec![channel])),
                    None => others.push(channel),
                }
            }
            if !others.is_empty() {
                found.push((vessel, None, others));
            }
        }
        found
    }
}
