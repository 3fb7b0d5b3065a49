//! Alarms and alerts: what raises them, and what a person must know of them (IEC 62682).

use toml::Spanned;

use super::context::{Context, Here, Ids};
use super::vessels::Channels;
use crate::plant::magnets::{CoolDownIx, MagnetIx, Magnets};
use crate::plant::model::{
    AlarmClass, AlarmRule, AlarmSource, ChannelIx, DeviceIx, Direction, LineIx, Priority, Scope,
    SectionIx, VesselIx,
};
use crate::plant::raw::{self, Entry, Quantity, Text};
use crate::quantity::QuantityKind;
use crate::time::Span;

/// What alarms refer to.
pub(super) struct Known<'k> {
    pub channels: &'k Channels<'k>,
    pub devices: &'k Ids,
    pub vessels: &'k Ids,
    pub sections: &'k Ids,
    pub lines: &'k Ids,
    pub magnets: &'k Ids,
    pub cool_downs: &'k Ids,
    /// As made, unless something in it is wrong.
    pub described: Option<&'k Magnets>,
    /// Whether any gas store says where it is full.
    pub limited: bool,
}

/// An alarm.
pub(super) fn alarm(
    context: &mut Context<'_>,
    known: &Known<'_>,
    entry: &Entry<raw::Alarm>,
) -> Option<AlarmRule> {
    let keys = &entry.keys;
    let id = keys.id.as_ref().map_or("", |id| id.get_ref());
    let here = Here {
        entry,
        called: format!("alarm {id:?}"),
    };
    let mut reader = Reader {
        context,
        known,
        here,
    };
    let name = reader.text(
        keys.name.as_ref(),
        "name",
        "\"what is wrong, in a few words\"",
    );
    let class = reader.word(
        keys.class.as_ref(),
        "class",
        &[("alarm", AlarmClass::Alarm), ("alert", AlarmClass::Alert)],
    );
    let priority = reader.word(
        keys.priority.as_ref(),
        "priority",
        &[
            ("high", Priority::High),
            ("medium", Priority::Medium),
            ("low", Priority::Low),
        ],
    );
    let section = match &keys.section {
        None => Some(None),
        Some(field) => reader
            .find(field, "section", known.sections)
            .map(|ix| Some(SectionIx(ix))),
    };
    let source = reader.source(keys);
    let on_delay = reader.delay(keys.on_delay.as_ref(), "on-delay");
    let off_delay = reader.delay(keys.off_delay.as_ref(), "off-delay");
    let cause = reader.text(
        keys.cause.as_ref(),
        "cause",
        "\"what has probably happened\"",
    );
    let consequence = reader.text(
        keys.consequence.as_ref(),
        "consequence",
        "\"what follows when nothing is done\"",
    );
    let response = reader.text(
        keys.response.as_ref(),
        "response",
        "\"what the person should do\"",
    );
    let caution = reader.text(
        keys.caution.as_ref(),
        "caution",
        "\"the hazard to people; 'None.' when there is none\"",
    );
    let time_to_respond = if let Some(field) = &keys.time_to_respond {
        reader.context.span(&reader.here, field, "time-to-respond")
    } else {
        let at = reader.here.place();
        reader.context.missing(
            &reader.here,
            at,
            "time-to-respond",
            "\"30 min\", how long there is before the consequence",
        );
        None
    };
    if let (Some(field), Some(delay), Some(time)) = (&keys.on_delay, on_delay, time_to_respond)
        && delay >= time
    {
        let at = reader.here.at(field);
        reader.context.error(
            at,
            format!("\"on-delay\" is {delay}, and the person has {time} to respond: that is over before the alarm is raised"),
            "a shorter \"on-delay\", or a longer \"time-to-respond\"",
        );
    }
    Some(AlarmRule {
        id: id.into(),
        name: name?,
        class: class?,
        priority: priority?,
        source: source?,
        on_delay: on_delay?,
        off_delay: off_delay?,
        cause: cause?,
        consequence: consequence?,
        response: response?,
        time_to_respond: time_to_respond?,
        caution: caution?,
        section: section?,
    })
}

