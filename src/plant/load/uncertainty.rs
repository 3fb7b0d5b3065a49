//! The uncertainty of a channel, each part tied to its source.

use toml::Spanned;

use super::channels::{Key, Known, Made, Reader, key};
use super::context::{Place, unit_of_difference};
use super::devices::{Groups, sorted};
use crate::instrument::chain::{Chain, Transform};
use crate::instrument::curve::{Curve, ToleranceClass};
use crate::instrument::uncertainty::{ChannelUncertainty, SharedKind, SharedTerm};
use crate::plant::model::Behaviour;
use crate::plant::raw::Slow;
use crate::quantity::{GroupIx, QuantityKind};
use crate::time::Span;

impl Reader<'_, '_, '_> {
    #[expect(
        clippy::too_many_lines,
        reason = "one key after the other, straight down"
    )]
    pub(super) fn uncertainty(
        &mut self,
        known: &Known<'_>,
        groups: &mut Groups,
        made: &Made<'_>,
    ) -> Option<ChannelUncertainty> {
        let Made {
            kind,
            unit,
            ref chain,
            curve,
            signal,
            ref corrections,
            ..
        } = *made;
        let difference = kind.difference();
        let symbol = unit_of_difference(unit, kind);
        let (noise, signal_noise) = (key!(self, noise), key!(self, signal_noise));
        let calibration = key!(self, calibration);
        let signal_calibration = key!(self, signal_calibration);
        // A state or a count has no uncertainty; everything that is measured has.
        if kind != QuantityKind::Plain {
            if noise.is_none() && signal_noise.is_none() {
                let example =
                    format!("\"... {symbol}\", the scatter of one reading (standard deviation)");
                self.missing("noise", &example);
            }
            let curve_states_it = curve.is_some_and(|curve| curve.std_uncertainty > 0.0);
            if calibration.is_none() && signal_calibration.is_none() && !curve_states_it {
                let example = format!(
                    "\"... {symbol}\", \"0.1 % of span\" or \"1 % of reading\" (standard uncertainty)"
                );
                self.missing("calibration", &example);
            }
        }
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
        if calibration.is_some() || signal_calibration.is_some() || curve_std > 0.0 {
            own_group = Some(groups.add(self.id, Behaviour::Constant));
        }
        let mut calibrated = Vec::new();
        if curve_std > 0.0 {
            calibrated.push(SharedKind::Absolute(curve_std));
        }
        if let (Some(key), Some(group)) = (calibration, own_group) {
            let sizes = self.sizes(key.at, &key.value.0, "calibration", made)?;
            calibrated.extend(&sizes);
            for (at, size) in sizes.into_iter().enumerate() {
                // Span and reading err apart: the zero is not the slope.
                let group = match at {
                    0 => group,
                    _ => groups.add(
                        &format!("{}/calibration {}", self.id, at + 1),
                        Behaviour::Constant,
                    ),
                };
                let kind = Self::as_thermocouple(chain, size);
                terms.push(SharedTerm { group, kind });
            }
        }
        if let (Some(key), Some(group)) = (signal_calibration, own_group) {
            let std = self.quantity(&key, "signal-calibration", signal.difference())?;
            let std = self.not_negative(key.at, "signal-calibration", std)?;
            terms.push(SharedTerm {
                group,
                kind: SharedKind::SignalAbsolute(std),
            });
        }
        for &(part, kind) in corrections {
            terms.push(SharedTerm {
                group: groups.add(&format!("{}/{part}", self.id), Behaviour::Constant),
                kind,
            });
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
        let cut_off = self.cut_off(groups, kind);
        let ageing = self.ageing(groups, made, &calibrated);
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
            cut_off: cut_off?,
            ageing: ageing?,
        })
    }

    /// `"0.5 mbar"`, `"0.1 % of span"`, `"1 % of reading"`, or several with a plus between them.
    pub(super) fn sizes(
        &mut self,
        at: Place,
        text: &str,
        name: &str,
        made: &Made<'_>,
    ) -> Option<Vec<SharedKind>> {
        text.split(" + ")
            .map(|part| self.size_of(at, part.trim(), name, made))
            .collect()
    }

    fn size_of(
        &mut self,
        at: Place,
        text: &str,
        name: &str,
        made: &Made<'_>,
    ) -> Option<SharedKind> {
        let difference = made.kind.difference();
        if let Some(class) = text.strip_prefix("class ") {
            return self.platinum_class(at, class, name, made);
        }
        let Some((part, whole)) = text.split_once(" of ") else {
            let (value, _) = self.context.with_unit(at, text, name, difference)?;
            return self.not_negative(at, name, value).map(SharedKind::Absolute);
        };
        let (part, _) = self
            .context
            .with_unit(at, part, name, QuantityKind::Fraction)?;
        let part = self.not_negative(at, name, part)?;
        match whole.trim() {
            "reading" => Some(SharedKind::RelativeToReading(part)),
            "span" => {
                let span = match (&made.chain.transform, made.range) {
                    (Transform::CurrentLoop(span), _) => (span.at_20_ma - span.at_4_ma).abs(),
                    (_, Some((low, high))) => high - low,
                    (_, None) => return None,
                };
                Some(SharedKind::Absolute(part * span))
            }
            other => {
                self.context.error(
                    at,
                    format!("{name}: a part of {other:?} is not known"),
                    "\"0.1 % of span\" or \"1 % of reading\"",
                );
                None
            }
        }
    }

    /// `"class A"` or `"class B"` of IEC 60751.
    fn platinum_class(
        &mut self,
        at: Place,
        class: &str,
        name: &str,
        made: &Made<'_>,
    ) -> Option<SharedKind> {
        let platinum = made
            .curve
            .is_some_and(|spec| matches!(*spec.curve, Curve::Platinum(_)));
        match (class.trim(), platinum) {
            ("A", true) => Some(SharedKind::PlatinumClass(ToleranceClass::A)),
            ("B", true) => Some(SharedKind::PlatinumClass(ToleranceClass::B)),
            _ => {
                self.context.error(
                    at,
                    format!("{name}: class {class:?} is not one of IEC 60751 for a platinum curve"),
                    "\"class A\" or \"class B\" with curve = \"pt100\" or \"pt1000\", or a size such as \"0.2 K\"",
                );
                None
            }
        }
    }

    /// What a thermocouple is uncertain by in kelvins holds where its classes are stated, down to
    /// -200 degrees Celsius; below, it is the emf that those kelvins were there.
    fn as_thermocouple(chain: &Chain, size: SharedKind) -> SharedKind {
        const LEAST_CLASS_K: f64 = 73.15;
        let (Transform::Thermocouple { curve, .. }, SharedKind::Absolute(absolute)) =
            (&chain.transform, size)
        else {
            return size;
        };
        curve
            .sensitivity(LEAST_CLASS_K)
            .map_or(size, |sensitivity| SharedKind::AtLeastSignal {
                absolute,
                signal: absolute * sensitivity,
            })
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
