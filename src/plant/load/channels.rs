//! Channels, each with its instrument's keys and its own laid over them.

use std::collections::BTreeMap;

use super::context::{Context, Ids, Place};
use super::conversion;
use super::curves::Curves;
use super::devices::Groups;
use crate::instrument::chain::Chain;
use crate::instrument::curve::CurveSpec;
use crate::instrument::uncertainty::SharedKind;
use crate::plant::model::{Channel, ChannelIx, DeviceIx, RegisterTable, SectionIx};
use crate::plant::raw::{ChannelKeys, Entry, Instrument, Quantity, Text, Written};
use crate::quantity::{self, QuantityKind, Unit};
use crate::time::{Span, Timestamp};

const INTERVAL: Span = Span::from_millis(10_000);
const SHORTEST_INTERVAL: Span = Span::from_millis(1_000);
const LONGEST_INTERVAL: Span = Span::HOUR;

/// What channels refer to.
pub(super) struct Known<'k> {
    pub devices: &'k Ids,
    pub sections: &'k Ids,
    pub groups_by_id: &'k Ids,
    pub channels: &'k Ids,
    pub instruments: &'k BTreeMap<String, &'k Entry<Instrument>>,
    pub curves: &'k Curves,
}

/// A key with its place, from the channel or from its instrument.
pub(super) struct Key<'e, F> {
    pub(super) value: &'e F,
    pub(super) at: Place,
}

pub(super) type OptionalKey<'e> = Option<Key<'e, Written>>;

pub(super) struct Reader<'c, 'f, 'e> {
    pub(super) context: &'c mut Context<'f>,
    pub(super) id: &'e str,
    pub(super) entry: &'e Entry<ChannelKeys>,
    pub(super) template: Option<&'e Entry<Instrument>>,
}

/// The key where it stands: the channel's own before the instrument's.
macro_rules! key {
    ($reader:expr, $field:ident) => {{
        let own = $reader.entry.keys.instrument.$field.as_ref();
        let from_template = || {
            let entry = $reader.template?;
            Some((entry.keys.$field.as_ref()?, entry.file))
        };
        own.map(|field| (field, $reader.entry.file))
            .or_else(from_template)
            .map(|(field, file)| Key {
                value: field.get_ref(),
                at: Place {
                    file,
                    offset: field.span().start,
                },
            })
    }};
}
pub(super) use key;

/// What is known of a channel before its uncertainty is read.
pub(super) struct Made<'m> {
    pub(super) kind: QuantityKind,
    pub(super) unit: &'static Unit,
    pub(super) chain: Chain,
    pub(super) curve: Option<&'m CurveSpec>,
    pub(super) range: Option<(f64, f64)>,
    /// What the registers hold.
    pub(super) signal: QuantityKind,
    /// Uncertainty of corrections, each a source of its own.
    pub(super) corrections: Vec<(&'static str, SharedKind)>,
    /// The calibration is valid to here.
    pub(super) valid_to: Option<Timestamp>,
}

