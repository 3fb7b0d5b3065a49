//! Sections, vessels and lines.

use toml::Spanned;

use super::context::{Context, Here, Ids, Place, split_stated, written};
use crate::instrument::level::{Head, Shape, Strapping};
use crate::plant::model::{
    Channel, ChannelIx, Contents, End, LevelSource, Line, LiquidState, Mode, Passage,
    PassageSource, PressureSource, PuritySource, Section, SectionIx, TemperatureSource,
    VapourState, Vessel, VesselIx,
};
use crate::plant::raw::{self, Entry, Quantity, Text};
use crate::quantity::{Fraction, Length, Mass, QuantityKind, Temperature, Volume};

/// Channels by id, with what they measure.
pub(super) struct Channels<'c> {
    pub ids: &'c Ids,
    pub built: &'c [Option<Channel>],
    /// Whether the site names a barometer.
    pub barometer: bool,
}

impl Channels<'_> {
    pub fn get(&self, ix: ChannelIx) -> Option<&Channel> {
        self.built.get(ix.index())?.as_ref()
    }

    /// The channel of that id, which must measure one of these kinds.
    pub fn of_kind(
        &self,
        context: &mut Context<'_>,
        at: Place,
        id: &str,
        kinds: &[QuantityKind],
        used_as: &str,
    ) -> Option<ChannelIx> {
        let ix = ChannelIx(context.find(at, id, "channel", self.ids)?);
        let channel = self.get(ix)?;
        if kinds.is_empty() || kinds.contains(&channel.kind) {
            return Some(ix);
        }
        let wanted: Vec<_> = kinds.iter().map(|kind| kind.words()).collect();
        context.error(
            at,
            format!(
                "channel {id:?} measures a {}, but {used_as} is a {}",
                channel.kind.words(),
                wanted.join(" or a ")
            ),
            format!("a channel of {}", wanted.join(" or ")),
        );
        None
    }
}

/// Sections with their vessels.
pub(super) fn sections(
    context: &mut Context<'_>,
    entries: &[Entry<raw::Section>],
    vessels: &[Option<Vessel>],
) -> Vec<Section> {
    let mut sections = Vec::new();
    for (section_ix, entry) in (0u32..).zip(entries) {
        let id = entry.keys.id.as_ref().map_or("", |id| id.get_ref());
        let here = Here {
            entry,
            called: format!("section {id:?}"),
        };
        let name = context.text(
            &here,
            entry.keys.name.as_ref(),
            "name",
            "\"what people call it\"",
        );
        let own: Vec<_> = (0u32..)
            .zip(vessels)
            .filter(|(_, vessel)| {
                vessel
                    .as_ref()
                    .is_some_and(|vessel| vessel.section == SectionIx(section_ix))
            })
            .map(|(ix, _)| VesselIx(ix))
            .collect();
        if own.is_empty() && vessels.iter().all(Option::is_some) {
            context.warning(
                here.place(),
                format!("section {id:?} has no vessel, so it never holds helium"),
                "a [[vessel]] of this section, or drop the section",
            );
        }
        sections.push(Section {
            id: id.into(),
            name: name.unwrap_or_default(),
            vessels: own,
        });
    }
    sections
}

/// A vessel.
pub(super) fn vessel(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    sections: &Ids,
    entry: &Entry<raw::Vessel>,
) -> Option<Vessel> {
    let keys = &entry.keys;
    let id = keys.id.as_ref().map_or("", |id| id.get_ref());
    let here = Here {
        entry,
        called: format!("vessel {id:?}"),
    };
    let mut reader = Reader {
        context,
        channels,
        here,
    };
    let name = reader.context.text(
        &reader.here,
        keys.name.as_ref(),
        "name",
        "\"what people call it\"",
    );
    let section = match &keys.section {
        Some(field) => {
            let at = reader.here.at(field);
            reader
                .context
                .find(at, field.get_ref(), "section", sections)
        }
        None => {
            reader.context.missing(
                &reader.here,
                reader.here.place(),
                "section",
                "\"the id of a section\", since helium is balanced by section",
            );
            None
        }
    };
    let contents = reader.contents(keys);
    let modes = reader.modes(keys);
    let first_mode = match (&keys.first_mode, &modes) {
        (None, _) => Some(0),
        (Some(_), None) => None,
        (Some(field), Some(modes)) => reader.mode_named(field, modes),
    };
    let mode_channel = match (&keys.mode_from, &modes) {
        (None, _) => Some(None),
        (Some(_), None) => None,
        (Some(from), Some(modes)) => reader.mode_from(from, modes).map(Some),
    };
    Some(Vessel {
        id: id.into(),
        name: name?,
        section: SectionIx(section?),
        contents: contents?,
        modes: modes?,
        first_mode: first_mode?,
        mode_channel: mode_channel?,
        outdoors: keys
            .outdoors
            .as_ref()
            .is_some_and(|outdoors| *outdoors.get_ref()),
    })
}