struct Reader<'r, 'f, 'e> {
    context: &'r mut Context<'f>,
    known: &'r Known<'r>,
    here: Here<'e, raw::Alarm>,
}

const SOURCES: &str = "one of above, below, rising, falling, not-usable, disagreement, mass-above, mass-below, excess-loss, unaccounted-loss, room-left, margin-below, time-until-low-below, gradient-above-limit or device-lost";

impl Reader<'_, '_, '_> {
    fn text(&mut self, field: Option<&Text>, key: &str, example: &str) -> Option<String> {
        self.context.text(&self.here, field, key, example)
    }

    fn word<W: Copy>(&mut self, field: Option<&Text>, key: &str, words: &[(&str, W)]) -> Option<W> {
        let known: Vec<_> = words.iter().map(|(word, _)| format!("{word:?}")).collect();
        let field = self
            .context
            .need(&self.here, field, key, &known.join(" or "))?;
        self.context.word(&self.here, field, key, words)
    }

    fn find(&mut self, field: &Text, kind: &str, ids: &Ids) -> Option<u32> {
        let at = self.here.at(field);
        self.context.find(at, field.get_ref(), kind, ids)
    }

    fn delay(&mut self, field: Option<&Quantity>, key: &str) -> Option<Span> {
        match field {
            None => Some(Span::ZERO),
            Some(field) => self
                .context
                .positive(&self.here, field, key, QuantityKind::Duration, true)
                .map(Span::from_seconds),
        }
    }

    fn source(&mut self, keys: &raw::Alarm) -> Option<AlarmSource> {
        let said = [
            keys.above.is_some(),
            keys.below.is_some(),
            keys.rising.is_some(),
            keys.falling.is_some(),
            keys.not_usable.is_some(),
            keys.disagreement.is_some(),
            keys.mass_above.is_some(),
            keys.mass_below.is_some(),
            keys.excess_loss.is_some(),
            keys.unaccounted_loss.is_some(),
            keys.margin_below.is_some(),
            keys.time_until_low_below.is_some(),
            keys.gradient_above_limit.is_some(),
            keys.room_left.is_some(),
            keys.device_lost.is_some(),
        ];
        match said.iter().filter(|&&said| said).count() {
            1 => {}
            0 => {
                if self.here.entry.dropped.is_empty() {
                    self.context.error(
                        self.here.place(),
                        format!("nothing raises {}", self.here.called),
                        SOURCES,
                    );
                }
                return None;
            }
            several => {
                self.context.error(
                    self.here.place(),
                    format!(
                        "{several} things raise {}; it must be one",
                        self.here.called
                    ),
                    format!("an alarm of its own for each: {SOURCES}"),
                );
                return None;
            }
        }
        if let Some(limit) = &keys.above {
            return self.limit(limit, Direction::Up);
        }
        if let Some(limit) = &keys.below {
            return self.limit(limit, Direction::Down);
        }
        if let Some(rate) = &keys.rising {
            return self.rate(rate, Direction::Up);
        }
        if let Some(rate) = &keys.falling {
            return self.rate(rate, Direction::Down);
        }
        if let Some(list) = &keys.not_usable {
            let channels = self.channel_list(list)?;
            return Some(AlarmSource::NotUsable { channels });
        }
        if let Some(disagreement) = &keys.disagreement {
            return self.disagreement(disagreement);
        }
        if let Some(limit) = &keys.mass_above {
            return self.mass(limit, Direction::Up);
        }
        if let Some(limit) = &keys.mass_below {
            return self.mass(limit, Direction::Down);
        }
        if let Some(of) = &keys.excess_loss {
            let scope = self.scope(of)?;
            return Some(AlarmSource::ExcessLoss { scope });
        }
        if let Some(loss) = &keys.unaccounted_loss {
            return self.unaccounted(loss);
        }
        if let Some(limit) = &keys.margin_below {
            return self.margin(limit);
        }
        if let Some(limit) = &keys.time_until_low_below {
            return self.time_until_low(limit);
        }
        if let Some(limit) = &keys.gradient_above_limit {
            return self.gradient(limit);
        }
        if let Some(room) = &keys.room_left {
            return self.room_left(room);
        }
        let device = self.find(keys.device_lost.as_ref()?, "device", self.known.devices)?;
        Some(AlarmSource::DeviceLost {
            device: DeviceIx(device),
        })
    }

    /// A channel and what it measures.
    fn channel(&mut self, field: &Text) -> Option<(ChannelIx, QuantityKind)> {
        let at = self.here.at(field);
        let ix = self
            .known
            .channels
            .of_kind(self.context, at, field.get_ref(), &[], "")?;
        self.known.channels.kind(ix).map(|kind| (ix, kind))
    }

    fn limit(&mut self, field: &Spanned<raw::Limit>, direction: Direction) -> Option<AlarmSource> {
        let keys = field.get_ref();
        let channel = self.part(
            keys.channel.as_ref(),
            field,
            "channel",
            "\"the id of a channel\"",
        );
        let limit = self.part(
            keys.limit.as_ref(),
            field,
            "limit",
            "\"a value with its unit\"",
        );
        let deadband = self.part(
            keys.deadband.as_ref(),
            field,
            "deadband",
            "\"how far back the value must come\", so that noise does not raise it again and again",
        );
        let (channel, kind) = self.channel(channel?)?;
        let limit_field = limit?;
        let limit = self
            .context
            .quantity(&self.here, limit_field, "limit", kind);
        let deadband =
            self.context
                .positive(&self.here, deadband?, "deadband", kind.difference(), false);
        let (limit, deadband) = (limit?, deadband?);
        if let Some(channel) = self.known.channels.get(channel) {
            let (low, high) = channel.range;
            let unit = channel.unit;
            let digits = 1e-3 * (high - low);
            if limit <= low || limit >= high {
                self.context.error(
                    self.here.at(limit_field),
                    format!(
                        "the limit of {} lies outside the range of {:?}, {} to {}, so that it can never be crossed",
                        self.here.called,
                        &*channel.id,
                        unit.format(low, digits),
                        unit.format(high, digits)
                    ),
                    "a limit inside the range",
                );
                return None;
            }
            let back = match direction {
                Direction::Up => limit - deadband,
                Direction::Down => limit + deadband,
            };
            if back <= low || back >= high {
                self.context.error(
                    self.here.at(limit_field),
                    format!(
                        "with this deadband {} could never return, since the range of {:?} ends before",
                        self.here.called, &*channel.id
                    ),
                    "a smaller deadband",
                );
                return None;
            }
        }
        Some(AlarmSource::Limit {
            channel,
            direction,
            limit,
            deadband,
        })
    }

    fn rate(&mut self, field: &Spanned<raw::Rate>, direction: Direction) -> Option<AlarmSource> {
        let keys = field.get_ref();
        let channel = self.part(
            keys.channel.as_ref(),
            field,
            "channel",
            "\"the id of a channel\"",
        );
        let by = self.part(keys.by.as_ref(), field, "by", "\"a change with its unit\"");
        let within = self.part(keys.within.as_ref(), field, "within", "\"10 min\"");
        let (channel, kind) = self.channel(channel?)?;
        let by = self
            .context
            .positive(&self.here, by?, "by", kind.difference(), false);
        let over = self.context.span(&self.here, within?, "within")?;
        let interval = self
            .known
            .channels
            .get(channel)
            .map_or(Span::ZERO, |channel| channel.interval);
        if over < interval + interval {
            self.context.error(
                self.here.at(field),
                format!(
                    "a rate within {over} needs two readings, but there is one every {interval}"
                ),
                "a longer within",
            );
            return None;
        }
        Some(AlarmSource::RateOfChange {
            channel,
            direction,
            limit_per_s: by? / over.seconds(),
            over,
        })
    }

    fn disagreement(&mut self, field: &Spanned<raw::Disagreement>) -> Option<AlarmSource> {
        let keys = field.get_ref();
        let list = self.part(
            keys.channels.as_ref(),
            field,
            "channels",
            "[\"...\", \"...\"], at least two",
        )?;
        let limit = self.part(
            keys.limit.as_ref(),
            field,
            "limit",
            "\"a difference with its unit\"",
        );
        let channels = self.channel_list(list)?;
        let kinds: Vec<_> = channels
            .iter()
            .filter_map(|&ix| self.known.channels.kind(ix))
            .collect();
        let first = kinds.first().copied()?;
        if channels.len() < 2 || kinds.iter().any(|&kind| kind != first) {
            self.context.error(
                self.here.at(list),
                "only two or more channels of one quantity can disagree",
                "channels that should read alike",
            );
            return None;
        }
        let limit = self
            .context
            .positive(&self.here, limit?, "limit", first.difference(), false);
        let mut while_open = Vec::new();
        for line in keys.while_open.iter().flatten() {
            while_open.push(LineIx(self.find(line, "line", self.known.lines)?));
        }
        Some(AlarmSource::Disagreement {
            channels,
            limit: limit?,
            while_open,
        })
    }

    fn mass(
        &mut self,
        field: &Spanned<raw::MassLimit>,
        direction: Direction,
    ) -> Option<AlarmSource> {
        let keys = field.get_ref();
        let vessel = self.part(
            keys.vessel.as_ref(),
            field,
            "vessel",
            "\"the id of a vessel\"",
        );
        let limit = self.part(keys.limit.as_ref(), field, "limit", "\"50 kg\"");
        let deadband = self.part(keys.deadband.as_ref(), field, "deadband", "\"2 kg\"");
        let vessel = vessel.and_then(|vessel| self.find(vessel, "vessel", self.known.vessels));
        let limit = self
            .context
            .positive(&self.here, limit?, "limit", QuantityKind::Mass, false);
        let deadband =
            self.context
                .positive(&self.here, deadband?, "deadband", QuantityKind::Mass, false);
        Some(AlarmSource::VesselMass {
            vessel: VesselIx(vessel?),
            direction,
            limit: limit?,
            deadband: deadband?,
        })
    }

    fn margin(&mut self, field: &Spanned<raw::MarginLimit>) -> Option<AlarmSource> {
        let keys = field.get_ref();
        let magnet = self.part(
            keys.magnet.as_ref(),
            field,
            "magnet",
            "\"the id of a magnet\"",
        );
        let limit = self.part(keys.limit.as_ref(), field, "limit", "\"0.5 K\"");
        let deadband = self.part(keys.deadband.as_ref(), field, "deadband", "\"0.1 K\"");
        let magnet = magnet.and_then(|magnet| self.find(magnet, "magnet", self.known.magnets));
        let kind = QuantityKind::TemperatureDifference;
        let limit = self
            .context
            .positive(&self.here, limit?, "limit", kind, false);
        let deadband = self
            .context
            .positive(&self.here, deadband?, "deadband", kind, false);
        Some(AlarmSource::Margin {
            magnet: MagnetIx(magnet?),
            limit: limit?,
            deadband: deadband?,
        })
    }

    fn time_until_low(&mut self, field: &Spanned<raw::TimeLimit>) -> Option<AlarmSource> {
        let keys = field.get_ref();
        let vessel = self.part(
            keys.vessel.as_ref(),
            field,
            "vessel",
            "\"the id of a bath\"",
        );
        let limit = self.part(keys.limit.as_ref(), field, "limit", "\"4 h\"");
        let deadband = self.part(keys.deadband.as_ref(), field, "deadband", "\"1 h\"");
        let vessel_field = vessel?;
        let vessel = self
            .find(vessel_field, "vessel", self.known.vessels)
            .map(VesselIx);
        let kind = QuantityKind::Duration;
        let limit = self
            .context
            .positive(&self.here, limit?, "limit", kind, false);
        let deadband = self
            .context
            .positive(&self.here, deadband?, "deadband", kind, false);
        let vessel = vessel?;
        let watched = self.known.described.is_none_or(|magnets| {
            magnets
                .baths
                .iter()
                .any(|bath| bath.vessel == vessel && bath.low_level.is_some())
        });
        if !watched {
            self.context.error(
                self.here.at(vessel_field),
                format!(
                    "vessel {:?} states no low level, so no time until it can be told",
                    vessel_field.get_ref()
                ),
                "low-level = \"300 mm\" in its [vessel.bath]",
            );
            return None;
        }
        Some(AlarmSource::TimeUntilLow {
            vessel,
            limit: limit?,
            deadband: deadband?,
        })
    }

    fn gradient(&mut self, field: &Spanned<raw::GradientLimit>) -> Option<AlarmSource> {
        let keys = field.get_ref();
        let cool_down = self.part(
            keys.cool_down.as_ref(),
            field,
            "cool-down",
            "\"the id of a cool-down\"",
        );
        let deadband = self.part(keys.deadband.as_ref(), field, "deadband", "\"5 K\"");
        let cool_down_field = cool_down?;
        let cool_down = self
            .find(cool_down_field, "cool-down", self.known.cool_downs)
            .map(CoolDownIx);
        let deadband = self.context.positive(
            &self.here,
            deadband?,
            "deadband",
            QuantityKind::TemperatureDifference,
            false,
        );
        Some(AlarmSource::Gradient {
            cool_down: cool_down?,
            deadband: deadband?,
        })
    }

    fn unaccounted(&mut self, field: &Spanned<raw::Unaccounted>) -> Option<AlarmSource> {
        let keys = field.get_ref();
        let of = self.part(
            keys.of.as_ref(),
            field,
            "of",
            "\"plant\", or the id of a section",
        );
        let over = self.part(keys.over.as_ref(), field, "over", "\"24 h\"");
        let limit = self.part(keys.limit.as_ref(), field, "limit", "\"5 kg\"");
        let scope = of.and_then(|of| self.scope(of));
        let over_field = over?;
        let over = self.context.span(&self.here, over_field, "over")?;
        let windows = [
            Span::HOUR,
            Span::from_millis(8 * 3_600_000),
            Span::DAY,
            Span::from_millis(7 * 86_400_000),
        ];
        if !windows.contains(&over) {
            self.context.error(
                self.here.at(over_field),
                format!("losses are not reckoned over {over}"),
                "over = \"1 h\", \"8 h\", \"24 h\" or \"7 days\"",
            );
            return None;
        }
        let limit = self
            .context
            .positive(&self.here, limit?, "limit", QuantityKind::Mass, false);
        Some(AlarmSource::UnaccountedLoss {
            scope: scope?,
            over,
            limit: limit?,
        })
    }

    fn room_left(&mut self, field: &Spanned<raw::RoomLeft>) -> Option<AlarmSource> {
        if !self.known.limited {
            self.context.error(
                self.here.at(field),
                format!(
                    "{} can never come: no gas store says where it is full",
                    self.here.called
                ),
                "full-at = \"95 m3\" of a bag, or full-at = \"16 bar(a)\" of a tank",
            );
            return None;
        }
        let below = self.part(field.get_ref().below.as_ref(), field, "below", "\"4 h\"")?;
        let below = self.context.span(&self.here, below, "below")?;
        Some(AlarmSource::RoomLeft { below })
    }

    fn scope(&mut self, field: &Text) -> Option<Scope> {
        if field.get_ref() == "plant" {
            return Some(Scope::Plant);
        }
        self.find(field, "section", self.known.sections)
            .map(|ix| Scope::Section(SectionIx(ix)))
    }

    fn channel_list(&mut self, list: &Spanned<Vec<Text>>) -> Option<Vec<ChannelIx>> {
        if list.get_ref().is_empty() {
            self.context.error(
                self.here.at(list),
                format!("{} names no channel", self.here.called),
                "[\"...\"], the ids of channels",
            );
            return None;
        }
        let found: Vec<_> = list
            .get_ref()
            .iter()
            .map(|id| self.channel(id).map(|(ix, _)| ix))
            .collect();
        found.into_iter().collect()
    }

    /// A key of an inline table.
    fn part<'p, P, F>(
        &mut self,
        part: Option<&'p Spanned<P>>,
        field: &Spanned<F>,
        key: &str,
        example: &str,
    ) -> Option<&'p Spanned<P>> {
        self.context.part(&self.here, part, field, key, example)
    }
}