/// A channel.
#[expect(
    clippy::too_many_lines,
    reason = "one key after the other, straight down"
)]
pub(super) fn channel(
    context: &mut Context<'_>,
    known: &Known<'_>,
    groups: &mut Groups,
    entry: &Entry<ChannelKeys>,
) -> Option<Channel> {
    let own = &entry.keys.own;
    let at = |field: &Text| Place {
        file: entry.file,
        offset: field.span().start,
    };
    let id = own.id.as_ref().map_or("", |id| id.get_ref());
    let template = own.instrument.as_ref().and_then(|name| {
        let found = known.instruments.get(name.get_ref().as_str()).copied();
        if found.is_none() {
            let near = super::nearest_of(name.get_ref(), known.instruments.keys());
            context.error(
                at(name),
                format!("there is no instrument {:?}", name.get_ref()),
                near.map_or_else(
                    || {
                        format!(
                            "the name of an [instrument.NAME] table, such as [instrument.{}]",
                            name.get_ref()
                        )
                    },
                    |near| format!("{near:?}, if that is meant"),
                ),
            );
        }
        found
    });
    let template_unknown = own.instrument.is_some() && template.is_none();
    let mut reader = Reader {
        context,
        id,
        entry,
        template,
    };
    let name = reader.own_text(own.name.as_ref(), "name", "\"what it measures, in words\"");
    let device = reader
        .own_text(own.device.as_ref(), "device", "\"the id of a device\"")
        .zip(own.device.as_ref())
        .and_then(|(id, field)| reader.context.find(at(field), &id, "device", known.devices));
    let section = match &own.section {
        None => Some(None),
        Some(field) => reader
            .context
            .find(at(field), field.get_ref(), "section", known.sections)
            .map(|ix| Some(SectionIx(ix))),
    };
    let register = reader
        .own_text(
            own.register.as_ref(),
            "register",
            "\"holding 100\" or \"input 12\", counted from 0",
        )
        .zip(own.register.as_ref())
        .and_then(|(text, field)| {
            let parsed = register(&text);
            if parsed.is_none() {
                reader.context.error(
                    at(field),
                    format!("{text:?} is not a register"),
                    "\"holding 100\" or \"input 12\", counted from 0 up to 65535",
                );
            }
            parsed
        });
    // Without its instrument everything below would be called missing, which it is not.
    if template_unknown {
        return None;
    }
    let meaning = reader.meaning();
    let timing = reader.timing();
    let (kind, unit) = meaning?;
    let conversion::Conversion {
        chain,
        curve,
        signal,
        corrections,
        cold_junction,
    } = reader.chain(known, kind, unit)?;
    if let Some((_, address)) = register
        && u32::from(address) + u32::from(chain.format.words()) > 65_536
        && let Some(field) = &own.register
    {
        reader.context.error(
            at(field),
            format!(
                "channel {id:?} takes {} registers from {address}, beyond the last, 65535",
                chain.format.words()
            ),
            "a lower register",
        );
    }
    let range = reader.range(kind, curve);
    let calibration_valid_to = match key!(reader, calibration_valid_to) {
        None => Some(curve.and_then(|curve| curve.valid_until)),
        Some(key) => reader.time(&key, "calibration-valid-to").map(Some),
    };
    let made = Made {
        kind,
        unit,
        chain,
        curve,
        range,
        signal,
        corrections,
        valid_to: calibration_valid_to.flatten(),
    };
    let uncertainty = reader.uncertainty(known, groups, &made);
    let agrees_with = match &own.agrees_with {
        None => Some(None),
        Some(field) => reader
            .context
            .find(at(field), field.get_ref(), "channel", known.channels)
            .map(|ix| Some(ChannelIx(ix))),
    };
    let instrument = key!(reader, is).map_or_else(
        || {
            own.instrument
                .as_ref()
                .map_or_else(String::new, |name| name.get_ref().clone())
        },
        |key| key.value.clone(),
    );
    let (table, address) = register?;
    let (interval, stale_after, hold) = timing?;
    Some(Channel {
        id: id.into(),
        name: name?,
        instrument,
        section: section?,
        device: DeviceIx(device?),
        table,
        address,
        chain: made.chain,
        kind,
        unit,
        range: range?,
        uncertainty: uncertainty?,
        interval,
        stale_after,
        hold,
        calibration_valid_to: calibration_valid_to?,
        cold_junction,
        agrees_with: agrees_with?,
    })
}

/// What a channel measures, as far as that can be read; says nothing when it cannot.
pub(super) fn kind_of(
    instruments: &BTreeMap<String, &Entry<Instrument>>,
    entry: &Entry<ChannelKeys>,
) -> Option<QuantityKind> {
    let own = &entry.keys;
    let of_instrument = || {
        let name = own.own.instrument.as_ref()?.get_ref();
        instruments.get(name)?.keys.quantity.as_ref()
    };
    let word = own.instrument.quantity.as_ref().or_else(of_instrument)?;
    kind_named(word.get_ref())
}

fn kind_named(word: &str) -> Option<QuantityKind> {
    QuantityKind::ALL
        .iter()
        .copied()
        .find(|&kind| kind_word(kind) == word)
}

fn register(text: &str) -> Option<(RegisterTable, u16)> {
    let (table, address) = text.split_once(' ')?;
    let table = match table {
        "holding" => RegisterTable::Holding,
        "input" => RegisterTable::Input,
        _ => return None,
    };
    Some((table, address.trim().parse().ok()?))
}

/// The name of a kind in a description: `absolute-pressure`.
pub(super) fn kind_word(kind: QuantityKind) -> String {
    kind.words().replace(' ', "-")
}

