//! Halls and their oxygen monitors.

use toml::Spanned;

use super::context::{Context, Here, Ids};
use super::vessels::Channels;
use crate::air::{self, Fan, OUTSIDE_OXYGEN};
use crate::instrument::oxygen::OxygenScale;
use crate::plant::model::{Hall, OxygenMonitor, SectionIx};
use crate::plant::raw::{self, Entry};
use crate::quantity::{AbsolutePressure, QuantityKind, Volume, VolumeFlow};

/// Air pressures that a monitor may have been set at, Pa: every inhabited place and some more.
const CALIBRATED_AT_PA: std::ops::RangeInclusive<f64> = 5e4..=1.2e5;

/// A hall.
pub(super) fn hall(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    sections: &Ids,
    entry: &Entry<raw::Hall>,
) -> Option<Hall> {
    let keys = &entry.keys;
    let id = keys.id.as_ref().map_or("", |id| id.get_ref());
    let here = Here {
        entry,
        called: format!("hall {id:?}"),
    };
    let name = context.text(&here, keys.name.as_ref(), "name", "\"what people call it\"");
    let volume = context
        .need(
            &here,
            keys.volume.as_ref(),
            "volume",
            "\"5000 m3\", the air that can mix",
        )
        .and_then(|field| context.positive(&here, field, "volume", QuantityKind::Volume, false));
    let fan = fan(context, &here);
    let air = volume.zip(fan).and_then(|(volume, fan)| {
        air::Hall::new(Volume::new(volume), fan, OUTSIDE_OXYGEN)
            .map_err(|error| {
                context.error(
                    here.place(),
                    error.to_string(),
                    "a volume and a flow of this hall",
                );
            })
            .ok()
    });
    let stated = keys.sections.as_deref().unwrap_or_default();
    let sections: Vec<_> = stated
        .iter()
        .map(|field| {
            context
                .find(here.at(field), field.get_ref(), "section", sections)
                .map(SectionIx)
        })
        .collect();
    let stated = keys.oxygen.as_deref().unwrap_or_default();
    if stated.is_empty() {
        context.missing(
            &here,
            here.place(),
            "oxygen",
            "[{ channel = \"...\", reads = \"partial-pressure\", calibrated-at = \"1013 mbar(a)\" }]",
        );
    }
    let oxygen: Vec<_> = stated
        .iter()
        .map(|field| monitor(context, channels, &here, field))
        .collect();
    Some(Hall {
        id: id.into(),
        name: name?,
        air: air?,
        oxygen: super::whole(oxygen)?,
        sections: super::whole(sections)?,
    })
}

fn fan(context: &mut Context<'_>, here: &Here<'_, raw::Hall>) -> Option<Fan> {
    let keys = &here.entry.keys;
    let (field, key, kind): (_, _, fn(VolumeFlow) -> Fan) = match (&keys.exhaust, &keys.supply) {
        (None, None) => return Some(Fan::Off),
        (Some(field), None) => (field, "exhaust", Fan::Exhaust),
        (None, Some(field)) => (field, "supply", Fan::Supply),
        (Some(_), Some(field)) => {
            context.error(
                here.at(field),
                format!("{} has both an exhaust and a supply fan", here.called),
                "the one that decides the flow through the hall",
            );
            return None;
        }
    };
    context
        .positive(here, field, key, QuantityKind::VolumeFlow, true)
        .map(|flow| kind(VolumeFlow::new(flow)))
}

fn monitor(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    here: &Here<'_, raw::Hall>,
    field: &Spanned<raw::OxygenMonitor>,
) -> Option<OxygenMonitor> {
    let stated = field.get_ref();
    let (Some(channel), Some(reads)) = (&stated.channel, &stated.reads) else {
        context.error(
            here.at(field),
            "an oxygen monitor needs its channel and what it reads",
            "{ channel = \"...\", reads = \"fraction\" }, or reads = \"partial-pressure\" with calibrated-at = \"1013 mbar(a)\"",
        );
        return None;
    };
    let ix = channels.of_kind(
        context,
        here.at(channel),
        channel.get_ref(),
        &[QuantityKind::Fraction],
        "an oxygen monitor",
    );
    let by_pressure = context.word(
        here,
        reads,
        "reads",
        &[("partial-pressure", true), ("fraction", false)],
    )?;
    let scale = match (&stated.calibrated_at, by_pressure) {
        (None, false) => OxygenScale::Fraction,
        (Some(field), false) => {
            context.error(
                here.at(field),
                "a monitor that reads the fraction does not depend on the pressure it was set at",
                "reads = \"partial-pressure\", or no calibrated-at",
            );
            return None;
        }
        (None, true) => {
            context.error(
                here.at(reads),
                "a monitor that reads partial pressure needs the air pressure its scale was set at",
                "calibrated-at = \"1013 mbar(a)\"",
            );
            return None;
        }
        (Some(field), true) => {
            let kind = QuantityKind::AbsolutePressure;
            let pa = context.quantity(here, field, "calibrated-at", kind)?;
            if !CALIBRATED_AT_PA.contains(&pa) {
                context.error(
                    here.at(field),
                    format!("calibrated-at: the air had never {:?}", field.get_ref().0),
                    "500 to 1200 mbar(a)",
                );
                return None;
            }
            OxygenScale::PartialPressure {
                calibrated_at: AbsolutePressure::new(pa),
            }
        }
    };
    Some(OxygenMonitor {
        channel: ix?,
        scale,
    })
}
