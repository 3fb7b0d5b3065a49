//! Site, ledger, deliveries and console.

use super::context::{Context, Here, Ids, Place};
use super::vessels::Channels;
use crate::plant::loss_unit::{LossUnit, LossUnitError, Price};
use crate::plant::model::{
    Booking, BookingKind, ChannelIx, Console, Deliveries, Delivery, Selection, Site, Stated,
};
use crate::plant::raw::{self, Entry, WordOrList};
use crate::quantity::{AbsolutePressure, Mass, MassFlow, QuantityKind};
use crate::time::{Span, Timestamp};

/// The mean at sea level, and how far weather and height of ordinary sites take it (common
/// practice, no source).
const AIR: Stated<AbsolutePressure> = Stated {
    value: AbsolutePressure::new(101_325.0),
    std: 2_000.0,
};

/// The site. It must stand exactly once.
#[expect(
    clippy::too_many_lines,
    reason = "one key after the other, straight down"
)]
pub(super) fn site(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    entries: &[Entry<raw::Site>],
) -> Option<Site> {
    let Some(entry) = entries.first() else {
        context.error(
            Place { file: 0, offset: 0 },
            "the description has no [site]",
            "[site] with id, name, time-zone and accepted-loss, best in a file site.toml",
        );
        return None;
    };
    once(context, "site", entries);
    let keys = &entry.keys;
    let here = Here {
        entry,
        called: "the site".into(),
    };
    let id = context.text(&here, keys.id.as_ref(), "id", "\"tarn-hollow\"");
    if let (Some(id), Some(field)) = (&id, &keys.id)
        && !super::context::is_id(id)
    {
        context.error(
            here.at(field),
            format!("{id:?} cannot be the id of a site"),
            "at most 64 letters, digits, dots, dashes or underscores, since it stands in topics",
        );
    }
    let name = context.text(&here, keys.name.as_ref(), "name", "\"what people call it\"");
    let time_zone = context.text(
        &here,
        keys.time_zone.as_ref(),
        "time-zone",
        "\"Europe/London\"",
    );
    if let (Some(zone), Some(field)) = (&time_zone, &keys.time_zone)
        && !is_time_zone(zone)
    {
        context.error(
            here.at(field),
            format!("{zone:?} is not the name of a time zone"),
            "time-zone = \"UTC\" or a name such as \"Europe/London\"",
        );
    }
    let barometer = match &keys.barometer {
        None => Some(None),
        Some(field) => channels
            .of_kind(
                context,
                here.at(field),
                field.get_ref(),
                &[QuantityKind::AbsolutePressure],
                "the barometer",
            )
            .map(Some),
    };
    let air_pressure = match &keys.air_pressure {
        None => Some(AIR),
        Some(field) => context.stated(&here, field, "air-pressure"),
    };
    let boil_off = match &keys.boil_off {
        None => Some(None),
        Some(field) => context
            .stated::<_, MassFlow>(&here, field, "boil-off")
            .map(Some),
    };
    let accepted_loss = if let Some(field) = &keys.accepted_loss {
        context.stated::<_, MassFlow>(&here, field, "accepted-loss")
    } else {
        context.missing(
            &here,
            here.place(),
            "accepted-loss",
            "\"0.4 kg/day ± 0.1 kg/day\", what the plant is known to lose",
        );
        None
    };
    let false_alerts_per_year = match &keys.false_alerts_per_year {
        None => Some(1.0),
        Some(field) => {
            let rate = *field.get_ref();
            let sound = (0.01..=100.0).contains(&rate);
            if !sound {
                context.error(
                    here.at(field),
                    format!("{rate} false alerts per year cannot be asked for"),
                    "false-alerts-per-year = 1.0, or another from 0.01 to 100",
                );
            }
            sound.then_some(rate)
        }
    };
    let helium_price_per_kg = match &keys.helium_price_per_kg {
        None => Some(None),
        Some(field) => {
            let text = &field.get_ref().0;
            let price = text.trim().split_once(' ').and_then(|(number, currency)| {
                let number: f64 = number.parse().ok()?;
                let currency = currency.trim();
                let sound = number.is_finite() && number > 0.0 && !currency.is_empty();
                sound.then(|| (number, currency.to_owned()))
            });
            if price.is_none() {
                context.error(
                    here.at(field),
                    format!("{text:?} is not a price with its currency"),
                    "helium-price-per-kg = \"60 EUR\"",
                );
            }
            price.map(Some)
        }
    };
    let local_rules = context.text(
        &here,
        keys.local_rules.as_ref(),
        "local-rules",
        "\"whom to call, and where the site's own safety rules are\"",
    );
    Some(Site {
        id: id?.as_str().into(),
        name: name?,
        time_zone: time_zone?,
        accepted_loss: accepted_loss?,
        boil_off: boil_off?,
        barometer: barometer?,
        air_pressure: air_pressure?,
        false_alerts_per_year: false_alerts_per_year?,
        helium_price_per_kg: helium_price_per_kg?,
        local_rules: local_rules?,
    })
}

