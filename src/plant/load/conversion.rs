//! From registers to the value of a channel: format, scale, current loop, curve and range.

use super::channels::{Key, Known, Reader, key, kind_word};
use super::context::Place;
use super::corrections::SensorForm;
use crate::instrument::chain::{Chain, Transform};
use crate::instrument::current_loop::CurrentLoop;
use crate::instrument::curve::CurveSpec;
use crate::instrument::decode::{Format, WordOrder};
use crate::instrument::uncertainty::SharedKind;
use crate::plant::model::ChannelIx;
use crate::plant::raw::{Loop, Quantity};
use crate::quantity::{QuantityKind, Unit};

/// How registers become the value of a channel.
pub(super) struct Conversion<'k> {
    pub chain: Chain,
    pub curve: Option<&'k CurveSpec>,
    /// What the registers hold.
    pub signal: QuantityKind,
    /// Uncertainty of corrections, each a source of its own.
    pub corrections: Vec<(&'static str, SharedKind)>,
    pub cold_junction: Option<ChannelIx>,
}

impl Reader<'_, '_, '_> {
    #[expect(
        clippy::too_many_lines,
        reason = "one key after the other, straight down"
    )]
    pub(super) fn chain<'k>(
        &mut self,
        known: &Known<'k>,
        kind: QuantityKind,
        unit: &'static Unit,
    ) -> Option<Conversion<'k>> {
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
        let sensor = self.sensor(known, kind, curve)?;
        // What the current loop gives, and what the registers hold.
        let sensed = sensor.input;
        let mut current_loop = match key!(self, current_loop) {
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
        let mut corrections = sensor.corrections;
        let (mut scale, mut offset) = (scale, offset);
        if let Some((factor, relative)) = self.gas_correction(kind, &sensor.form)? {
            if let Some(span) = &mut current_loop {
                span.at_4_ma *= factor;
                span.at_20_ma *= factor;
            } else {
                scale = scale.map(|scale| scale * factor);
                offset = offset.map(|offset| offset * factor);
            }
            corrections.push(("gas-factor", SharedKind::RelativeToReading(relative)));
        }
        let transform = match (current_loop, sensor.form) {
            (None, SensorForm::None) => Transform::Direct,
            (Some(current_loop), SensorForm::None) => Transform::CurrentLoop(current_loop),
            (None, SensorForm::Curve(curve)) => Transform::Curve(curve),
            (Some(current_loop), SensorForm::Curve(curve)) => Transform::CurrentLoopThenCurve {
                current_loop,
                curve,
            },
            (_, SensorForm::Thermocouple { curve, junction_k }) => {
                if current_loop.is_some() {
                    self.context.error(
                        self.heading(),
                        format!(
                            "channel {:?} is a thermocouple behind a current loop: such a transmitter makes the temperature itself",
                            self.id
                        ),
                        "current-loop without thermocouple, with the temperatures at 4 mA and 20 mA",
                    );
                    return None;
                }
                Transform::Thermocouple { curve, junction_k }
            }
        };
        let chain = Chain {
            format: format?,
            order: order?,
            scale: scale?,
            offset: offset?,
            transform,
        };
        Some(Conversion {
            chain,
            curve,
            signal,
            corrections,
            cold_junction: sensor.cold_junction,
        })
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

    pub(super) fn range(
        &mut self,
        kind: QuantityKind,
        curve: Option<&CurveSpec>,
    ) -> Option<(f64, f64)> {
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
