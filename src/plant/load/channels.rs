//! Channels, each with its instrument's keys and its own laid over them.

use std::collections::BTreeMap;

use toml::Spanned;

use super::context::{Context, Ids, Place};
use super::curves::Curves;
use super::devices::{Groups, sorted};
use crate::instrument::chain::{Chain, Transform};
use crate::instrument::current_loop::CurrentLoop;
use crate::instrument::curve::CurveSpec;
use crate::instrument::decode::{Format, WordOrder};
use crate::instrument::uncertainty::{ChannelUncertainty, SharedKind, SharedTerm};
use crate::plant::model::{Behaviour, Channel, DeviceIx, RegisterTable, SectionIx};
use crate::plant::raw::{ChannelKeys, Entry, Instrument, Loop, Quantity, Slow, Text, Written};
use crate::quantity::{GroupIx, QuantityKind, Unit};
use crate::time::{Span, Timestamp};

const INTERVAL: Span = Span::from_millis(10_000);
const SHORTEST_INTERVAL: Span = Span::from_millis(1_000);
const LONGEST_INTERVAL: Span = Span::HOUR;

/// What channels refer to.
pub(super) struct Known<'k> {
    pub devices: &'k Ids,
    pub sections: &'k Ids,
    pub groups_by_id: &'k Ids,
    pub instruments: &'k BTreeMap<String, &'k Entry<Instrument>>,
    pub curves: &'k Curves,
}

/// A key with its place, from the channel or from its instrument.
struct Key<'e, F> {
    value: &'e F,
    at: Place,
}

type OptionalKey<'e> = Option<Key<'e, Written>>;

struct Reader<'c, 'f, 'e> {
    context: &'c mut Context<'f>,
    id: &'e str,
    entry: &'e Entry<ChannelKeys>,
    template: Option<&'e Entry<Instrument>>,
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

/// A channel.
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
    let (chain, curve) = reader.chain(known, kind, unit)?;
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
    let uncertainty = reader.uncertainty(known, groups, kind, &chain, curve, range);
    let calibration_valid_to = match key!(reader, calibration_valid_to) {
        None => Some(curve.and_then(|curve| curve.valid_until)),
        Some(key) => match Timestamp::parse(key.value) {
            Ok(time) => Some(Some(time)),
            Err(_) => {
                reader.context.error(
                    key.at,
                    format!("{:?} is not a time", key.value),
                    "calibration-valid-to = \"2028-03-01T00:00:00Z\"",
                );
                None
            }
        },
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
        chain,
        kind,
        unit,
        range: range?,
        uncertainty: uncertainty?,
        interval,
        stale_after,
        hold,
        calibration_valid_to: calibration_valid_to?,
    })
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

