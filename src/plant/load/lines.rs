//! Sections, and the lines between them.

use toml::Spanned;

use super::context::{Context, Here, Ids};
use super::devices::Groups;
use super::meters;
use super::vessels::Channels;
use crate::plant::model::{
    ChannelIx, End, Line, Passage, PassageSource, Section, SectionIx, Vessel, VesselIx,
};
use crate::plant::raw::{self, Entry, Text, nearest};
use crate::quantity::QuantityKind;

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

/// A line.
pub(super) fn line(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    sections: &Ids,
    groups: &mut Groups,
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
    let meter = meters::meter(context, channels, groups, &here, id);
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
    if nearest(field.get_ref(), ["outside"]).is_some() && !sections.contains(field.get_ref()) {
        context.error(
            here.at(field),
            format!("there is no section {:?}", field.get_ref()),
            "\"outside\", if that is meant",
        );
        return None;
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
    valve_value(context, channels, here, field).map(|(channel, open_above)| {
        PassageSource::Channel {
            channel,
            open_above,
        }
    })
}

/// The channel of a valve, and the value above which it is open.
pub(super) fn valve_value<T>(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    here: &Here<'_, T>,
    field: &Spanned<raw::Valve>,
) -> Option<(ChannelIx, f64)> {
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
    let kind = channels.kind(channel)?;
    let open_above = context.quantity(here, open_above, "open-above", kind)?;
    Some((channel, open_above))
}