struct Reader<'r, 'f, 'e> {
    context: &'r mut Context<'f>,
    channels: &'r Channels<'r>,
    here: Here<'e, raw::Vessel>,
}

const PRESSURES: [QuantityKind; 2] = [QuantityKind::AbsolutePressure, QuantityKind::GaugePressure];

impl Reader<'_, '_, '_> {
    fn contents(&mut self, keys: &raw::Vessel) -> Option<Contents> {
        let unmeasured = keys
            .unmeasured
            .as_ref()
            .is_some_and(|field| *field.get_ref());
        let kinds = [
            keys.fluid.is_some(),
            keys.bath.is_some(),
            keys.bag.is_some(),
            unmeasured,
        ];
        let said = kinds.iter().filter(|&&said| said).count();
        if said != 1 {
            let unreadable = ["fluid", "bath", "bag", "unmeasured"]
                .iter()
                .any(|key| self.here.entry.dropped.contains(*key));
            if !unreadable {
                self.context.error(
                    self.here.place(),
                    format!(
                        "{} says {said} times what it holds; it must be once",
                        self.here.called
                    ),
                    "one of [vessel.fluid], [vessel.bath], [vessel.bag] or unmeasured = true",
                );
            }
            return None;
        }
        if let Some(field) = &keys.fluid {
            return self.fluid(field);
        }
        if let Some(field) = &keys.bath {
            return self.bath(field);
        }
        if let Some(field) = &keys.bag {
            return self.bag(field);
        }
        Some(Contents::Unmeasured)
    }

    fn fluid(&mut self, field: &Spanned<raw::Fluid>) -> Option<Contents> {
        let fluid = field.get_ref();
        let volume = self.volume(fluid.volume.as_ref(), field);
        let pressure = self.pressure(fluid.pressure.as_ref(), field);
        let temperature = self.temperature(fluid.temperature.as_ref(), "temperature", field);
        let purity = self.purity(fluid.purity.as_ref());
        Some(Contents::Fluid {
            volume: volume?,
            pressure: pressure?,
            temperature: temperature?,
            purity: purity?,
        })
    }

    fn bag(&mut self, field: &Spanned<raw::Bag>) -> Option<Contents> {
        let bag = field.get_ref();
        let volume = self.channel(
            bag.volume.as_ref(),
            "volume",
            field,
            &[QuantityKind::Volume],
            "the volume of a bag",
        );
        let over_pa = match &bag.overpressure {
            None => Some(0.0),
            Some(over) => self.context.positive(
                &self.here,
                over,
                "overpressure",
                QuantityKind::PressureDifference,
                true,
            ),
        };
        let temperature = self.temperature(bag.temperature.as_ref(), "temperature", field);
        let purity = self.purity(bag.purity.as_ref());
        self.wants_barometer(field);
        Some(Contents::Bag {
            volume: volume?,
            over_pa: over_pa?,
            temperature: temperature?,
            purity: purity?,
        })
    }

    fn bath(&mut self, field: &Spanned<raw::Bath>) -> Option<Contents> {
        let bath = field.get_ref();
        let strapping = match &bath.shape {
            Some(shape) => self.shape(shape),
            None => {
                self.missing_in(
                    field,
                    "shape",
                    "{ form = \"vertical-cylinder\", diameter = \"...\", length = \"...\", heads = \"flat\" }",
                );
                None
            }
        };
        let volume_std = match &bath.volume_std {
            Some(std) => {
                self.context
                    .positive(&self.here, std, "volume-std", QuantityKind::Volume, true)
            }
            None => {
                self.missing_in(
                    field,
                    "volume-std",
                    "\"3 L\", the standard uncertainty of the inside volume",
                );
                None
            }
        };
        let level = match &bath.level {
            Some(level) => self.level(level, strapping.as_ref()),
            None => {
                self.missing_in(
                    field,
                    "level",
                    "{ height = \"channel\", bottom = \"20 mm\" }, or { pressure-difference = \"channel\", bottom-tap = \"...\", top-tap = \"...\" }",
                );
                None
            }
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
        let source = match (&level.height, &level.pressure_difference) {
            (Some(height), None) => {
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
            (None, Some(difference)) => {
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
                    "a level comes from one channel: a height or a difference of pressure",
                    "level = { height = \"channel\", bottom = \"20 mm\" }, or level = { pressure-difference = \"channel\", bottom-tap = \"...\", top-tap = \"...\" }",
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

    fn volume<F>(
        &mut self,
        volume: Option<&Quantity>,
        field: &Spanned<F>,
    ) -> Option<crate::plant::model::Stated<Volume>> {
        let Some(volume) = volume else {
            self.missing_in(field, "volume", "\"50 m3 ± 0.2 m3\", inside");
            return None;
        };
        let stated = self
            .context
            .stated::<_, Volume>(&self.here, volume, "volume")?;
        if stated.value.si() <= 0.0 {
            self.context.error(
                self.here.at(volume),
                "a volume must be above zero",
                "the inside volume of the vessel",
            );
            return None;
        }
        Some(stated)
    }

    fn pressure<F>(
        &mut self,
        pressure: Option<&Text>,
        field: &Spanned<F>,
    ) -> Option<PressureSource> {
        let Some(pressure) = pressure else {
            self.missing_in(
                field,
                "pressure",
                "\"the id of a channel\", or \"air\" for an open vessel",
            );
            return None;
        };
        let text = pressure.get_ref().trim();
        if let Some(over) = text
            .strip_prefix("air")
            .filter(|rest| rest.is_empty() || rest.trim_start().starts_with('+'))
        {
            self.wants_barometer(pressure);
            let over = over.trim_start().trim_start_matches('+').trim();
            if over.is_empty() {
                return Some(PressureSource::Air { over_pa: 0.0 });
            }
            return self
                .context
                .with_unit(
                    self.here.at(pressure),
                    over,
                    "pressure",
                    QuantityKind::PressureDifference,
                )
                .map(|(over_pa, _)| PressureSource::Air { over_pa });
        }
        let channel = self.channel(
            Some(pressure),
            "pressure",
            field,
            &PRESSURES,
            "the pressure of a vessel",
        )?;
        let gauge = self
            .channels
            .get(channel)
            .is_some_and(|channel| channel.kind == QuantityKind::GaugePressure);
        if gauge && !self.channels.barometer {
            self.context.error(
                self.here.at(pressure),
                format!(
                    "channel {text:?} reads above the surrounding air, and no barometer says what that is"
                ),
                "barometer = \"the id of a channel\" in [site], or a transmitter that reads absolute",
            );
        }
        Some(PressureSource::Channel(channel))
    }

    fn wants_barometer<F>(&mut self, field: &Spanned<F>) {
        if !self.channels.barometer {
            self.context.warning(
                self.here.at(field),
                format!("{} follows the surrounding air, and no barometer measures that", self.here.called),
                "barometer = \"the id of a channel\" in [site]: 30 mbar of weather are 3 % of a bag",
            );
        }
    }

    fn temperature<F>(
        &mut self,
        text: Option<&Text>,
        key: &str,
        field: &Spanned<F>,
    ) -> Option<TemperatureSource> {
        let Some(text) = text else {
            self.missing_in(
                field,
                key,
                "\"the id of a channel\", or a stated \"293 K ± 3 K\"",
            );
            return None;
        };
        if split_stated(text.get_ref()).is_some() {
            let stated = self
                .context
                .stated::<_, Temperature>(&self.here, &written(text), key)?;
            return Some(TemperatureSource::Stated(stated));
        }
        self.channel(Some(text), key, field, &[QuantityKind::Temperature], key)
            .map(TemperatureSource::Channel)
    }

    fn purity(&mut self, text: Option<&Text>) -> Option<Option<PuritySource>> {
        let Some(text) = text else {
            return Some(None);
        };
        if split_stated(text.get_ref()).is_some() {
            let stated =
                self.context
                    .stated::<_, Fraction>(&self.here, &written(text), "purity")?;
            if !(0.0..=1.0).contains(&stated.value.si()) {
                self.context.error(
                    self.here.at(text),
                    "a purity lies between 0 % and 100 %",
                    "purity = \"98 % ± 1 %\"",
                );
                return None;
            }
            return Some(Some(PuritySource::Stated(stated)));
        }
        self.channel(
            Some(text),
            "purity",
            text,
            &[QuantityKind::Fraction],
            "a purity",
        )
        .map(|channel| Some(PuritySource::Channel(channel)))
    }

    fn channel<F>(
        &mut self,
        id: Option<&Text>,
        key: &str,
        field: &Spanned<F>,
        kinds: &[QuantityKind],
        used_as: &str,
    ) -> Option<ChannelIx> {
        let Some(id) = id else {
            self.missing_in(field, key, "\"the id of a channel\"");
            return None;
        };
        let at = self.here.at(id);
        self.channels
            .of_kind(self.context, at, id.get_ref(), kinds, used_as)
    }

    fn missing_in<F>(&mut self, field: &Spanned<F>, key: &str, example: &str) {
        let at = self.here.at(field);
        self.context.missing(&self.here, at, key, example);
    }

    fn modes(&mut self, keys: &raw::Vessel) -> Option<Vec<Mode>> {
        let unmeasured = keys
            .unmeasured
            .as_ref()
            .is_some_and(|field| *field.get_ref());
        let Some(list) = keys.mode.as_ref().filter(|list| !list.is_empty()) else {
            if unmeasured {
                self.context.missing(
                    &self.here,
                    self.here.place(),
                    "mode",
                    "...: a [[vessel.mode]] with its holdup = \"12 kg ± 3 kg\", since nothing measures it",
                );
                return None;
            }
            return Some(vec![Mode {
                id: "in-use".into(),
                holdup: crate::plant::model::Stated {
                    value: Mass::new(0.0),
                    std: 0.0,
                },
                counts_contents: true,
            }]);
        };
        let mut modes: Vec<Mode> = Vec::new();
        let mut sound = true;
        for field in list {
            let mode = field.get_ref();
            let id = match &mode.id {
                Some(id) if modes.iter().any(|other| *other.id == **id.get_ref()) => {
                    self.context.error(
                        self.here.at(id),
                        format!("{} has mode {:?} twice", self.here.called, id.get_ref()),
                        "another id, or drop one of the two",
                    );
                    None
                }
                Some(id) => Some(id.get_ref().as_str().into()),
                None => {
                    self.missing_in(field, "id", "\"in-use\", the name of the mode");
                    None
                }
            };
            let holdup = match &mode.holdup {
                None if unmeasured => {
                    self.missing_in(
                        field,
                        "holdup",
                        "\"12 kg ± 3 kg\", since nothing measures it",
                    );
                    None
                }
                None => Some(crate::plant::model::Stated {
                    value: Mass::new(0.0),
                    std: 0.0,
                }),
                Some(holdup) => self.context.stated::<_, Mass>(&self.here, holdup, "holdup"),
            };
            let counts_contents = mode
                .counts_contents
                .as_ref()
                .is_none_or(|counts| *counts.get_ref());
            match (id, holdup) {
                (Some(id), Some(holdup)) => modes.push(Mode {
                    id,
                    holdup,
                    counts_contents,
                }),
                _ => sound = false,
            }
        }
        sound.then_some(modes)
    }

    fn mode_named(&mut self, field: &Text, modes: &[Mode]) -> Option<usize> {
        let found = modes.iter().position(|mode| *mode.id == **field.get_ref());
        if found.is_none() {
            let known: Vec<_> = modes
                .iter()
                .map(|mode| format!("{:?}", &*mode.id))
                .collect();
            self.context.error(
                self.here.at(field),
                format!("{} has no mode {:?}", self.here.called, field.get_ref()),
                known.join(" or "),
            );
        }
        found
    }

    fn mode_from(
        &mut self,
        field: &Spanned<raw::ModeFrom>,
        modes: &[Mode],
    ) -> Option<(ChannelIx, Vec<(i64, usize)>)> {
        let from = field.get_ref();
        let channel = self.channel(
            from.channel.as_ref(),
            "channel",
            field,
            &[QuantityKind::Plain],
            "the code of a mode",
        );
        let Some(codes) = &from.codes else {
            self.missing_in(field, "codes", "{ 1 = \"in-use\", 2 = \"isolated\" }");
            return None;
        };
        let mut positions = Vec::new();
        let mut sound = true;
        for (code, mode) in codes {
            let position = self.mode_named(mode, modes);
            let number = code.get_ref().parse::<i64>().ok();
            if number.is_none() {
                self.context.error(
                    self.here.at(code),
                    format!("{:?} is not a code", code.get_ref()),
                    "a whole number, as the channel reads it",
                );
            }
            match (number, position) {
                (Some(number), Some(position)) => positions.push((number, position)),
                _ => sound = false,
            }
        }
        let channel = channel?;
        sound.then_some((channel, positions))
    }
}

#[derive(Clone, Copy, PartialEq)]
enum Form {
    Vertical,
    Horizontal,
    Sphere,
}

/// A line.
pub(super) fn line(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    sections: &Ids,
    entry: &Entry<raw::Line>,
) -> Option<Line> {
    let keys = &entry.keys;
    let id = keys.id.as_ref().map_or("", |id| id.get_ref());
    let here = Here {
        entry,
        called: format!("line {id:?}"),
    };
    let name = context.text(&here, keys.name.as_ref(), "name", "\"what people call it\"");
    let from = end(context, &here, keys.from.as_ref(), "from", sections);
    let to = end(context, &here, keys.to.as_ref(), "to", sections);
    // A valve inside a section, such as that of one tank to the header, begins and ends in it.
    if (from, to) == (Some(End::Outside), Some(End::Outside)) {
        context.error(
            here.place(),
            format!("{} begins and ends outside", here.called),
            "from or to = \"the id of a section\"",
        );
    }
    let passage = match (&keys.state, &keys.valve) {
        (Some(state), None) => context
            .word(
                &here,
                state,
                "state",
                &[
                    ("open", Passage::Open),
                    ("shut", Passage::Shut),
                    ("unknown", Passage::Unknown),
                ],
            )
            .map(PassageSource::Person),
        (None, Some(valve)) => valve_of(context, channels, &here, valve),
        (Some(state), Some(_)) => {
            context.error(
                here.at(state),
                format!("{} has both a state and a valve channel", here.called),
                "state where a person says it, valve where a channel does",
            );
            None
        }
        (None, None) => {
            context.missing(
                &here,
                here.place(),
                "state",
                "\"open\", \"shut\" or \"unknown\", or valve = { channel = \"...\", open-above = \"5 %\" }",
            );
            None
        }
    };
    let meter = match &keys.meter {
        None => Some(None),
        Some(field) => channels
            .of_kind(
                context,
                here.at(field),
                field.get_ref(),
                &[QuantityKind::MassFlow],
                "the meter of a line",
            )
            .map(Some),
    };
    Some(Line {
        id: id.into(),
        name: name?,
        from: from?,
        to: to?,
        passage: passage?,
        meter: meter?,
    })
}

fn end(
    context: &mut Context<'_>,
    here: &Here<'_, raw::Line>,
    field: Option<&Text>,
    key: &str,
    sections: &Ids,
) -> Option<End> {
    let field = context.need(here, field, key, "\"the id of a section\", or \"outside\"")?;
    if field.get_ref() == "outside" {
        return Some(End::Outside);
    }
    context
        .find(here.at(field), field.get_ref(), "section", sections)
        .map(|ix| End::Section(SectionIx(ix)))
}

fn valve_of(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    here: &Here<'_, raw::Line>,
    field: &Spanned<raw::Valve>,
) -> Option<PassageSource> {
    let valve = field.get_ref();
    let (Some(id), Some(open_above)) = (&valve.channel, &valve.open_above) else {
        context.error(
            here.at(field),
            "a valve needs its channel and the value above which it is open",
            "valve = { channel = \"...\", open-above = \"5 %\" }",
        );
        return None;
    };
    let channel = channels.of_kind(
        context,
        here.at(id),
        id.get_ref(),
        &[
            QuantityKind::Fraction,
            QuantityKind::Plain,
            QuantityKind::Length,
        ],
        "the state of a valve",
    )?;
    let kind = channels.get(channel)?.kind;
    let open_above = context.quantity(here, open_above, "open-above", kind)?;
    Some(PassageSource::Channel {
        channel,
        open_above,
    })
}
