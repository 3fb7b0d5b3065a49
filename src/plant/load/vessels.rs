//! Vessels: what they hold, how that is measured, and their modes.

use toml::Spanned;

use super::context::{Context, Here, Ids, Place, with_article, written};
use crate::plant::model::{
    Channel, ChannelIx, Contents, InsulationVacuum, Mode, PressureSource, PuritySource, SectionIx,
    TemperatureSource, Vessel,
};
use crate::plant::raw::{self, Entry, Quantity, Text};
use crate::quantity::{Fraction, Mass, QuantityKind, Temperature, Volume, split_stated};

/// Channels by id, with what they measure.
pub(super) struct Channels<'c> {
    pub ids: &'c Ids,
    pub built: &'c [Option<Channel>],
    /// What each measures, also of those that could not be made.
    pub kinds: &'c [Option<QuantityKind>],
    /// Whether the site names a barometer.
    pub barometer: bool,
}

impl Channels<'_> {
    pub fn get(&self, ix: ChannelIx) -> Option<&Channel> {
        self.built.get(ix.index())?.as_ref()
    }

    pub fn kind(&self, ix: ChannelIx) -> Option<QuantityKind> {
        self.kinds.get(ix.index()).copied().flatten()
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
        let kind = self.kind(ix)?;
        if kinds.is_empty() || kinds.contains(&kind) {
            return Some(ix);
        }
        let wanted: Vec<_> = kinds.iter().map(|kind| kind.words()).collect();
        let wanted_as: Vec<_> = wanted.iter().map(|words| with_article(words)).collect();
        context.error(
            at,
            format!(
                "channel {id:?} measures {}, but {used_as} is {}",
                with_article(kind.words()),
                wanted_as.join(" or ")
            ),
            format!("a channel of {}", wanted.join(" or ")),
        );
        None
    }
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
    let section = if let Some(field) = &keys.section {
        let at = reader.here.at(field);
        reader
            .context
            .find(at, field.get_ref(), "section", sections)
    } else {
        reader.context.missing(
            &reader.here,
            reader.here.place(),
            "section",
            "\"the id of a section\", since helium is balanced by section",
        );
        None
    };
    let contents = reader.contents(keys);
    let full_at = reader.full_at(keys, contents.as_ref());
    let boil_off = reader.boil_off(keys, contents.as_ref());
    let insulation_vacuum = match &keys.insulation_vacuum {
        None => Some(None),
        Some(field) => reader.insulation_vacuum(field).map(Some),
    };
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
        full_at: full_at?,
        boil_off: boil_off?,
        insulation_vacuum: insulation_vacuum?,
    })
}

pub(super) struct Reader<'r, 'f, 'e> {
    pub(super) context: &'r mut Context<'f>,
    pub(super) channels: &'r Channels<'r>,
    pub(super) here: Here<'e, raw::Vessel>,
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
                let what = match said {
                    0 => "does not say what it holds".to_owned(),
                    _ => format!("says {said} times what it holds"),
                };
                self.context.error(
                    self.here.place(),
                    format!("{} {what}", self.here.called),
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

    fn insulation_vacuum(
        &mut self,
        field: &Spanned<raw::InsulationVacuum>,
    ) -> Option<InsulationVacuum> {
        let space = field.get_ref();
        let channel = self.channel(
            space.channel.as_ref(),
            "channel",
            field,
            &[QuantityKind::AbsolutePressure],
            "the gauge of an insulation vacuum",
        );
        let volume = self.volume(space.volume.as_ref(), field);
        Some(InsulationVacuum {
            channel: channel?,
            volume: volume?,
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

    pub(super) fn pressure<F>(
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

    pub(super) fn temperature<F>(
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

    #[expect(
        clippy::option_option,
        reason = "not written is one thing, written wrongly another"
    )]
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

    pub(super) fn channel<F>(
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

    pub(super) fn missing_in<F>(&mut self, field: &Spanned<F>, key: &str, example: &str) {
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
                if !self.here.entry.dropped.contains("mode") {
                    self.context.error(
                        self.here.place(),
                        format!("nothing measures {}, and no mode states what it holds", self.here.called),
                        "[[vessel.mode]] below it, with id = \"in-use\" and holdup = \"12 kg ± 3 kg\"",
                    );
                }
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