/// The form of an IANA name; whether the machine knows the zone is for the shell to see.
fn is_time_zone(zone: &str) -> bool {
    let part = |part: &str| {
        part.starts_with(|c: char| c.is_ascii_alphabetic())
            && part
                .chars()
                .all(|c| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '+'))
    };
    zone == "UTC" || (zone.contains('/') && zone.split('/').all(part))
}

fn once<T>(context: &mut Context<'_>, kind: &str, entries: &[Entry<T>]) {
    let place = |entry: &Entry<T>| Place {
        file: entry.file,
        offset: entry.start,
    };
    if let Some(first) = entries.first() {
        for other in entries.iter().skip(1) {
            let first = context.name_of(place(first));
            context.error(
                place(other),
                format!("[{kind}] stands already in {first}"),
                "one of the two",
            );
        }
    }
}

/// A ledger entry that the description begins with.
pub(super) fn booking(
    context: &mut Context<'_>,
    sections: &Ids,
    entry: &Entry<raw::Ledger>,
) -> Option<Booking> {
    let keys = &entry.keys;
    let here = Here {
        entry,
        called: "a ledger entry".into(),
    };
    let effective_at = context
        .need(&here, keys.at.as_ref(), "at", "\"2026-11-02T08:30:00Z\"")
        .and_then(|field| {
            let parsed = Timestamp::parse(field.get_ref()).ok();
            if parsed.is_none() {
                context.error(
                    here.at(field),
                    format!("{:?} is not a time", field.get_ref()),
                    "at = \"2026-11-02T08:30:00Z\"",
                );
            }
            parsed
        });
    let over = match &keys.over {
        None => Some(Span::ZERO),
        Some(field) => context
            .positive(&here, field, "over", QuantityKind::Duration, true)
            .map(Span::from_seconds),
    };
    let kinds = BookingKind::ALL.map(|kind| kind.words().replace(' ', "-"));
    let words: Vec<_> = kinds
        .iter()
        .map(String::as_str)
        .zip(BookingKind::ALL)
        .collect();
    let kind = context
        .need(&here, keys.kind.as_ref(), "kind", "\"delivery\"")
        .and_then(|field| context.word(&here, field, "kind", &words));
    let mass = if let Some(field) = &keys.mass {
        context
            .stated::<_, Mass>(&here, field, "mass")
            .filter(|mass| {
                let sound = kind == Some(BookingKind::Correction) || mass.value.si() >= 0.0;
                if !sound {
                    context.error(
                        here.at(field),
                        "the mass is below zero, but its kind says already which way it went",
                        "the mass without its sign, or kind = \"correction\"",
                    );
                }
                sound
            })
    } else {
        context.missing(&here, here.place(), "mass", "\"62.5 kg ± 0.3 kg\"");
        None
    };
    let author = context.text(&here, keys.author.as_ref(), "author", "\"who says so\"");
    let note = keys
        .note
        .as_ref()
        .map_or_else(String::new, |note| note.get_ref().clone());
    let section = match &keys.section {
        None => Some(None),
        Some(field) => context
            .find(here.at(field), field.get_ref(), "section", sections)
            .map(|_| Some(field.get_ref().as_str().into())),
    };
    Some(Booking {
        effective_at: effective_at?,
        over: over?,
        kind: kind?,
        mass: mass?,
        author: author?,
        note,
        section: section?,
    })
}

const DESTINATIONS: [&str; 2] = ["mqtt", "series"];
const TOPIC_ROOT: &str = "helium";

/// Both deliveries; what is not written is delivered in full.
pub(super) fn deliveries(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    entries: &[Entry<raw::Delivery>],
    site_id: &str,
) -> Option<Deliveries> {
    let mut topic_root = Some(format!("{TOPIC_ROOT}/{site_id}"));
    let mut of = |name: &str| {
        let mut same = entries.iter().filter(|entry| entry.name == name);
        let entry = same.next();
        for other in same {
            context.error(
                Place {
                    file: other.file,
                    offset: other.start,
                },
                format!("[deliveries.{name}] stands twice"),
                "one of the two",
            );
        }
        let Some(entry) = entry else {
            return Some(Delivery {
                channels: Selection::All,
                every: Span::from_millis(10_000),
                inventory: true,
                losses: true,
                alarms: true,
            });
        };
        if let Some(root) = &entry.keys.root {
            topic_root = root_of(context, entry, root, name);
        }
        delivery(context, channels, entry)
    };
    let mqtt = of("mqtt");
    let series = of("series");
    for entry in entries {
        if !DESTINATIONS.contains(&entry.name.as_str()) {
            context.error(
                Place {
                    file: entry.file,
                    offset: entry.start,
                },
                format!("nothing can be delivered to {:?}", entry.name),
                "[deliveries.mqtt] or [deliveries.series]",
            );
        }
    }
    Some(Deliveries {
        mqtt: mqtt?,
        topic_root: topic_root?,
        series: series?,
    })
}

