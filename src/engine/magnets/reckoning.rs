//! Margins, leads and cool-downs from the channels of now.

use std::collections::BTreeMap;

use super::view::{CoolDownView, LeadView, LeadWord, MagnetView, MarginState, Until};
use super::{Series, coverage};
use crate::balance::inventory::VesselMass;
use crate::engine::channels::{ChannelState, Channels};
use crate::helium::saturation_at_pressure;
use crate::magnet::{
    self, Figure, ForecastModel, LeadCooling, LeadEnd, Margin, MarginInput, Target,
};
use crate::plant::{
    ChannelIx, Contents, CoolDown, CurrentLead, Id, Magnet, Plant, PressureSource, VesselIx,
};
use crate::quantity::{AbsolutePressure, Quality, Reason, Temperature};
use crate::time::Monotonic;

pub(super) struct Reckoning<'a> {
    pub(super) plant: &'a Plant,
    pub(super) channels: &'a Channels,
    pub(super) masses: &'a [VesselMass],
    pub(super) now: Monotonic,
}

impl Reckoning<'_> {
    /// A channel's value with its combined uncertainty, or why there is none.
    pub(super) fn read(&self, ix: ChannelIx) -> Result<Figure, String> {
        let id = self.plant.channel(ix).map_or("?", |channel| &*channel.id);
        let measured = self
            .channels
            .get(ix)
            .map(ChannelState::for_alarms)
            .ok_or_else(|| format!("{id}: not described"))?;
        let usable = measured.is_usable() && measured.reason != Reason::NeverRead;
        let figure = Figure::new(measured.value.0, measured.combined_std());
        if usable && figure.is_sound() {
            Ok(figure)
        } else {
            Err(format!("{id}: {}", measured.reason.words()))
        }
    }

    fn id(&self, ix: ChannelIx) -> Option<Id> {
        self.plant.channel(ix).map(|channel| Id::clone(&channel.id))
    }

    pub(super) fn mass(&self, ix: VesselIx) -> Option<&VesselMass> {
        self.masses
            .get(ix.index())
            .filter(|mass| mass.quality != Quality::Bad && mass.reason != Reason::CarriedForward)
    }

    /// The warmest usable thermometer, or the bath.
    fn temperature(&self, magnet: &Magnet, why: &mut Vec<String>) -> Option<(Figure, Option<Id>)> {
        let mut warmest: Option<(Figure, Option<Id>)> = None;
        for &channel in &magnet.temperatures {
            match self.read(channel) {
                Ok(figure) => {
                    if warmest
                        .as_ref()
                        .is_none_or(|(best, _)| figure.value > best.value)
                    {
                        warmest = Some((figure, self.id(channel)));
                    }
                }
                Err(problem) => why.push(problem),
            }
        }
        if warmest.is_some() {
            return warmest;
        }
        let bath = magnet.bath?;
        let mass = self.mass(bath);
        let kelvin = mass.and_then(|mass| mass.temperature_k);
        let id = self.plant.vessel(bath).map(|vessel| Id::clone(&vessel.id));
        if let (Some(kelvin), Some(mass)) = (kelvin, mass) {
            let dt_dp = mass
                .pressure_pa
                .and_then(|p| saturation_at_pressure(AbsolutePressure::new(p)).ok())
                .map_or(0.0, |saturation| 1.0 / saturation.dp_dt);
            let std = self.pressure_std(bath) * dt_dp;
            return Some((Figure::new(kelvin, std), id));
        }
        why.push(format!(
            "{}: no usable temperature",
            id.as_deref().unwrap_or("the bath")
        ));
        None
    }

    pub(super) fn pressure_std(&self, vessel: VesselIx) -> f64 {
        let source = match self.plant.vessel(vessel).map(|vessel| &vessel.contents) {
            Some(Contents::Bath { pressure, .. }) => *pressure,
            _ => return 0.0,
        };
        match source {
            PressureSource::Channel(channel) => self.read(channel).map_or(0.0, |p| p.std),
            PressureSource::Air { .. } => self.plant.site.air_pressure.std,
        }
    }

    pub(super) fn magnet(&self, magnet: &Magnet) -> MagnetView {
        let mut why = Vec::new();
        let mut view = MagnetView::unknown(magnet);
        match self.read(magnet.current) {
            Ok(current) => view.current_a = Some(current),
            Err(problem) => why.push(problem),
        }
        if let Some((figure, from)) = self.temperature(magnet, &mut why) {
            view.temperature_k = Some(figure);
            view.temperature_from = from;
        }
        let conductor = self.plant.magnets.conductors.get(magnet.conductor);
        if let (Some(current_a), Some(temperature_k), Some(conductor)) =
            (view.current_a, view.temperature_k, conductor)
        {
            let input = MarginInput {
                temperature_k,
                current_a,
                load_line_t_per_a: magnet.load_line_t_per_a,
                strand_share: 1.0 / f64::from(conductor.strands),
                critical_current_std: conductor.critical_current_std,
            };
            match magnet::margin(&conductor.surface, &conductor.strand, &input) {
                Ok(Margin::Standing(figures)) => {
                    view.state = MarginState::Standing;
                    view.field_t = Some(figures.field_t);
                    view.margin_k = Some(figures.margin_k);
                    view.sharing_k = Some(figures.sharing_k);
                    view.load_line = Some(figures.load_line);
                }
                Ok(Margin::Lost { field_t, .. }) => {
                    view.state = MarginState::Lost;
                    view.field_t = Some(field_t);
                }
                Err(problem) => why.push(problem.to_string()),
            }
        }
        view.why = why.join("; ");
        view
    }

    pub(super) fn lead(&self, lead: &CurrentLead) -> LeadView {
        let mut why = Vec::new();
        let mut view = LeadView::unknown(lead);
        if let Some(thermometer) = &lead.thermometer {
            match self.read(thermometer.channel) {
                Ok(kelvin) => {
                    view.temperature_k = Some(kelvin);
                    let (low, high) = (thermometer.low.si(), thermometer.high.si());
                    match magnet::lead_end(kelvin.value, low, high) {
                        Ok(LeadEnd::TooCold) => view.temperature = LeadWord::TooCold,
                        Ok(LeadEnd::Well) => view.temperature = LeadWord::Well,
                        Ok(LeadEnd::TooWarm) => view.temperature = LeadWord::TooWarm,
                        Err(problem) => why.push(problem.to_string()),
                    }
                }
                Err(problem) => why.push(problem),
            }
        }
        if let Some(gas) = &lead.gas {
            let found = self.read(gas.flow).and_then(|flow| {
                let current = self.read(lead.current)?;
                magnet::lead_flow(flow, current, gas.need_kg_per_s_per_a, gas.at_rest.si())
                    .map_err(|problem| problem.to_string())
            });
            match found {
                Ok(found) => {
                    view.flow_ratio = Some(found.ratio);
                    view.flow = match found.cooling {
                        LeadCooling::Under => LeadWord::UnderCooled,
                        LeadCooling::Even => LeadWord::Well,
                        LeadCooling::Over => LeadWord::OverCooled,
                    };
                }
                Err(problem) => why.push(problem),
            }
        }
        view.why = why.join("; ");
        view
    }

    pub(super) fn cool_down(
        &self,
        mass: &CoolDown,
        memory: &mut BTreeMap<Id, Series>,
    ) -> CoolDownView {
        let mut view = CoolDownView::unknown(mass);
        let (start, end) = (self.read(mass.start), self.read(mass.end));
        view.start_k = start.as_ref().ok().copied();
        view.end_k = end.as_ref().ok().copied();
        let (start, end) = match (start, end) {
            (Ok(start), Ok(end)) => (start, end),
            (start, end) => {
                memory.remove(&mass.id);
                let problems: Vec<_> = [start.err(), end.err()].into_iter().flatten().collect();
                view.why = problems.join("; ");
                return view;
            }
        };
        if let Ok(found) = magnet::end_to_end(start, end, mass.gradient_limit.si()) {
            view.difference_k = Some(found.difference_k);
        }
        let target = mass.target.si();
        // The mass has arrived when both ends have.
        let behind = if (start.value - target).abs() >= (end.value - target).abs() {
            start
        } else {
            end
        };
        let series = memory.entry(Id::clone(&mass.id)).or_default();
        series.see(self.now, mass.over, behind.value, 0.0);
        let Some(line) = series.line(mass.over, 0.0, |(kelvin, _)| kelvin) else {
            view.until_target = if (behind.value - target).abs() <= mass.within.si() {
                Until::Reached
            } else {
                view.why = "not watched for long enough to tell a rate".into();
                Until::NotKnown
            };
            return view;
        };
        view.rate_k_per_s = Some(line.rate_per_s);
        let wanted = Target {
            temperature_k: target,
            within_k: mass.within.si(),
            debye_k: mass.debye.map(Temperature::si),
        };
        match magnet::forecast(&line, wanted, coverage(line.degrees_of_freedom)) {
            Ok(found) => {
                view.until_target = found.arrival.into();
                view.by_heat_capacity = found.model == ForecastModel::HeatCapacity;
            }
            Err(problem) => view.why = problem.to_string(),
        }
        view
    }
}