impl Reader<'_, '_, '_> {
    pub(super) fn heading(&self) -> Place {
        Place {
            file: self.entry.file,
            offset: self.entry.start,
        }
    }

    fn own_text(&mut self, field: Option<&Text>, key: &str, example: &str) -> Option<String> {
        let text = field
            .map(|field| field.get_ref().trim())
            .filter(|text| !text.is_empty());
        if text.is_none() && !self.entry.dropped.contains(key) {
            let at = field.map_or(self.heading(), |field| Place {
                file: self.entry.file,
                offset: field.span().start,
            });
            self.context.error(
                at,
                format!("channel {:?} has no {key}", self.id),
                format!("{key} = {example}"),
            );
        }
        text.map(str::to_owned)
    }

    /// Says that a key is missing: once at the instrument, or at a channel that has none.
    pub(super) fn missing(&mut self, key: &str, example: &str) {
        let dropped = self.entry.dropped.contains(key)
            || self
                .template
                .is_some_and(|entry| entry.dropped.contains(key));
        if dropped {
            return;
        }
        let (at, called) = match self.template {
            Some(entry) => (
                Place {
                    file: entry.file,
                    offset: entry.start,
                },
                format!("instrument {:?}", entry.name),
            ),
            None => (self.heading(), format!("channel {:?}", self.id)),
        };
        self.context.error(
            at,
            format!("{called} has no {key}"),
            format!("{key} = {example}"),
        );
    }

    pub(super) fn time(&mut self, key: &Key<'_, String>, name: &str) -> Option<Timestamp> {
        let time = Timestamp::parse(key.value).ok();
        if time.is_none() {
            self.context.error(
                key.at,
                format!("{:?} is not a time", key.value),
                format!("{name} = \"2028-03-01T00:00:00Z\""),
            );
        }
        time
    }

    pub(super) fn quantity(
        &mut self,
        key: &Key<'_, Written>,
        name: &str,
        kind: QuantityKind,
    ) -> Option<f64> {
        self.context
            .with_unit(key.at, &key.value.0, name, kind)
            .map(|(si, _)| si)
    }

    pub(super) fn nested(
        &mut self,
        at: Place,
        field: &Quantity,
        name: &str,
        kind: QuantityKind,
    ) -> Option<f64> {
        let at = Place {
            offset: field.span().start,
            ..at
        };
        self.context
            .with_unit(at, &field.get_ref().0, name, kind)
            .map(|(si, _)| si)
    }

    pub(super) fn not_negative(&mut self, at: Place, name: &str, value: f64) -> Option<f64> {
        if value >= 0.0 {
            return Some(value);
        }
        self.context.error(
            at,
            format!("{name} is below zero"),
            format!("{name} without its sign"),
        );
        None
    }

    #[expect(
        clippy::option_option,
        reason = "not written is one thing, written wrongly another"
    )]
    fn duration(&mut self, key: OptionalKey<'_>, name: &str) -> Option<Option<(Span, Place)>> {
        let Some(key) = key else {
            return Some(None);
        };
        let seconds = self.quantity(&key, name, QuantityKind::Duration)?;
        self.not_negative(key.at, name, seconds)
            .map(|seconds| Some((Span::from_seconds(seconds), key.at)))
    }

    /// An uncertainty; one that is not written is zero.
    pub(super) fn size(
        &mut self,
        key: OptionalKey<'_>,
        name: &str,
        kind: QuantityKind,
    ) -> Option<f64> {
        let Some(key) = key else {
            return Some(0.0);
        };
        let value = self.quantity(&key, name, kind)?;
        self.not_negative(key.at, name, value)
    }

    /// What the value is, and its unit for people.
    fn meaning(&mut self) -> Option<(QuantityKind, &'static Unit)> {
        let Some(quantity) = key!(self, quantity) else {
            self.missing(
                "quantity",
                "\"temperature\", \"gauge-pressure\", \"length\" ...",
            );
            return None;
        };
        let Some(kind) = kind_named(quantity.value) else {
            let words: Vec<_> = QuantityKind::ALL.iter().copied().map(kind_word).collect();
            let near = super::nearest_of(quantity.value, &words);
            self.context.error(
                quantity.at,
                format!("{:?} is not a quantity", quantity.value),
                near.map_or_else(
                    || format!("one of {}", words.join(", ")),
                    |near| format!("{near:?}, if that is meant"),
                ),
            );
            return None;
        };
        let Some(unit) = key!(self, unit) else {
            // People write a range in the unit they think in.
            let of_range = key!(self, range)
                .and_then(|range| range.value.last())
                .and_then(|end| quantity::parse(&end.get_ref().0, kind).ok());
            return Some((kind, of_range.map_or(kind.si_unit(), |(_, unit)| unit)));
        };
        let found = kind.unit(unit.value);
        if found.is_none() {
            let known: Vec<_> = kind.units().map(|unit| unit.symbol).collect();
            self.context.error(
                unit.at,
                format!("{:?} is not a unit of {}", unit.value, kind.words()),
                format!("one of {}", known.join(", ")),
            );
        }
        Some((kind, found?))
    }

    fn timing(&mut self) -> Option<(Span, Span, Option<Span>)> {
        let interval = self.duration(key!(self, interval), "interval");
        let stale_after = self.duration(key!(self, stale_after), "stale-after");
        let hold = self.duration(key!(self, hold), "hold");
        let (interval, stale_after, hold) = (interval?, stale_after?, hold?);
        if let Some((interval, at)) = interval
            && !(SHORTEST_INTERVAL..=LONGEST_INTERVAL).contains(&interval)
        {
            self.context.error(
                at,
                "a channel is read once in 1 s at most and once in 1 h at least",
                "interval = \"10 s\"",
            );
            return None;
        }
        let interval = interval.map_or(INTERVAL, |(interval, _)| interval);
        let twice = interval + interval;
        if let Some((stale_after, at)) = stale_after
            && stale_after < twice
        {
            self.context.error(
                at,
                format!("a value would be stale {stale_after} after it was read, though it is only read every {interval}"),
                format!("stale-after = \"{:.0} s\" or longer: two intervals at least", twice.seconds()),
            );
            return None;
        }
        Some((
            interval,
            stale_after.map_or(twice + interval, |(stale, _)| stale),
            hold.map(|(hold, _)| hold),
        ))
    }
}
