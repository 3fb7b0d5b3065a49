//! From the scenario file to checked events.

use coldledger::plant::{BookingKind, ChannelIx, Contents, Id, LiquidState, Plant};
use coldledger::quantity::{
    AbsolutePressure, Fraction, Mass, MassFlow, PressureDifference, QuantityKind, Temperature,
};
use coldledger::time::{Span, Timestamp};
use serde::Deserialize;
use toml::Spanned;

use super::{At, Booked, Event, Scenario, What};
use crate::model::{Leak, Place};
use crate::settings::Problems;
use crate::settings::text::{Reader, Text};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RawFile {
    #[serde(default)]
    event: Vec<Spanned<RawEvent>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawEvent {
    at: Text,
    kind: Text,
    lasts: Option<Text>,
    over: Option<Text>,
    vessel: Option<Text>,
    into: Option<Text>,
    flash: Option<Text>,
    to: Option<Text>,
    channel: Option<Text>,
    device: Option<Text>,
    rate: Option<Text>,
    at_pressure: Option<Text>,
    by: Option<Text>,
    mass: Option<Text>,
    energy: Option<Text>,
    booked: Option<Spanned<bool>>,
    booked_uncertainty: Option<Text>,
    booked_after: Option<Text>,
    lag: Option<Text>,
    mode: Option<Text>,
    holdup: Option<Text>,
}

/// Fields of helium that crosses the plant's boundary.
const CROSSING: &[&str] = &[
    "vessel",
    "mass",
    "over",
    "booked",
    "booked-uncertainty",
    "booked-after",
];

/// Kinds of events with the fields that each may have beside `at` and `kind`.
const KINDS: &[(&str, &[&str])] = &[
    ("leak", &["vessel", "rate", "at-pressure", "lasts"]),
    ("drift", &["channel", "rate", "lasts"]),
    ("step", &["channel", "by", "lasts"]),
    ("stuck-sensor", &["channel", "lasts"]),
    ("broken-loop", &["channel", "lasts"]),
    ("scale", &["channel", "by", "lasts"]),
    ("thermometer-lag", &["vessel", "lag", "lasts"]),
    ("mode", &["vessel", "mode", "holdup"]),
    ("delivery", CROSSING),
    ("vent", CROSSING),
    ("transfer", &["vessel", "into", "mass", "flash", "over"]),
    ("pump-down", &["vessel", "to", "over"]),
    ("stuck-valve", &["vessel", "lasts"]),
    ("quench", &["vessel", "energy", "over"]),
    ("isolate", &["vessel", "lasts"]),
    ("lost-device", &["device", "lasts"]),
    ("barometer", &["by", "over"]),
    ("hold-still", &["lasts"]),
];

impl Scenario {
    /// Reads a scenario file.
    ///
    /// # Errors
    /// Every problem with its line.
    pub fn parse(plant: &Plant, file: &str, source: &str) -> Result<Self, Problems> {
        let mut reader = Reader::new(file, source);
        let events = reader.raw().map(|raw: RawFile| {
            let mut checking = Checking {
                plant,
                reader: &mut reader,
            };
            raw.event
                .iter()
                .filter_map(|event| checking.event(event))
                .collect()
        });
        reader.finish(events.map(|events| Self { events }))
    }
}

struct Checking<'a, 'r> {
    plant: &'a Plant,
    reader: &'r mut Reader<'a>,
}

impl Checking<'_, '_> {
    fn event(&mut self, spanned: &Spanned<RawEvent>) -> Option<Event> {
        let raw = spanned.get_ref();
        let kind = raw.kind.get_ref().as_str();
        let Some((_, fields)) = KINDS.iter().find(|(name, _)| *name == kind) else {
            let names: Vec<_> = KINDS.iter().map(|(name, _)| *name).collect();
            let text = format!(
                "no event is called {kind:?}; use one of: {}",
                names.join(", ")
            );
            self.reader.problem(&raw.kind, text);
            return None;
        };
        self.only(raw, fields);
        let at = self.at(&raw.at)?;
        let lasts = match raw.lasts.as_ref().or(raw.over.as_ref()) {
            Some(text) => {
                let span = self.reader.span(text)?;
                if span <= Span::ZERO {
                    self.reader
                        .problem(text, "the time must be longer than nothing");
                    return None;
                }
                Some(span)
            }
            None => None,
        };
        let what = self.what(kind, raw)?;
        Some(Event { at, lasts, what })
    }

    #[expect(clippy::too_many_lines, reason = "one arm for each kind of event")]
    fn what(&mut self, kind: &str, raw: &RawEvent) -> Option<What> {
        let whole = &raw.kind;
        Some(match kind {
            "leak" => What::Leak(Leak {
                store: self.vessel(whole, raw)?,
                kg_per_s: self
                    .needed(whole, "rate", raw.rate.as_ref())
                    .and_then(|t| {
                        let rate = self.reader.quantity::<MassFlow>(t)?;
                        self.positive(t, rate)
                    })?,
                at_pa: match &raw.at_pressure {
                    Some(text) => {
                        let p = self.reader.quantity::<AbsolutePressure>(text)?;
                        Some(self.positive(text, p)?)
                    }
                    None => None,
                },
            }),
            "drift" => {
                let (channel, kind) = self.channel(whole, raw)?;
                let rate = self.needed(whole, "rate", raw.rate.as_ref())?;
                let per_s = self.reader.rate(rate, kind.difference())?;
                What::Drift { channel, per_s }
            }
            "step" => {
                let (channel, kind) = self.channel(whole, raw)?;
                let by = self.needed(whole, "by", raw.by.as_ref())?;
                let by = self.reader.of_kind(by, kind.difference())?;
                What::Step { channel, by }
            }
            "scale" => {
                let (channel, _) = self.channel(whole, raw)?;
                let by = self.needed(whole, "by", raw.by.as_ref())?;
                let factor = 1.0 + self.reader.quantity::<Fraction>(by)?;
                What::Scale { channel, factor }
            }
            "thermometer-lag" => {
                let store = self.vessel(whole, raw)?;
                let lag = self.needed(whole, "lag", raw.lag.as_ref())?;
                let seconds = self.reader.span(lag)?.seconds();
                What::ThermometerLag { store, seconds }
            }
            "mode" => {
                let store = self.vessel(whole, raw)?;
                let mode = self.mode(whole, raw, store)?;
                let holdup = self.needed(whole, "holdup", raw.holdup.as_ref())?;
                let holdup_kg = self.reader.quantity::<Mass>(holdup)?;
                What::Mode {
                    store,
                    mode,
                    holdup_kg,
                }
            }
            "stuck-sensor" => What::StuckSensor(self.channel(whole, raw)?.0),
            "broken-loop" => What::BrokenLoop(self.channel(whole, raw)?.0),
            "delivery" => {
                let header = raw
                    .vessel
                    .as_ref()
                    .is_some_and(|id| id.get_ref() == "header");
                What::Delivery {
                    into: if header {
                        Place::Header
                    } else {
                        Place::Store(self.vessel(whole, raw)?)
                    },
                    mass_kg: self.mass(whole, raw)?,
                    booked: self.booked(raw, BookingKind::Delivery),
                }
            }
            "vent" => What::Vent {
                from: self.vessel(whole, raw)?,
                mass_kg: self.mass(whole, raw)?,
                booked: self.booked(raw, BookingKind::MeteredVent),
            },
            "transfer" => self.transfer(whole, raw)?,
            "pump-down" => self.pump_down(whole, raw)?,
            "stuck-valve" => What::StuckValve(self.vessel(whole, raw)?),
            "quench" => {
                self.needed(whole, "over", raw.over.as_ref())?;
                let store = self.vessel(whole, raw)?;
                let text = self.needed(whole, "energy", raw.energy.as_ref())?;
                let energy_j = self.energy(text)?;
                What::Quench { store, energy_j }
            }
            "isolate" => What::Isolate(self.vessel(whole, raw)?),
            "lost-device" => {
                let id = self.needed(whole, "device", raw.device.as_ref())?;
                let Some((ix, _)) = self.plant.device_by_id(id.get_ref()) else {
                    let text = format!("the description has no device {:?}", id.get_ref());
                    self.reader.problem(id, text);
                    return None;
                };
                What::LostDevice(ix)
            }
            "barometer" => {
                self.needed(whole, "over", raw.over.as_ref())?;
                let by = self.needed(whole, "by", raw.by.as_ref())?;
                What::Barometer {
                    by_pa: self.reader.quantity::<PressureDifference>(by)?,
                }
            }
            // The kinds were looked up in the table before.
            _ => What::HoldStill,
        })
    }

    fn transfer(&mut self, whole: &Text, raw: &RawEvent) -> Option<What> {
        let from = self.vessel(whole, raw)?;
        let into = self.needed(whole, "into", raw.into.as_ref())?;
        let to = self.bath(into)?;
        let mass_kg = self.mass(whole, raw)?;
        let text = self.needed(whole, "flash", raw.flash.as_ref())?;
        let flash = self.reader.quantity::<Fraction>(text)?;
        if !(0.0..1.0).contains(&flash) {
            let problem = "the part that returns as gas is from 0 % to below 100 %";
            self.reader.problem(text, problem);
            return None;
        }
        Some(What::Transfer {
            from,
            to,
            mass_kg,
            flash,
        })
    }

    fn pump_down(&mut self, whole: &Text, raw: &RawEvent) -> Option<What> {
        self.needed(whole, "over", raw.over.as_ref())?;
        let store = self.vessel(whole, raw)?;
        let vessel = self.plant.all.vessel.get(store)?;
        let pumped = matches!(
            &vessel.contents,
            Contents::Bath {
                liquid: LiquidState::Pumped(_),
                ..
            }
        );
        if !pumped {
            let text = format!("vessel {} is no pumped bath", vessel.id);
            self.reader.problem(raw.vessel.as_ref()?, text);
            return None;
        }
        let to = self.needed(whole, "to", raw.to.as_ref())?;
        let to_k = self.reader.quantity::<Temperature>(to)?;
        if !(1.4..=4.6).contains(&to_k) {
            let text = "a pumped bath is between 1.4 K and 4.6 K here";
            self.reader.problem(to, text);
            return None;
        }
        Some(What::PumpDown { store, to_k })
    }

    /// A field that this kind of event does not use would be ignored silently, so it is refused.
    fn only(&mut self, raw: &RawEvent, fields: &[&str]) {
        let booked = raw.booked.as_ref().map(Spanned::span);
        let given = [
            ("lasts", raw.lasts.as_ref().map(Spanned::span)),
            ("over", raw.over.as_ref().map(Spanned::span)),
            ("vessel", raw.vessel.as_ref().map(Spanned::span)),
            ("into", raw.into.as_ref().map(Spanned::span)),
            ("flash", raw.flash.as_ref().map(Spanned::span)),
            ("to", raw.to.as_ref().map(Spanned::span)),
            ("channel", raw.channel.as_ref().map(Spanned::span)),
            ("device", raw.device.as_ref().map(Spanned::span)),
            ("rate", raw.rate.as_ref().map(Spanned::span)),
            ("at-pressure", raw.at_pressure.as_ref().map(Spanned::span)),
            ("by", raw.by.as_ref().map(Spanned::span)),
            ("mass", raw.mass.as_ref().map(Spanned::span)),
            ("energy", raw.energy.as_ref().map(Spanned::span)),
            ("booked", booked),
            ("booked-after", raw.booked_after.as_ref().map(Spanned::span)),
            ("lag", raw.lag.as_ref().map(Spanned::span)),
            ("mode", raw.mode.as_ref().map(Spanned::span)),
            ("holdup", raw.holdup.as_ref().map(Spanned::span)),
            (
                "booked-uncertainty",
                raw.booked_uncertainty.as_ref().map(Spanned::span),
            ),
        ];
        for (name, span) in given {
            if let Some(span) = span
                && !fields.contains(&name)
            {
                let text = format!(
                    "an event of kind {:?} has no {name}; it may have: {}",
                    raw.kind.get_ref(),
                    fields.join(", ")
                );
                self.reader.problem(&Spanned::new(span, ()), text);
            }
        }
    }

    fn at(&mut self, text: &Text) -> Option<At> {
        if let Ok(at) = Timestamp::parse(text.get_ref()) {
            return Some(At::Instant(at));
        }
        self.reader.span(text).map(At::After)
    }

    fn needed<'t>(&mut self, whole: &Text, name: &str, text: Option<&'t Text>) -> Option<&'t Text> {
        if text.is_none() {
            let problem = format!("an event of kind {:?} needs {name}", whole.get_ref());
            self.reader.problem(whole, problem);
        }
        text
    }

    fn positive(&mut self, text: &Text, value: f64) -> Option<f64> {
        if value > 0.0 {
            return Some(value);
        }
        let problem = format!("{:?} must be above zero", text.get_ref());
        self.reader.problem(text, problem);
        None
    }

    fn vessel(&mut self, whole: &Text, raw: &RawEvent) -> Option<usize> {
        let id = self.needed(whole, "vessel", raw.vessel.as_ref())?;
        self.named(id)
    }

    fn named(&mut self, id: &Text) -> Option<usize> {
        let found = self.plant.vessel_by_id(id.get_ref());
        if found.is_none() {
            let text = format!("the description has no vessel {:?}", id.get_ref());
            self.reader.problem(id, text);
        }
        found.map(|(ix, _)| ix.index())
    }

    fn bath(&mut self, id: &Text) -> Option<usize> {
        let store = self.named(id)?;
        let vessel = self.plant.all.vessel.get(store)?;
        if matches!(vessel.contents, Contents::Bath { .. }) {
            return Some(store);
        }
        let text = format!("vessel {} is no bath: liquid cannot go there", vessel.id);
        self.reader.problem(id, text);
        None
    }

    fn channel(&mut self, whole: &Text, raw: &RawEvent) -> Option<(ChannelIx, QuantityKind)> {
        let id = self.needed(whole, "channel", raw.channel.as_ref())?;
        let found = self.plant.channel_by_id(id.get_ref());
        if found.is_none() {
            let text = format!("the description has no channel {:?}", id.get_ref());
            self.reader.problem(id, text);
        }
        found.map(|(ix, channel)| (ix, channel.kind))
    }

    fn mode(&mut self, whole: &Text, raw: &RawEvent, store: usize) -> Option<Id> {
        let text = self.needed(whole, "mode", raw.mode.as_ref())?;
        let vessel = self.plant.all.vessel.get(store)?;
        let found = vessel
            .modes
            .iter()
            .find(|mode| *mode.id == **text.get_ref());
        if found.is_none() {
            let problem = format!("vessel {} has no mode {:?}", vessel.id, text.get_ref());
            self.reader.problem(text, problem);
        }
        found.map(|mode| Id::clone(&mode.id))
    }

    fn mass(&mut self, whole: &Text, raw: &RawEvent) -> Option<f64> {
        self.needed(whole, "over", raw.over.as_ref())?;
        let text = self.needed(whole, "mass", raw.mass.as_ref())?;
        let mass = self.reader.quantity::<Mass>(text)?;
        self.positive(text, mass)
    }

    /// How it stands in the ledger; booked unless told otherwise.
    fn booked(&mut self, raw: &RawEvent, kind: BookingKind) -> Option<Booked> {
        let relative_std = match &raw.booked_uncertainty {
            // What is wrong with it is told, and the scenario refused.
            Some(text) => self.reader.quantity::<Fraction>(text).unwrap_or(0.0),
            None => 0.005,
        };
        let is_booked = raw.booked.as_ref().is_none_or(|booked| *booked.get_ref());
        let after = match &raw.booked_after {
            Some(text) => self.reader.span(text).unwrap_or(Span::ZERO),
            None => Span::ZERO,
        };
        is_booked.then_some(Booked {
            kind,
            relative_std,
            after,
        })
    }

    fn energy(&mut self, text: &Text) -> Option<f64> {
        let parsed = text
            .get_ref()
            .trim()
            .rsplit_once(' ')
            .and_then(|(number, unit)| {
                let scale = match unit {
                    "J" => 1.0,
                    "kJ" => 1e3,
                    "MJ" => 1e6,
                    _ => return None,
                };
                let number: f64 = number.trim().parse().ok()?;
                (number.is_finite() && number > 0.0).then_some(number * scale)
            });
        if parsed.is_none() {
            let problem = format!(
                "{:?} is not an energy above zero; write for example \"0.3 MJ\"",
                text.get_ref()
            );
            self.reader.problem(text, problem);
        }
        parsed
    }
}
