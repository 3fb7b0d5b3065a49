//! Liquid with vapour above it: shape, level, and the states of both.

use toml::Spanned;

use super::vessels::Reader;
use crate::instrument::level::{Head, Shape, Strapping};
use crate::plant::model::{Contents, LevelSource, LiquidState, VapourState};
use crate::plant::raw::{self, Quantity, Text};
use crate::quantity::{Length, QuantityKind};

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
            self.level(level, strapping.as_ref())
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
        Some(Contents::Bath {
            strapping: strapping?,
            volume_std: volume_std?,
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
                ],
            )?,
        };
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

    fn level(
        &mut self,
        field: &Spanned<raw::Level>,
        strapping: Option<&Strapping>,
    ) -> Option<LevelSource> {
        let level = field.get_ref();
        let source = match (&level.height, &level.pressure_difference, &level.volume) {
            (None, None, Some(volume)) => LevelSource::Volume {
                channel: self.channel(
                    Some(volume),
                    "volume",
                    field,
                    &[QuantityKind::Volume],
                    "a level as volume of the liquid",
                )?,
            },
            (Some(height), None, None) => {
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
                LevelSource::Height { channel, bottom }
            }
            (None, Some(difference), None) => {
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
                LevelSource::DifferentialPressure {
                    channel: channel?,
                    bottom_tap,
                    top_tap,
                }
            }
            _ => {
                self.context.error(
                    self.here.at(field),
                    "a level comes from one channel: a height, a difference of pressure or a volume",
                    "level = { height = \"channel\", bottom = \"20 mm\" }, or level = { pressure-difference = \"channel\", bottom-tap = \"...\", top-tap = \"...\" }, or level = { volume = \"channel\" }",
                );
                return None;
            }
        };
        Some(source)
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

    fn shape(&mut self, field: &Spanned<raw::Shape>) -> Option<Strapping> {
        let shape = field.get_ref();
        if let Some(table) = &shape.table {
            return self.strapping_table(table);
        }
        let Some(form) = &shape.form else {
            self.missing_in(
                field,
                "form",
                "\"vertical-cylinder\", \"horizontal-cylinder\" or \"sphere\", or a table of heights and volumes",
            );
            return None;
        };
        let form = self.context.word(
            &self.here,
            form,
            "form",
            &[
                ("vertical-cylinder", Form::Vertical),
                ("horizontal-cylinder", Form::Horizontal),
                ("sphere", Form::Sphere),
            ],
        )?;
        let diameter = self.measure(shape.diameter.as_ref(), "diameter", field);
        let shape = if form == Form::Sphere {
            Shape::Sphere {
                diameter_m: diameter?,
            }
        } else {
            let length = self.measure(shape.length.as_ref(), "length", field);
            let heads = match &shape.heads {
                None => Head::Flat,
                Some(heads) => self.context.word(
                    &self.here,
                    heads,
                    "kind of heads",
                    &[
                        ("flat", Head::Flat),
                        ("ellipsoidal-2-1", Head::Ellipsoidal2To1),
                        ("hemispherical", Head::Hemispherical),
                        ("torispherical", Head::ASME_FLANGED_DISHED),
                    ],
                )?,
            };
            let (diameter_m, length_m) = (diameter?, length?);
            if form == Form::Vertical {
                Shape::VerticalCylinder {
                    diameter_m,
                    length_m,
                    bottom: heads,
                    top: heads,
                }
            } else {
                Shape::HorizontalCylinder {
                    diameter_m,
                    length_m,
                    heads,
                }
            }
        };
        match Strapping::from_shape(&shape) {
            Ok(strapping) => Some(strapping),
            Err(error) => {
                self.context.error(
                    self.here.at(field),
                    format!("the shape cannot be: {error}"),
                    "the inside measures of the vessel",
                );
                None
            }
        }
    }

    fn measure(
        &mut self,
        measure: Option<&Quantity>,
        key: &str,
        field: &Spanned<raw::Shape>,
    ) -> Option<f64> {
        let Some(measure) = measure else {
            self.missing_in(field, key, "\"800 mm\", inside");
            return None;
        };
        self.context
            .positive(&self.here, measure, key, QuantityKind::Length, false)
    }

    fn strapping_table(&mut self, field: &Spanned<Vec<Vec<Quantity>>>) -> Option<Strapping> {
        let mut points = Vec::new();
        let mut sound = true;
        for row in field.get_ref() {
            let [height, volume] = row.as_slice() else {
                self.context.error(
                    self.here.at(field),
                    "each row of a strapping table is a height and a volume",
                    "table = [[\"0 mm\", \"0 L\"], [\"500 mm\", \"240 L\"], ...]",
                );
                return None;
            };
            let height = self
                .context
                .quantity(&self.here, height, "height", QuantityKind::Length);
            let volume = self
                .context
                .quantity(&self.here, volume, "volume", QuantityKind::Volume);
            match (height, volume) {
                (Some(height), Some(volume)) => points.push((height, volume)),
                _ => sound = false,
            }
        }
        if !sound {
            return None;
        }
        match Strapping::from_table(&points) {
            Ok(strapping) => Some(strapping),
            Err(error) => {
                self.context.error(
                    self.here.at(field),
                    format!("the strapping table cannot be: {error}"),
                    "heights and volumes that both rise from row to row",
                );
                None
            }
        }
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Form {
    Vertical,
    Horizontal,
    Sphere,
}
