//! The shape of a vessel: its form or its table, warm as on the drawing, then with what stands in it
//! and as small as it gets in the cold.

use toml::Spanned;

use super::vessels::Reader;
use crate::instrument::level::{Head, Immersed, Shape, Strapping};
use crate::plant::raw::{self, Quantity};
use crate::quantity::split_stated;
use crate::quantity::{Fraction, QuantityKind};

impl Reader<'_, '_, '_> {
    /// The vessel as it is cold with what is in it, and the standard uncertainty of its contraction.
    pub(super) fn shape(&mut self, field: &Spanned<raw::Shape>) -> Option<(Strapping, f64)> {
        let shape = field.get_ref();
        let warm = self.warm_shape(field);
        let contraction = match &shape.contraction {
            None => Some((0.0, 0.0)),
            Some(contraction) => self.contraction(contraction),
        };
        let immersed = self.immersed(field);
        let (warm, (contraction, contraction_std)) = (warm?, contraction?);
        let immersed = immersed?;
        let cold = warm
            .with_immersed(immersed)
            .and_then(|vessel| vessel.contracted(contraction));
        match cold {
            Ok(strapping) => Some((strapping, contraction_std)),
            Err(error) => {
                self.context.error(
                    self.here.at(field),
                    format!("the shape cannot be: {error}"),
                    "hardware that fits inside, from its lower end to its upper end",
                );
                None
            }
        }
    }

    /// `"0.9 %"` or `"0.9 % ± 0.1 %"`.
    fn contraction(&mut self, field: &Quantity) -> Option<(f64, f64)> {
        let text = field.get_ref().0.as_str();
        let (value, std) = if split_stated(text).is_some() {
            let stated = self
                .context
                .stated::<_, Fraction>(&self.here, field, "contraction")?;
            (stated.value.si(), stated.std)
        } else {
            let part =
                self.context
                    .quantity(&self.here, field, "contraction", QuantityKind::Fraction)?;
            (part, 0.0)
        };
        if (0.0..0.1).contains(&value) {
            return Some((value, std));
        }
        self.context.error(
            self.here.at(field),
            "a vessel loses between 0 % and 10 % of its volume when it is cooled down",
            "contraction = \"0.9 % ± 0.1 %\", of the volume, for austenitic steel to 4 K",
        );
        None
    }

    fn immersed(&mut self, field: &Spanned<raw::Shape>) -> Option<Vec<Immersed>> {
        let mut sound = true;
        let mut all = Vec::new();
        for element in field.get_ref().immersed.iter().flatten() {
            let keys = element.get_ref();
            let mut number = |quantity: &Option<Quantity>, key: &str, kind| {
                let Some(quantity) = quantity else {
                    let example = match kind {
                        QuantityKind::Volume => "\"35 L\", what it displaces",
                        _ => "\"900 mm\", above the lowest inside point",
                    };
                    self.missing_in(element, key, example);
                    return None;
                };
                self.context.positive(&self.here, quantity, key, kind, true)
            };
            let from = number(&keys.from, "from", QuantityKind::Length);
            let to = number(&keys.to, "to", QuantityKind::Length);
            let volume = number(&keys.volume, "volume", QuantityKind::Volume);
            match (from, to, volume) {
                (Some(from_m), Some(to_m), Some(volume_m3)) => all.push(Immersed {
                    from_m,
                    to_m,
                    volume_m3,
                }),
                _ => sound = false,
            }
        }
        sound.then_some(all)
    }

    fn warm_shape(&mut self, field: &Spanned<raw::Shape>) -> Option<Strapping> {
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
