//! Liquid with vapour above it: shape, level, and the states of both.

use toml::Spanned;

use super::vessels::Reader;
use crate::instrument::level::{CapacitanceProbe, Strapping};
use crate::plant::model::{Contents, LevelSource, LiquidState, Stratified, VapourState};
use crate::plant::raw::{self, Quantity, Text};
use crate::quantity::{Capacitance, Length, QuantityKind, Temperature};

impl Reader<'_, '_, '_> {
    pub(super) fn bath(&mut self, field: &Spanned<raw::Bath>) -> Option<Contents> {
        let bath = field.get_ref();
        let strapping = if let Some(shape) = &bath.shape {
            self.shape(shape)
        } else {
            self.missing_in(
                field,
                "shape",
                "{ form = \"vertical-cylinder\", diameter = \"...\", length = \"...\", heads = \"flat\" }",
            );
            None
        };
        let volume_std = if let Some(std) = &bath.volume_std {
            self.context
                .positive(&self.here, std, "volume-std", QuantityKind::Volume, true)
        } else {
            self.missing_in(
                field,
                "volume-std",
                "\"3 L\", the standard uncertainty of the inside volume",
            );
            None
        };
        let level = if let Some(level) = &bath.level {
            self.level(level, strapping.as_ref().map(|(strapping, _)| strapping))
        } else {
            self.missing_in(
                field,
                "level",
                "{ height = \"channel\", bottom = \"20 mm\" }, or { pressure-difference = \"channel\", bottom-tap = \"...\", top-tap = \"...\" }",
            );
            None
        };
        let pressure = self.pressure(bath.pressure.as_ref(), field);
        let liquid = self.liquid(bath, field);
        let vapour = self.vapour(bath, field);
        let (strapping, contraction_std) = strapping?;
        Some(Contents::Bath {
            volume_std: libm::hypot(volume_std?, contraction_std * strapping.total()),
            strapping,
            level: level?,
            pressure: pressure?,
            liquid: liquid?,
            vapour: vapour?,
        })
    }

    fn liquid(&mut self, bath: &raw::Bath, field: &Spanned<raw::Bath>) -> Option<LiquidState> {
        let word = match &bath.liquid {
            None => "saturated",
            Some(word) => self.context.word(
                &self.here,
                word,
                "liquid",
                &[
                    ("saturated", "saturated"),
                    ("subcooled", "subcooled"),
                    ("pumped", "pumped"),
                    ("stratified", "stratified"),
                ],
            )?,
        };
        if word != "stratified" {
            for (field, key) in [
                (bath.bottom_temperature.as_ref(), "bottom-temperature"),
                (bath.surface_temperature.as_ref(), "surface-temperature"),
            ] {
                self.only_stratified(field, key);
            }
            self.only_stratified(bath.interface.as_ref(), "interface");
        }
        if word == "stratified" {
            return self.stratified(bath, field).map(LiquidState::Stratified);
        }
        if word == "saturated" {
            self.unused(
                bath.liquid_temperature.as_ref(),
                "liquid-temperature",
                "liquid",
            );
            return Some(LiquidState::Saturated);
        }
        let source = self.temperature(
            bath.liquid_temperature.as_ref(),
            "liquid-temperature",
            field,
        )?;
        Some(if word == "pumped" {
            LiquidState::Pumped(source)
        } else {
            LiquidState::Subcooled(source)
        })
    }

    fn only_stratified<F>(&mut self, field: Option<&Spanned<F>>, key: &str) {
        if let Some(field) = field {
            self.context.warning(
                self.here.at(field),
                format!("{key} is not used, since the liquid is not said to be stratified"),
                format!("liquid = \"stratified\", or drop {key}"),
            );
        }
    }

    fn stratified(&mut self, bath: &raw::Bath, field: &Spanned<raw::Bath>) -> Option<Stratified> {
        if let Some(one) = &bath.liquid_temperature {
            self.context.error(
                self.here.at(one),
                "stratified liquid has two temperatures, not one",
                "bottom-temperature and surface-temperature",
            );
            return None;
        }
        let bottom = self.temperature(
            bath.bottom_temperature.as_ref(),
            "bottom-temperature",
            field,
        );
        let surface = self.temperature(
            bath.surface_temperature.as_ref(),
            "surface-temperature",
            field,
        );
        let interface = match &bath.interface {
            None => Some(None),
            Some(height) => self
                .context
                .stated::<_, Length>(&self.here, height, "interface")
                .map(Some),
        };
        Some(Stratified {
            bottom: bottom?,
            surface: surface?,
            interface: interface?,
        })
    }

    fn vapour(&mut self, bath: &raw::Bath, field: &Spanned<raw::Bath>) -> Option<VapourState> {
        let superheated = match &bath.vapour {
            None => false,
            Some(word) => self.context.word(
                &self.here,
                word,
                "vapour",
                &[("saturated", false), ("superheated", true)],
            )?,
        };
        if !superheated {
            self.unused(
                bath.vapour_temperature.as_ref(),
                "vapour-temperature",
                "vapour",
            );
            return Some(VapourState::Saturated);
        }
        self.temperature(
            bath.vapour_temperature.as_ref(),
            "vapour-temperature",
            field,
        )
        .map(VapourState::Superheated)
    }

    fn unused(&mut self, field: Option<&Text>, key: &str, of: &str) {
        if let Some(field) = field {
            self.context.warning(
                self.here.at(field),
                format!("{key} is not used, since the {of} is saturated at the bath's pressure"),
                format!("{of} with another word, or drop {key}"),
            );
        }
    }

    #[expect(clippy::too_many_lines, reason = "one form of level after the other")]
    fn level(
        &mut self,
        field: &Spanned<raw::Level>,
        strapping: Option<&Strapping>,
    ) -> Option<LevelSource> {
        let level = field.get_ref();
        self.no_stray_level_keys(level);
        let source = match (
            &level.height,
            &level.pressure_difference,
            &level.capacitance,
            &level.volume,
        ) {
            (None, None, Some(capacitance), None) => {
                return self.capacitance_level(field, capacitance);
            }
            (None, None, None, Some(volume)) => LevelSource::Volume {
                channel: self.channel(
                    Some(volume),
                    "volume",
                    field,
                    &[QuantityKind::Volume],
                    "a level as volume of the liquid",
                )?,
            },
            (Some(height), None, None, None) => {
                let channel = self.channel(
                    Some(height),
                    "height",
                    field,
                    &[QuantityKind::Length],
                    "a level as height",
                );
                let bottom = self.height(level.bottom.as_ref(), "bottom", field);
                let (channel, bottom) = (channel?, bottom?);
                if let (Some(reading), Some(strapping)) = (self.channels.get(channel), strapping) {
                    let highest = bottom.si() + reading.range.1;
                    let top = strapping.heights().1;
                    if highest > top + 1e-6 {
                        self.context.warning(
                            self.here.at(height),
                            format!(
                                "the level may read up to {highest:.3} m, but the vessel is {top:.3} m high"
                            ),
                            "a range of the channel that ends inside the vessel",
                        );
                    }
                }
                let superfluid_bias = match &level.superfluid_bias {
                    None => None,
                    Some(bias) => Some(self.context.stated::<_, Length>(
                        &self.here,
                        bias,
                        "superfluid-bias",
                    )?),
                };
                LevelSource::Height {
                    channel,
                    bottom,
                    superfluid_bias,
                }
            }
            (None, Some(difference), None, None) => {
                let channel = self.channel(
                    Some(difference),
                    "pressure-difference",
                    field,
                    &[QuantityKind::PressureDifference],
                    "a level as difference of pressure",
                );
                let bottom_tap = self.height(level.bottom_tap.as_ref(), "bottom-tap", field);
                let top_tap = self.height(level.top_tap.as_ref(), "top-tap", field);
                let (bottom_tap, top_tap) = (bottom_tap?, top_tap?);
                if bottom_tap.si() >= top_tap.si() {
                    self.context.error(
                        self.here.at(field),
                        "the bottom tap is not below the top tap",
                        "heights above the lowest inside point of the vessel",
                    );
                    return None;
                }
                if let Some(strapping) = strapping
                    && top_tap.si() > strapping.heights().1 + 1e-6
                {
                    self.context.error(
                        self.here.at(field),
                        format!(
                            "the top tap at {:.3} m is above the vessel, which is {:.3} m high",
                            top_tap.si(),
                            strapping.heights().1
                        ),
                        "the height above the lowest inside point of the vessel",
                    );
                    return None;
                }
                let lines = match &level.line_temperature {
                    None => None,
                    Some(lines) => Some(self.context.stated::<_, Temperature>(
                        &self.here,
                        lines,
                        "line-temperature",
                    )?),
                };
                LevelSource::DifferentialPressure {
                    channel: channel?,
                    bottom_tap,
                    top_tap,
                    lines,
                }
            }
            _ => {
                self.context.error(
                    self.here.at(field),
                    "a level comes from one channel: a height, a difference of pressure, a capacitance or a volume",
                    "level = { height = \"channel\", bottom = \"20 mm\" }, level = { pressure-difference = \"channel\", bottom-tap = \"...\", top-tap = \"...\" }, level = { capacitance = \"channel\", bottom = \"...\", length = \"...\", empty = \"...\", stray = \"...\" }, or level = { volume = \"channel\" }",
                );
                return None;
            }
        };
        Some(source)
    }

    /// Keys of one form of level in another.
    fn no_stray_level_keys(&mut self, level: &raw::Level) {
        let (height, difference, capacitance) = (
            level.height.is_some(),
            level.pressure_difference.is_some(),
            level.capacitance.is_some(),
        );
        for (field, key, belongs, of) in [
            (
                &level.bottom,
                "bottom",
                height || capacitance,
                "height or capacitance",
            ),
            (&level.superfluid_bias, "superfluid-bias", height, "height"),
            (
                &level.bottom_tap,
                "bottom-tap",
                difference,
                "pressure-difference",
            ),
            (&level.top_tap, "top-tap", difference, "pressure-difference"),
            (
                &level.line_temperature,
                "line-temperature",
                difference,
                "pressure-difference",
            ),
            (&level.length, "length", capacitance, "capacitance"),
            (&level.empty, "empty", capacitance, "capacitance"),
            (&level.stray, "stray", capacitance, "capacitance"),
        ] {
            if let Some(field) = field
                && !belongs
            {
                self.context.warning(
                    self.here.at(field),
                    format!("{key} is not used: it belongs to a level by {of}"),
                    format!("no {key}"),
                );
            }
        }
    }

    fn capacitance_level(
        &mut self,
        field: &Spanned<raw::Level>,
        channel: &Text,
    ) -> Option<LevelSource> {
        let level = field.get_ref();
        let channel = self.channel(
            Some(channel),
            "capacitance",
            field,
            &[QuantityKind::Capacitance],
            "a level as capacitance",
        );
        let bottom = self.height(level.bottom.as_ref(), "bottom", field);
        let length = if let Some(length) = &level.length {
            self.context
                .positive(&self.here, length, "length", QuantityKind::Length, false)
        } else {
            self.missing_in(
                field,
                "length",
                "\"800 mm\", the sensitive part of the probe",
            );
            None
        };
        let mut capacitance = |quantity: Option<&Quantity>, key: &str, example: &str| {
            let Some(quantity) = quantity else {
                self.missing_in(field, key, example);
                return None;
            };
            self.context
                .stated::<_, Capacitance>(&self.here, quantity, key)
        };
        let empty = capacitance(
            level.empty.as_ref(),
            "empty",
            "\"120 pF ± 0.1 pF\", the sensitive part in vacuum",
        );
        let stray = capacitance(
            level.stray.as_ref(),
            "stray",
            "\"30 pF ± 0.05 pF\", leads and ends; \"0 pF ± 0 pF\" when there is none",
        );
        let (empty, stray) = (empty?, stray?);
        if empty.value.si() <= 0.0 {
            if let Some(at) = &level.empty {
                self.context.error(
                    self.here.at(at),
                    "the capacitance of a probe in vacuum is above zero",
                    "empty = \"120 pF ± 0.1 pF\"",
                );
            }
            return None;
        }
        Some(LevelSource::Capacitance {
            channel: channel?,
            probe: CapacitanceProbe {
                lower_end_m: bottom?.si(),
                active_length_m: length?,
                empty_f: empty.value.si(),
                stray_f: stray.value.si(),
            },
            empty_std_f: empty.std,
            stray_std_f: stray.std,
        })
    }

    fn height<F>(
        &mut self,
        height: Option<&Quantity>,
        key: &str,
        field: &Spanned<F>,
    ) -> Option<Length> {
        let Some(height) = height else {
            self.missing_in(field, key, "\"20 mm\", above the lowest inside point");
            return None;
        };
        self.context
            .positive(&self.here, height, key, QuantityKind::Length, true)
            .map(Length::new)
    }
}
