//! From the settings file to checked settings.

use std::collections::{BTreeMap, BTreeSet};

use coldledger::plant::{ChannelIx, Contents, Plant};
use coldledger::quantity::{
    AbsolutePressure, Duration, Fraction, MassFlow, Power, PressureDifference, QuantityKind,
    Temperature, TemperatureDifference, Volume,
};

use super::raw::{RawChannel, RawClimate, RawFile, RawLiquefier, RawMover, RawVessel};
use super::text::{Problems, Reader, Text, fits};
use super::{fallback, raw};
use crate::model::params::{Liquefier, Mover, Refill, Supply};
use crate::model::{Climate, ModelParams, Place, VesselParams};

/// Everything that drives a simulated plant.
#[derive(Debug, Clone, PartialEq)]
pub struct SimulatorSettings {
    /// The physical model.
    pub model: ModelParams,
    /// Channels that the description does not tie to a vessel.
    pub channels: BTreeMap<ChannelIx, ChannelRule>,
    /// Ids of shared error sources that the model brings about itself.
    pub not_drawn: BTreeSet<String>,
}

/// What a channel shows.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelRule {
    /// The truth behind it.
    pub follows: Follows,
    /// Times this,
    pub factor: f64,
    /// plus this, SI,
    pub plus: f64,
    /// plus a slow wander of this standard deviation, SI,
    pub wander: f64,
    /// and this correlation time, s.
    pub wander_time_s: f64,
}

impl ChannelRule {
    /// That truth as it is.
    #[must_use]
    pub fn plain(follows: Follows) -> Self {
        Self {
            follows,
            factor: 1.0,
            plus: 0.0,
            wander: 0.0,
            wander_time_s: 600.0,
        }
    }
}

/// A truth of the model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Follows {
    /// Always this, SI.
    Constant(f64),
    /// A quantity of a vessel.
    Vessel(usize, VesselQuantity),
    /// Air pressure.
    Barometer,
    /// Air temperature.
    Ambient,
    /// Absolute pressure of the common header.
    HeaderPressure,
    /// Pressure of the common header above the air.
    HeaderGauge,
    /// Flow of the cold box into its vessel.
    Liquefier,
    /// Cold returns to the compressors.
    Returned,
    /// Flow of a mover.
    Mover(usize),
}

/// What can be followed of a vessel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum VesselQuantity {
    /// Absolute pressure.
    Pressure,
    /// Pressure above the air.
    Gauge,
    /// Temperature of gas or liquid.
    Temperature,
    /// What a thermometer with its lag shows.
    Thermometer,
    /// Temperature of the vapour.
    Vapour,
    /// Height of the liquid above a point, m.
    Level {
        /// That point above the lowest inside point, m.
        bottom_m: f64,
    },
    /// Pressure difference of the column between two taps.
    Head {
        /// Lower tap above the lowest inside point, m.
        bottom_m: f64,
        /// Upper tap, m.
        top_m: f64,
    },
    /// Gas volume.
    Volume,
    /// Volume of the liquid, m3.
    LiquidVolume,
    /// Helium fraction.
    Purity,
    /// Supply of liquid.
    Supply,
    /// Opening of the supply valve, 0 to 1.
    Valve,
    /// Boil-off.
    BoilOff,
    /// All gas that leaves by the way of the boil-off.
    Return,
    /// Heat to the liquid.
    Heat,
    /// 1 while open on the header.
    OnHeader,
    /// Helium in it.
    Mass,
}

impl SimulatorSettings {
    /// A quiet plant in the middle of its ranges, in calm weather: what any description can have.
    #[must_use]
    pub fn quiet(plant: &Plant) -> Self {
        let vessels = plant.all.vessel.iter();
        Self {
            model: ModelParams {
                climate: Climate::calm(),
                vessels: vessels.map(|v| fallback::vessel(plant, v)).collect(),
                header: Vec::new(),
                liquefier: None,
                movers: Vec::new(),
            },
            channels: BTreeMap::new(),
            not_drawn: BTreeSet::new(),
        }
    }

    /// The settings that come with the simulator for this site, or a quiet plant where there are none.
    ///
    /// # Errors
    /// Every problem when the bundled settings do not fit the description.
    pub fn bundled_or_quiet(plant: &Plant) -> Result<Self, Problems> {
        match super::bundled(&plant.site.id) {
            Some((file, source)) => Self::parse(plant, file, source),
            None => Ok(Self::quiet(plant)),
        }
    }