impl<'e> Reader<'_, '_, 'e> {
    fn heading(&self) -> Place {
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
    fn missing(&mut self, key: &str, example: &str) {
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

    fn quantity(&mut self, key: &Key<'_, Written>, name: &str, kind: QuantityKind) -> Option<f64> {
        self.context
            .with_unit(key.at, &key.value.0, name, kind)
            .map(|(si, _)| si)
    }

    fn nested(
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

    fn not_negative(&mut self, at: Place, name: &str, value: f64) -> Option<f64> {
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

    fn duration(&mut self, key: OptionalKey<'_>, name: &str) -> Option<Option<(Span, Place)>> {
        let Some(key) = key else {
            return Some(None);
        };
        let seconds = self.quantity(&key, name, QuantityKind::Duration)?;
        self.not_negative(key.at, name, seconds)
            .map(|seconds| Some((Span::from_seconds(seconds), key.at)))
    }

    /// An uncertainty; one that is not written is zero.
    fn size(&mut self, key: OptionalKey<'_>, name: &str, kind: QuantityKind) -> Option<f64> {
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
        let Some(kind) = QuantityKind::ALL
            .iter()
            .copied()
            .find(|&kind| kind_word(kind) == *quantity.value)
        else {
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
            return Some((kind, kind.si_unit()));
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

    fn chain<'k>(
        &mut self,
        known: &Known<'k>,
        kind: QuantityKind,
        unit: &'static Unit,
    ) -> Option<(Chain, Option<&'k CurveSpec>)> {
        let format = match key!(self, format) {
            None => {
                self.missing(
                    "format",
                    "\"u16\", \"i16\", \"u32\", \"i32\", \"u64\", \"i64\", \"f32\" or \"f64\"",
                );
                None
            }
            Some(key) => {
                let found = format_of(key.value);
                if found.is_none() {
                    self.context.error(
                        key.at,
                        format!("{:?} is not a register format", key.value),
                        "u16, i16, u32, i32, u64, i64, f32 or f64",
                    );
                }
                found
            }
        };
        let order = match key!(self, word_order) {
            None => Some(WordOrder::HighFirst),
            Some(key) => match key.value.as_str() {
                "high-first" => Some(WordOrder::HighFirst),
                "low-first" => Some(WordOrder::LowFirst),
                other => {
                    self.context.error(
                        key.at,
                        format!("{other:?} is not a word order"),
                        "\"high-first\" or \"low-first\"",
                    );
                    None
                }
            },
        };
        let curve = match key!(self, curve) {
            None => None,
            Some(key) => {
                let spec = known.curves.find(self.context, key.at, key.value)?;
                if spec.quantity != kind {
                    self.context.error(
                        key.at,
                        format!(
                            "curve {:?} gives a {}, but the channel is a {}",
                            key.value,
                            spec.quantity.words(),
                            kind.words()
                        ),
                        format!(
                            "quantity = {:?}, or another curve",
                            kind_word(spec.quantity)
                        ),
                    );
                    return None;
                }
                Some(spec)
            }
        };
        // What the current loop gives, and what the registers hold.
        let sensed = curve.map_or(kind, |curve| curve.input);
        let current_loop = match key!(self, current_loop) {
            None => None,
            Some(key) => Some(self.current_loop(&key, sensed)?),
        };
        let signal = if current_loop.is_some() {
            QuantityKind::Current
        } else {
            sensed
        };
        let scale = match key!(self, scale) {
            None => {
                let example = format!(
                    "\"1 {}\", the value of one count (of 1.0, for a float)",
                    signal.difference().si_unit().symbol
                );
                self.missing("scale", &example);
                None
            }
            Some(key) => self
                .quantity(&key, "scale", signal.difference())
                .filter(|&scale| {
                    if scale == 0.0 {
                        self.context.error(
                            key.at,
                            "a scale of zero makes every reading the same",
                            "the value of one count",
                        );
                    }
                    scale != 0.0
                }),
        };
        let offset = match key!(self, offset) {
            Some(key) => self.quantity(&key, "offset", signal),
            None if signal == kind && unit.offset != 0.0 => {
                let example = format!("\"0 {}\", the value at code 0", unit.symbol);
                self.missing("offset", &example);
                None
            }
            None => Some(0.0),
        };
        let transform = match (current_loop, curve) {
            (None, None) => Transform::Direct,
            (Some(current_loop), None) => Transform::CurrentLoop(current_loop),
            (None, Some(spec)) => Transform::Curve(spec.curve.clone()),
            (Some(current_loop), Some(spec)) => Transform::CurrentLoopThenCurve {
                current_loop,
                curve: spec.curve.clone(),
            },
        };
        let chain = Chain {
            format: format?,
            order: order?,
            scale: scale?,
            offset: offset?,
            transform,
        };
        Some((chain, curve))
    }

    fn current_loop(&mut self, key: &Key<'_, Loop>, kind: QuantityKind) -> Option<CurrentLoop> {
        let mut end = |field: &Option<Quantity>, name: &str| {
            if let Some(field) = field {
                return self.nested(key.at, field, name, kind);
            }
            self.context.error(
                key.at,
                format!("current-loop has no {name}"),
                format!("{name} = \"... {}\"", kind.si_unit().symbol),
            );
            None
        };
        let at_4_ma = end(&key.value.at_4_ma, "at-4-ma");
        let at_20_ma = end(&key.value.at_20_ma, "at-20-ma");
        let (at_4_ma, at_20_ma) = (at_4_ma?, at_20_ma?);
        if at_4_ma == at_20_ma {
            self.context.error(
                key.at,
                "both ends of the current loop are the same value",
                "the values that the transmitter is set to at 4 mA and at 20 mA",
            );
            return None;
        }
        Some(CurrentLoop { at_4_ma, at_20_ma })
    }

    fn range(&mut self, kind: QuantityKind, curve: Option<&CurveSpec>) -> Option<(f64, f64)> {
        let Some(key) = key!(self, range) else {
            let symbol = kind.si_unit().symbol;
            let example =
                format!("[\"0 {symbol}\", \"100 {symbol}\"], the values that are believed");
            self.missing("range", &example);
            return None;
        };
        let [low, high] = key.value.as_slice() else {
            self.context.error(
                key.at,
                "a range has two ends",
                format!("range = [\"0 {0}\", \"100 {0}\"]", kind.si_unit().symbol),
            );
            return None;
        };
        let low = self.nested(key.at, low, "range", kind);
        let high = self.nested(key.at, high, "range", kind);
        let (low, high) = (low?, high?);
        if low >= high {
            self.context.error(
                key.at,
                "the lower end of the range is not below its upper end",
                "the lower end first",
            );
            return None;
        }
        if let Some(spec) = curve
            && let Ok((least, most)) = spec.curve.output_range()
        {
            let slack = 1e-6 * (most - least);
            if low < least - slack || high > most + slack {
                let unit = kind.si_unit();
                self.context.warning(
                    key.at,
                    format!(
                        "the range is wider than curve {:?}, which gives {} to {}",
                        spec.id,
                        unit.format(least, 1e-3 * (most - least)),
                        unit.format(most, 1e-3 * (most - least))
                    ),
                    "a range within the curve, since values beyond it are bad anyway",
                );
            }
        }
        Some((low, high))
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

    fn uncertainty(
        &mut self,
        known: &Known<'_>,
        groups: &mut Groups,
        kind: QuantityKind,
        chain: &Chain,
        curve: Option<&CurveSpec>,
        range: Option<(f64, f64)>,
    ) -> Option<ChannelUncertainty> {
        let difference = kind.difference();
        let symbol = difference.si_unit().symbol;
        let (noise, signal_noise) = (key!(self, noise), key!(self, signal_noise));
        let calibration = key!(self, calibration);
        // A state or a count has no uncertainty; everything that is measured has.
        if kind != QuantityKind::Plain {
            if noise.is_none() && signal_noise.is_none() {
                let example =
                    format!("\"... {symbol}\", the scatter of one reading (standard deviation)");
                self.missing("noise", &example);
            }
            let curve_states_it = curve.is_some_and(|curve| curve.std_uncertainty > 0.0);
            if calibration.is_none() && !curve_states_it {
                let example = format!(
                    "\"... {symbol}\", \"0.1 % of span\" or \"1 % of reading\" (standard uncertainty)"
                );
                self.missing("calibration", &example);
            }
        }
        let signal = match (&chain.transform, curve) {
            (Transform::Direct, _) => kind,
            (Transform::CurrentLoop(_) | Transform::CurrentLoopThenCurve { .. }, _) => {
                QuantityKind::Current
            }
            (Transform::Curve(_), Some(curve)) => curve.input,
            (Transform::Curve(_), None) => kind,
        };
        let noise_std = self.size(noise, "noise", difference);
        let signal_noise_std = self.size(signal_noise, "signal-noise", signal.difference());
        let resolution = match key!(self, resolution) {
            None => Some(if chain.format.is_integer() { 1.0 } else { 0.0 }),
            key => self
                .size(key, "resolution", signal.difference())
                .map(|signal| signal / chain.scale.abs()),
        };
        let zero = self.size(key!(self, zero), "zero", difference);
        let mut terms = Vec::new();
        let curve_std = curve.map_or(0.0, |curve| curve.std_uncertainty);
        let mut own_group = None;
        if calibration.is_some() || curve_std > 0.0 {
            own_group = Some(groups.add(self.id, Behaviour::Constant));
        }
        if let (Some(key), Some(group)) = (calibration, own_group) {
            let kind = self.calibration(&key, difference, chain, range)?;
            terms.push(SharedTerm { group, kind });
        }
        if let Some(zero) = zero
            && zero > 0.0
        {
            terms.push(SharedTerm {
                group: groups.add(&format!("{}/zero", self.id), Behaviour::Constant),
                kind: SharedKind::Absolute(zero),
            });
        }
        let slow = match key!(self, slow) {
            None => Some(()),
            Some(key) => self.slow(&key, groups, difference, &mut terms),
        };
        let shared = self.shared(known, difference, &mut terms);
        slow?;
        shared?;
        zero?;
        Some(ChannelUncertainty {
            noise_std: noise_std?,
            signal_noise_std: signal_noise_std?,
            resolution: resolution?,
            curve_std,
            curve_group: own_group.filter(|_| curve_std > 0.0),
            shared: sorted(terms).into(),
        })
    }

    /// `"0.5 mbar"`, `"0.1 % of span"` or `"1 % of reading"`.
    fn calibration(
        &mut self,
        key: &Key<'_, Written>,
        difference: QuantityKind,
        chain: &Chain,
        range: Option<(f64, f64)>,
    ) -> Option<SharedKind> {
        let text = key.value.0.as_str();
        let Some((part, whole)) = text.split_once(" of ") else {
            let value = self.quantity(key, "calibration", difference)?;
            return self
                .not_negative(key.at, "calibration", value)
                .map(SharedKind::Absolute);
        };
        let (part, _) =
            self.context
                .with_unit(key.at, part, "calibration", QuantityKind::Fraction)?;
        let part = self.not_negative(key.at, "calibration", part)?;
        match whole.trim() {
            "reading" => Some(SharedKind::RelativeToReading(part)),
            "span" => {
                let span = match (&chain.transform, range) {
                    (Transform::CurrentLoop(span), _) => (span.at_20_ma - span.at_4_ma).abs(),
                    (_, Some((low, high))) => high - low,
                    (_, None) => return None,
                };
                Some(SharedKind::Absolute(part * span))
            }
            other => {
                self.context.error(
                    key.at,
                    format!("calibration: a part of {other:?} is not known"),
                    "\"0.1 % of span\" or \"1 % of reading\"",
                );
                None
            }
        }
    }

    fn slow(
        &mut self,
        key: &Key<'_, Slow>,
        groups: &mut Groups,
        difference: QuantityKind,
        terms: &mut Vec<SharedTerm>,
    ) -> Option<()> {
        let (Some(std), Some(time)) = (&key.value.std, &key.value.time) else {
            self.context.error(
                key.at,
                "slow needs a standard deviation and the time in which it is forgotten",
                format!(
                    "slow = {{ std = \"... {}\", time = \"1 h\" }}",
                    difference.si_unit().symbol
                ),
            );
            return None;
        };
        let std = self.nested(key.at, std, "std", difference);
        let time = self.nested(key.at, time, "time", QuantityKind::Duration);
        let std = self.not_negative(key.at, "std", std?)?;
        let time = time?;
        if time <= 0.0 {
            self.context.error(
                key.at,
                "a correlation time must be above zero",
                "time = \"1 h\"",
            );
            return None;
        }
        let time = Span::from_seconds(time);
        terms.push(SharedTerm {
            group: groups.add(&format!("{}/slow", self.id), Behaviour::Correlated { time }),
            kind: SharedKind::Absolute(std),
        });
        Some(())
    }

    fn shared(
        &mut self,
        known: &Known<'_>,
        difference: QuantityKind,
        terms: &mut Vec<SharedTerm>,
    ) -> Option<()> {
        let own = self.entry.keys.instrument.shared.as_ref();
        let listed = own.map(|list| (list, self.entry.file)).or_else(|| {
            let template = self.template?;
            Some((template.keys.shared.as_ref()?, template.file))
        });
        let Some((list, file)) = listed else {
            return Some(());
        };
        let mut sound = true;
        for element in list {
            let at = Place {
                file,
                offset: element.span().start,
            };
            let element = element.get_ref();
            let (Some(group), Some(std)) = (&element.group, &element.std) else {
                self.context.error(
                    at,
                    "a shared error needs its group and its size",
                    format!(
                        "{{ group = \"...\", std = \"... {}\" }}",
                        difference.si_unit().symbol
                    ),
                );
                sound = false;
                continue;
            };
            let group_at = place_of(file, group);
            let group = self.context.find(
                group_at,
                group.get_ref(),
                "shared-error",
                known.groups_by_id,
            );
            // Signed: a source may raise one channel and lower another.
            let std = self.nested(at, std, "std", difference);
            match (group.and_then(|group| u16::try_from(group).ok()), std) {
                (Some(group), Some(std)) => terms.push(SharedTerm {
                    group: GroupIx(group),
                    kind: SharedKind::Absolute(std),
                }),
                _ => sound = false,
            }
        }
        sound.then_some(())
    }
}

fn place_of<F>(file: usize, field: &Spanned<F>) -> Place {
    Place {
        file,
        offset: field.span().start,
    }
}

fn format_of(word: &str) -> Option<Format> {
    Some(match word {
        "u16" => Format::U16,
        "i16" => Format::I16,
        "u32" => Format::U32,
        "i32" => Format::I32,
        "u64" => Format::U64,
        "i64" => Format::I64,
        "f32" => Format::F32,
        "f64" => Format::F64,
        _ => return None,
    })
}

/// Registers of one device and table that two channels read in different ways.
pub(super) fn check_overlaps(
    context: &mut Context<'_>,
    entries: &[Entry<ChannelKeys>],
    channels: &[Option<Channel>],
) {
    let mut spans: Vec<_> = channels
        .iter()
        .zip(entries)
        .filter_map(|(channel, entry)| channel.as_ref().map(|channel| (channel, entry)))
        .collect();
    spans.sort_by_key(|(channel, entry)| {
        (
            channel.device,
            channel.table,
            channel.address,
            entry.file,
            entry.start,
        )
    });
    // The channel that reaches furthest so far, of this device and table.
    let mut furthest: Option<&Channel> = None;
    for (channel, entry) in spans {
        let same_table =
            |other: &&Channel| (other.device, other.table) == (channel.device, channel.table);
        let end = |of: &Channel| u32::from(of.address) + u32::from(of.words());
        if let Some(other) = furthest.filter(same_table) {
            let alike = other.address == channel.address
                && other.chain.format == channel.chain.format
                && other.chain.order == channel.chain.order;
            if u32::from(channel.address) < end(other) && !alike {
                let at = entry
                    .keys
                    .own
                    .register
                    .as_ref()
                    .map_or(entry.start, |field| field.span().start);
                context.error(
                    Place {
                        file: entry.file,
                        offset: at,
                    },
                    format!(
                        "channels {:?} and {:?} read the same registers in different ways",
                        &*other.id, &*channel.id
                    ),
                    format!(
                        "another register: {:?} takes {} from {}",
                        &*other.id,
                        other.words(),
                        other.address
                    ),
                );
            }
        }
        if furthest
            .filter(same_table)
            .is_none_or(|other| end(channel) > end(other))
        {
            furthest = Some(channel);
        }
    }
}