fn root_of(
    context: &mut Context<'_>,
    entry: &Entry<raw::Delivery>,
    root: &raw::Text,
    name: &str,
) -> Option<String> {
    let text = root.get_ref();
    let sound = name == "mqtt" && !text.is_empty() && text.split('/').all(super::context::is_id);
    if !sound {
        context.error(
            Place {
                file: entry.file,
                offset: root.span().start,
            },
            format!("{text:?} cannot be the root of topics of {name}"),
            "root = \"helium/tarn-hollow\" in [deliveries.mqtt]: levels of letters, digits, dots, dashes or underscores",
        );
    }
    sound.then(|| text.clone())
}

fn delivery(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    entry: &Entry<raw::Delivery>,
) -> Option<Delivery> {
    let keys = &entry.keys;
    let here = Here {
        entry,
        called: format!("delivery {:?}", entry.name),
    };
    let selection = match &keys.channels {
        None => Some(Selection::All),
        Some(field) => match field.get_ref() {
            WordOrList::Word(word) if word == "all" => Some(Selection::All),
            WordOrList::Word(word) if word == "none" => Some(Selection::None),
            WordOrList::Word(word) => {
                context.error(
                    here.at(field),
                    format!("{word:?} is not a choice of channels"),
                    "channels = \"all\", \"none\" or a list of ids",
                );
                None
            }
            WordOrList::List(list) => {
                list_of_channels(context, channels, &here, list).map(Selection::Channels)
            }
        },
    };
    let every = match &keys.every {
        None => Some(Span::from_millis(10_000)),
        Some(field) => context.span(&here, field, "every"),
    };
    let wanted =
        |field: &Option<toml::Spanned<bool>>| field.as_ref().is_none_or(|wanted| *wanted.get_ref());
    Some(Delivery {
        channels: selection?,
        every: every?,
        inventory: wanted(&keys.inventory),
        losses: wanted(&keys.losses),
        alarms: wanted(&keys.alarms),
    })
}

fn list_of_channels<T>(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    here: &Here<'_, T>,
    list: &[raw::Text],
) -> Option<Vec<ChannelIx>> {
    let found: Vec<_> = list
        .iter()
        .map(|id| {
            context
                .find(here.at(id), id.get_ref(), "channel", channels.ids)
                .map(ChannelIx)
        })
        .collect();
    found.into_iter().collect()
}

fn wrong_unit(error: &LossUnitError) -> (String, String) {
    match error {
        LossUnitError::Unknown { text, choices } => (
            format!("{text:?} is not a unit of loss"),
            format!("one of {}", choices.join(", ")),
        ),
        LossUnitError::NoPrice(text) => (
            format!("loss-unit = {text:?} needs a price, and [site] has none"),
            "helium-price-per-kg = \"60 EUR\" in [site]".into(),
        ),
        LossUnitError::Currency { text, currency } => (
            format!("{text:?} is not in the currency of helium-price-per-kg"),
            format!("loss-unit = \"{currency}/year\""),
        ),
        LossUnitError::Helium(error) => (error.to_string(), "loss-unit = \"kg/day\"".into()),
    }
}

/// Settings of the pages; all have a default.
pub(super) fn console(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    entries: &[Entry<raw::Console>],
    site_name: &str,
    price: Option<&Price>,
) -> Option<Console> {
    once(context, "console", entries);
    let Some(entry) = entries.first() else {
        return Some(Console {
            title: site_name.to_owned(),
            loss_unit: "kg/day".into(),
            pinned: Vec::new(),
        });
    };
    let keys = &entry.keys;
    let here = Here {
        entry,
        called: "the console".into(),
    };
    let loss_unit = match &keys.loss_unit {
        None => Some("kg/day".to_owned()),
        Some(field) => {
            let unit = LossUnit::parse(field.get_ref(), price);
            if let Err(error) = &unit {
                let (problem, what_to_do) = wrong_unit(error);
                context.error(here.at(field), problem, what_to_do);
            }
            unit.ok().map(|unit| unit.symbol().to_owned())
        }
    };
    let pinned = match &keys.pinned {
        None => Some(Vec::new()),
        Some(list) => list_of_channels(context, channels, &here, list),
    };
    Some(Console {
        title: keys
            .title
            .as_ref()
            .map_or_else(|| site_name.to_owned(), |title| title.get_ref().clone()),
        loss_unit: loss_unit?,
        pinned: pinned?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn knows_the_form_of_a_time_zone() {
        for zone in [
            "UTC",
            "Europe/London",
            "America/Argentina/Buenos_Aires",
            "Etc/GMT+3",
        ] {
            assert!(is_time_zone(zone), "{zone}");
        }
        for zone in ["", "local", "Europe/", "../etc/passwd", "Europe London"] {
            assert!(!is_time_zone(zone), "{zone}");
        }
    }
}