    /// Reads a settings file.
    ///
    /// # Errors
    /// Every problem with its line.
    pub fn parse(plant: &Plant, file: &str, source: &str) -> Result<Self, Problems> {
        let mut reader = Reader::new(file, source);
        let settings = reader.raw().map(|raw: RawFile| {
            Checking {
                plant,
                reader: &mut reader,
            }
            .all(&raw)
        });
        reader.finish(settings)
    }

    /// What a channel of unknown purpose shows.
    #[must_use]
    pub fn middle_of_range(plant: &Plant, ix: ChannelIx) -> f64 {
        plant.channel(ix).map_or(0.0, fallback::middle)
    }
}

struct Checking<'a, 'r> {
    plant: &'a Plant,
    reader: &'r mut Reader<'a>,
}

impl Checking<'_, '_> {
    fn all(&mut self, raw: &RawFile) -> SimulatorSettings {
        let mut settings = SimulatorSettings::quiet(self.plant);
        settings.model.climate = self.climate(raw.climate.as_ref());
        settings.model.header = raw.header.iter().flat_map(|id| self.vessels(id)).collect();
        settings.model.liquefier = raw.liquefier.as_ref().and_then(|l| self.liquefier(l));
        settings.model.movers = raw.mover.iter().filter_map(|m| self.mover(m)).collect();
        for entry in &raw.vessel {
            for ix in self.vessels(&entry.id) {
                if let Some(params) = settings.model.vessels.get_mut(ix) {
                    self.vessel(entry, params);
                }
            }
        }
        for entry in &raw.channel {
            self.channel(entry, &mut settings);
        }
        for pattern in &raw.not_drawn {
            let ids = self.plant.groups.iter().map(|group| group.id.to_string());
            let fitting: Vec<String> = ids
                .filter(|id| fits(pattern.get_ref(), id).is_some())
                .collect();
            if fitting.is_empty() {
                let text = format!("no shared source of error fits {:?}", pattern.get_ref());
                self.reader.problem(pattern, text);
            }
            settings.not_drawn.extend(fitting);
        }
        settings
    }

    fn set<Q: coldledger::quantity::Quantity>(&mut self, into: &mut f64, text: Option<&Text>) {
        if let Some(si) = text.and_then(|text| self.reader.quantity::<Q>(text)) {
            *into = si;
        }
    }

    fn climate(&mut self, raw: Option<&RawClimate>) -> Climate {
        let Some(raw) = raw else {
            return Climate::calm();
        };
        let mut climate = Climate::default();
        self.set::<Temperature>(&mut climate.mean_k, raw.mean.as_ref());
        self.set::<TemperatureDifference>(&mut climate.day_k, raw.day.as_ref());
        self.set::<Fraction>(&mut climate.day_spread, raw.day_spread.as_ref());
        self.set::<TemperatureDifference>(&mut climate.wander_k, raw.wander.as_ref());
        self.set::<Fraction>(&mut climate.clear, raw.clear.as_ref());
        self.set::<AbsolutePressure>(&mut climate.mean_pa, raw.mean_pressure.as_ref());
        self.set::<PressureDifference>(&mut climate.front_pa, raw.front.as_ref());
        climate
    }

    fn liquefier(&mut self, raw: &RawLiquefier) -> Option<Liquefier> {
        Some(Liquefier {
            into: self.one_vessel(&raw.into)?,
            hold: self.reader.quantity::<Fraction>(&raw.hold)?,
            most_kg_per_s: self.reader.quantity::<MassFlow>(&raw.most)?,
            header_low_pa: self.reader.quantity::<AbsolutePressure>(&raw.header_low)?,
        })
    }

    fn mover(&mut self, raw: &RawMover) -> Option<Mover> {
        let from = self.one_vessel(&raw.from)?;
        let bag = self
            .plant
            .all
            .vessel
            .get(from)
            .is_some_and(|vessel| matches!(vessel.contents, Contents::Bag { .. }));
        let kind = if bag {
            QuantityKind::Volume
        } else {
            QuantityKind::AbsolutePressure
        };
        Some(Mover {
            name: raw.name.get_ref().clone(),
            from,
            to: self.place(&raw.to)?,
            start_above: self.reader.of_kind(&raw.start_above, kind)?,
            stop_below: self.reader.of_kind(&raw.stop_below, kind)?,
            kg_per_s: self.reader.quantity::<MassFlow>(&raw.rate)?,
        })
    }

