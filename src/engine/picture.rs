//! Drawing the [`View`] from the engine's state.

use super::channels::{ChannelState, Channels};
use super::core::Engine;
use super::outcome::MassFigure;
use super::view::{
    AlarmView, BudgetShare, ChannelView, DeviceView, LedgerView, LineView, VesselView, View,
};
use crate::alarm::AlarmState;
use crate::balance::inventory::{Readings, StatedSource, VesselMass};
use crate::balance::meter::meter_flow;
use crate::balance::tally::{Cause, Contributor};
use crate::plant::{
    AlarmRule, Channel, ChannelIx, Device, Id, Line, LineIx, Passage, Plant, Vessel,
};
use crate::quantity::{MassFlow, Measured, Quality, Reason, Si};

/// The readings as they are shown.
struct Shown<'a>(&'a Channels);

impl Readings for Shown<'_> {
    fn measured(&self, channel: ChannelIx) -> Option<&Measured<Si>> {
        self.0.get(channel).map(ChannelState::for_alarms)
    }

    fn counted(&self, line: LineIx) -> Option<&Measured<MassFlow>> {
        self.0.totals().flow(line)
    }
}

/// Shares shown; the rest is one line.
const SHARES_SHOWN: usize = 12;

impl Engine {
    /// Everything known after the last event.
    #[must_use]
    pub fn view(&self) -> View {
        let plant = &self.plant;
        let state = &self.state;
        View {
            seq: state.seq,
            at: state.time.utc(),
            epoch: state.time.epoch(),
            provenance: Some(self.provenance()),
            channels: (0u32..)
                .zip(&plant.all.channel)
                .filter_map(|(ix, channel)| {
                    let memory = state.channels.get(ChannelIx(ix))?;
                    Some(self.channel_view(channel, memory))
                })
                .collect(),
            inventory: state.inventory.clone(),
            vessels: self.vessel_views(),
            lines: (0u32..)
                .zip(&plant.all.line)
                .zip(&state.passages)
                .map(|((ix, line), &passage)| self.line_view(LineIx(ix), line, passage))
                .collect(),
            losses: state
                .losses
                .report()
                .into_iter()
                .chain(state.losses.areas())
                .cloned()
                .collect(),
            explanation: state.losses.explanation().cloned(),
            reconciliation: state.losses.reconciliation().cloned(),
            happenings: self.happenings_shown(),
            room: state.room.clone(),
            magnets: state.magnets.report.clone(),
            alarms: plant
                .alarms
                .iter()
                .filter_map(|rule| self.alarm_view(rule))
                .collect(),
            ledger: self.ledger_views(),
            budget: self.budget(),
            devices: plant
                .all
                .device
                .iter()
                .zip(&state.devices)
                .map(|(device, memory)| device_view(device, memory))
                .collect(),
            events: state.events,
        }
    }

    fn channel_view(&self, channel: &Channel, memory: &ChannelState) -> ChannelView {
        let (measured, quality, reason) = memory.shown();
        let usable = quality != Quality::Bad && measured.is_usable();
        let read = memory.read_at();
        ChannelView {
            id: Id::clone(&channel.id),
            value: usable.then(|| channel.unit.from_si(measured.value.0)),
            std: usable.then(|| channel.unit.difference_from_si(measured.combined_std())),
            unit: Id::from(channel.unit.symbol),
            quality,
            reason,
            read_at: read.and_then(|(_, utc)| utc),
            age: read.map(|(at, _)| self.state.time.now() - at),
        }
    }

    fn vessel_views(&self) -> Vec<VesselView> {
        let figures = self.state.inventory.as_ref().map(|report| &report.vessels);
        self.plant
            .all
            .vessel
            .iter()
            .zip(&self.state.modes)
            .enumerate()
            .map(|(at, (vessel, &mode))| {
                let figure = figures
                    .and_then(|figures| figures.get(at))
                    .map(|(_, figure)| *figure);
                vessel_view(vessel, mode, self.masses.get(at), figure)
            })
            .collect()
    }

    fn line_view(&self, ix: LineIx, line: &Line, passage: Passage) -> LineView {
        // Only what is read now is a flow: one carried forward is none.
        let flow =
            meter_flow(&self.plant, &Shown(&self.state.channels), ix).filter(Measured::is_usable);
        LineView {
            id: Id::clone(&line.id),
            passage,
            flow_kg_per_s: flow.as_ref().map(|flow| flow.value.si()),
            flow_std_kg_per_s: flow.as_ref().map(Measured::combined_std),
        }
    }

    fn alarm_view(&self, rule: &AlarmRule) -> Option<AlarmView> {
        let memory = self.state.alarms.memory(rule)?;
        let now = self.state.time.now();
        // An alarm that is about something began when that did, whatever was done to it since.
        let since = match memory.state {
            AlarmState::Normal => memory.since,
            _ => memory.raised.unwrap_or(memory.since),
        };
        Some(AlarmView {
            id: Id::clone(&rule.id),
            class: rule.class,
            priority: rule.priority,
            state: memory.state,
            since: self.state.time.utc_at(since),
            age: Some(now - since),
            detail: memory.detail.clone(),
            actor: memory.actor.as_ref().map(|actor| actor.name.clone()),
            shelved_until: memory
                .shelved_until
                .and_then(|until| self.state.time.utc_at(until)),
        })
    }