    fn vessel(&mut self, raw: &RawVessel, params: &mut VesselParams) {
        self.set::<Fraction>(&mut params.fill, raw.fill.as_ref());
        self.set::<AbsolutePressure>(&mut params.pressure_pa, raw.pressure.as_ref());
        self.set::<Temperature>(&mut params.temperature_k, raw.temperature.as_ref());
        self.set::<Volume>(&mut params.bag_m3, raw.bag_volume.as_ref());
        self.set::<Fraction>(&mut params.purity, raw.purity.as_ref());
        self.set::<Power>(&mut params.heat_load_w, raw.heat_load.as_ref());
        self.set::<Fraction>(&mut params.heat_load_wander, raw.heat_load_wander.as_ref());
        self.set::<PressureDifference>(
            &mut params.pressure_wander_pa,
            raw.pressure_wander.as_ref(),
        );
        self.set::<TemperatureDifference>(&mut params.superheat_k, raw.superheat.as_ref());
        self.set::<TemperatureDifference>(&mut params.subcooling_k, raw.subcooling.as_ref());
        self.set::<Duration>(&mut params.liquid_lag_s, raw.liquid_lag.as_ref());
        self.set::<Duration>(&mut params.gas_lag_s, raw.gas_lag.as_ref());
        self.set::<TemperatureDifference>(&mut params.sun_k, raw.sun.as_ref());
        self.set::<Duration>(&mut params.thermometer_lag_s, raw.thermometer_lag.as_ref());
        self.set::<TemperatureDifference>(
            &mut params.thermometer_sun_k,
            raw.thermometer_sun.as_ref(),
        );
        params.held = raw.held.unwrap_or(params.held);
        if let Some(wander) = &raw.holdup_wander {
            params.holdup_wander = *wander.get_ref();
        }
        if let Some(place) = raw.boil_off_to.as_ref().and_then(|to| self.place(to)) {
            params.boil_off_to = place;
        }
        if let Some(supply) = raw.supply.as_ref().and_then(|s| self.supply(s)) {
            params.supply = Some(supply);
        }
        if let Some(refill) = raw.refill.as_ref().and_then(|r| self.refill(r)) {
            params.refill = Some(refill);
        }
    }

    fn supply(&mut self, raw: &raw::RawSupply) -> Option<Supply> {
        Some(Supply {
            from: self.one_vessel(&raw.from)?,
            hold: self.reader.quantity::<Fraction>(&raw.hold)?,
            most_kg_per_s: self.reader.quantity::<MassFlow>(&raw.most)?,
            flash: self.reader.quantity::<Fraction>(&raw.flash)?,
        })
    }

    fn refill(&mut self, raw: &raw::RawRefill) -> Option<Refill> {
        Some(Refill {
            from: self.one_vessel(&raw.from)?,
            below: self.reader.quantity::<Fraction>(&raw.below)?,
            until: self.reader.quantity::<Fraction>(&raw.until)?,
            kg_per_s: self.reader.quantity::<MassFlow>(&raw.rate)?,
            flash: self.reader.quantity::<Fraction>(&raw.flash)?,
        })
    }

    fn channel(&mut self, raw: &RawChannel, settings: &mut SimulatorSettings) {
        let mut found = false;
        for (n, channel) in (0u32..).zip(&self.plant.all.channel) {
            let Some(star) = fits(raw.id.get_ref(), &channel.id) else {
                continue;
            };
            found = true;
            let ix = ChannelIx(n);
            // The first entry that fits a channel holds for it.
            if settings.channels.contains_key(&ix) {
                continue;
            }
            if let Some(rule) = self.rule(raw, star, ix, &settings.model) {
                settings.channels.insert(ix, rule);
            }
        }
        if !found {
            let text = format!("no channel of the description fits {:?}", raw.id.get_ref());
            self.reader.problem(&raw.id, text);
        }
    }

    fn rule(
        &mut self,
        raw: &RawChannel,
        star: &str,
        ix: ChannelIx,
        model: &ModelParams,
    ) -> Option<ChannelRule> {
        let kind = self.plant.channel(ix)?.kind;
        let follows = match (&raw.follows, &raw.value) {
            (Some(text), None) => {
                let words = text.get_ref().replace('*', star);
                let follows = self.follows(&words, kind, model);
                if follows.is_none() {
                    self.reader.problem(text, unknown_follows(&words));
                }
                follows?
            }
            (None, Some(text)) => Follows::Constant(self.reader.of_kind(text, kind)?),
            _ => {
                let text = "write either follows (a truth of the model) or value (a constant)";
                self.reader.problem(&raw.id, text);
                return None;
            }
        };
        let mut rule = ChannelRule::plain(follows);
        rule.factor = raw.factor.unwrap_or(1.0);
        if let Some(plus) = &raw.plus {
            rule.plus = self.reader.of_kind(plus, kind.difference())?;
        }
        if let Some(wander) = &raw.wander {
            rule.wander = self.reader.of_kind(wander, kind.difference())?;
        }
        if let Some(time) = &raw.wander_time {
            rule.wander_time_s = self.reader.quantity::<Duration>(time)?;
        }
        Some(rule)
    }

    fn follows(&self, words: &str, kind: QuantityKind, model: &ModelParams) -> Option<Follows> {
        match words {
            "barometer" => return Some(Follows::Barometer),
            "ambient" => return Some(Follows::Ambient),
            "header" if kind == QuantityKind::GaugePressure => return Some(Follows::HeaderGauge),
            "header" => return Some(Follows::HeaderPressure),
            "liquefier" => return Some(Follows::Liquefier),
            "returned" => return Some(Follows::Returned),
            _ => {}
        }
        let (id, quantity) = words.rsplit_once(' ')?;
        if id == "mover" {
            let at = model.movers.iter().position(|m| m.name == quantity)?;
            return Some(Follows::Mover(at));
        }
        let (ix, vessel) = self.plant.vessel_by_id(id)?;
        let quantity = match quantity {
            "head" => match &vessel.contents {
                Contents::Bath { strapping, .. } => VesselQuantity::Head {
                    bottom_m: strapping.heights().0,
                    top_m: strapping.heights().1,
                },
                _ => return None,
            },
            "pressure" if kind == QuantityKind::GaugePressure => VesselQuantity::Gauge,
            "pressure" => VesselQuantity::Pressure,
            "temperature" => VesselQuantity::Temperature,
            "thermometer" => VesselQuantity::Thermometer,
            "vapour" => VesselQuantity::Vapour,
            "level" => VesselQuantity::Level { bottom_m: 0.0 },
            "volume" => VesselQuantity::Volume,
            "purity" => VesselQuantity::Purity,
            "supply" => VesselQuantity::Supply,
            "valve" => VesselQuantity::Valve,
            "boil-off" => VesselQuantity::BoilOff,
            "return" => VesselQuantity::Return,
            "heat" => VesselQuantity::Heat,
            "on-header" => VesselQuantity::OnHeader,
            "mass" => VesselQuantity::Mass,
            _ => return None,
        };
        Some(Follows::Vessel(ix.index(), quantity))
    }

    /// The vessels that a pattern fits.
    fn vessels(&mut self, id: &Text) -> Vec<usize> {
        let fitting: Vec<usize> = self
            .plant
            .all
            .vessel
            .iter()
            .enumerate()
            .filter(|(_, vessel)| fits(id.get_ref(), &vessel.id).is_some())
            .map(|(ix, _)| ix)
            .collect();
        if fitting.is_empty() {
            let text = format!("no vessel of the description fits {:?}", id.get_ref());
            self.reader.problem(id, text);
        }
        fitting
    }

    fn one_vessel(&mut self, id: &Text) -> Option<usize> {
        let found = self.plant.vessel_by_id(id.get_ref());
        if found.is_none() {
            let text = format!("no vessel of the description has the id {:?}", id.get_ref());
            self.reader.problem(id, text);
        }
        found.map(|(ix, _)| ix.index())
    }

    fn place(&mut self, id: &Text) -> Option<Place> {
        match id.get_ref().as_str() {
            "header" => Some(Place::Header),
            "outside" => Some(Place::Outside),
            _ => self.one_vessel(id).map(Place::Store),
        }
    }
}

fn unknown_follows(words: &str) -> String {
    format!(
        "{words:?} is no truth of the model; write barometer, ambient, header, liquefier, returned, \
         \"mover NAME\", or a vessel's id and one of pressure, temperature, thermometer, vapour, level, \
         head, volume, purity, supply, valve, boil-off, return, heat, on-header, mass"
    )
}