    fn ledger_views(&self) -> Vec<LedgerView> {
        self.state
            .ledger
            .entries()
            .iter()
            .map(|entered| {
                let booking = &entered.entry.booking;
                LedgerView {
                    id: Id::clone(&entered.entry.id),
                    entered_seq: entered.seq,
                    entered_at: entered.entered_at,
                    effective_at: booking.effective_at,
                    over: booking.over,
                    kind: booking.kind.words().to_owned(),
                    mass_kg: booking.kind.sign() * booking.mass.value.si(),
                    std_kg: booking.mass.std,
                    author: booking.author.clone(),
                    note: booking.note.clone(),
                    section: booking.section.clone(),
                    superseded_by: entered.superseded_by.clone(),
                }
            })
            .collect()
    }

    fn budget(&self) -> Vec<BudgetShare> {
        let mut contributors = self.contributors();
        let total: f64 = contributors.iter().map(|(_, u)| u * u).sum();
        contributors.sort_by(|a, b| b.1.total_cmp(&a.1));
        contributors
            .into_iter()
            .take(SHARES_SHOWN)
            .filter(|(_, u)| *u > 0.0)
            .map(|(contributor, std_kg)| BudgetShare {
                source: source_name(&self.plant, contributor),
                std_kg,
                share: std_kg * std_kg / total,
            })
            .collect()
    }
}

fn vessel_view(
    vessel: &Vessel,
    mode: u32,
    mass: Option<&VesselMass>,
    figure: Option<MassFigure>,
) -> VesselView {
    let usable = mass.filter(|mass| mass.quality != Quality::Bad);
    VesselView {
        id: Id::clone(&vessel.id),
        mode: vessel
            .modes
            .get(mode as usize)
            .map_or_else(|| Id::from("unknown"), |mode| Id::clone(&mode.id)),
        // Mass and uncertainty as last reported, so that vessels add up to their sections.
        mass_kg: usable.and(figure).map(|figure| figure.mass_kg),
        std_kg: usable.and(figure).map(|figure| figure.std_kg),
        liquid_kg: usable.and_then(|mass| mass.liquid_kg),
        level_m: usable.and_then(|mass| mass.level_m),
        pressure_pa: usable.and_then(|mass| mass.pressure_pa),
        temperature_k: usable.and_then(|mass| mass.temperature_k),
        density_kg_m3: usable.and_then(|mass| mass.density_kg_m3),
        quality: mass.map_or(Quality::Bad, |mass| mass.quality),
        reason: mass.map_or(Reason::NeverRead, |mass| mass.reason),
    }
}

fn device_view(device: &Device, memory: &super::core::DeviceState) -> DeviceView {
    DeviceView {
        id: Id::clone(&device.id),
        answers: memory.answers == Some(true),
        fault: memory
            .fault
            .map(|fault| fault.to_string())
            .unwrap_or_default(),
        good_polls: memory.good_polls,
        failed_polls: memory.failed_polls,
        last_answer: memory.last_answer,
    }
}

/// What an engineer calls a contributor.
fn source_name(plant: &Plant, contributor: Contributor) -> Id {
    let vessel = |ix: crate::plant::VesselIx| {
        plant
            .vessel(ix)
            .map_or_else(String::new, |vessel| vessel.id.to_string())
    };
    match contributor {
        Contributor::Channel(ix) => plant.channel(ix).map_or_else(
            || Id::from("?"),
            |channel| Id::from(format!("{} noise", channel.id)),
        ),
        Contributor::Cause(Cause::Group(group)) => {
            plant.groups.get(usize::from(group.0)).map_or_else(
                || Id::from("?"),
                |group| Id::from(format!("{} calibration or lag", group.id)),
            )
        }
        Contributor::Cause(Cause::Carried(ix)) => plant.channel(ix).map_or_else(
            || Id::from("?"),
            |channel| {
                let id = &channel.id;
                Id::from(if plant.site.barometer == Some(ix) {
                    format!("barometer {id} lost, carried forward (bags, gauge tanks)")
                } else {
                    format!("{id} carried forward")
                })
            },
        ),
        Contributor::Cause(Cause::Stated(stated)) => Id::from(match stated {
            StatedSource::Air => {
                "stated air pressure, while no barometer is read (bags, gauge tanks)".to_owned()
            }
            StatedSource::LiquidModel => "density of liquid helium (model)".to_owned(),
            StatedSource::GasModel => "density of helium gas (model)".to_owned(),
            StatedSource::Volume(ix) => format!("{} volume", vessel(ix)),
            StatedSource::Holdup(ix) => format!("{} holdup", vessel(ix)),
            StatedSource::Temperature(ix) => format!("{} stated temperature", vessel(ix)),
            StatedSource::Purity(ix) => format!("{} stated purity", vessel(ix)),
            StatedSource::Carried(ix) => format!("{} carried forward", vessel(ix)),
            StatedSource::LevelProbe(ix) => format!("{} level probe", vessel(ix)),
            StatedSource::Layers(ix) => format!("{} layers of its liquid", vessel(ix)),
            StatedSource::Lines(ix) => format!("{} gas in the level lines", vessel(ix)),
            StatedSource::BeyondTap(ix) => format!("{} beyond its level tap", vessel(ix)),
        }),
    }
}
