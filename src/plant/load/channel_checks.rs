//! What can only be seen of several channels at once.

use super::context::{Context, Place, with_article};
use crate::plant::model::{Channel, ChannelIx};
use crate::plant::raw::{ChannelKeys, Entry};
use crate::quantity::QuantityKind;

/// Channels that name each other: a reference junction is a temperature, and what should agree
/// measures the same.
pub(super) fn check_partners(
    context: &mut Context<'_>,
    entries: &[Entry<ChannelKeys>],
    channels: &[Option<Channel>],
) {
    for (at, (channel, entry)) in (0u32..).zip(channels.iter().zip(entries)) {
        let Some(channel) = channel else { continue };
        let other = |ix: ChannelIx| channels.get(ix.index())?.as_ref();
        let heading = Place {
            file: entry.file,
            offset: entry.start,
        };
        if let Some(junction) = channel.cold_junction.and_then(other)
            && junction.kind != QuantityKind::Temperature
        {
            context.error(
                heading,
                format!(
                    "the cold junction of channel {:?} is {:?}, which measures {}",
                    &*channel.id,
                    &*junction.id,
                    with_article(junction.kind.words())
                ),
                "cold-junction = \"the id of a channel of temperature\"",
            );
        }
        if let Some(ix) = channel.agrees_with {
            let itself = ix == ChannelIx(at);
            if itself || other(ix).is_some_and(|other| other.kind != channel.kind) {
                context.error(
                    heading,
                    format!(
                        "channel {:?} cannot be compared with {}",
                        &*channel.id,
                        if itself {
                            "itself".to_owned()
                        } else {
                            other(ix).map_or_else(String::new, |other| {
                                format!("{:?}, which measures something else", &*other.id)
                            })
                        }
                    ),
                    "agrees-with = \"the id of another channel that measures the same\"",
                );
            }
        }
    }
}

/// Registers of one device and table that two channels read in different ways.
pub(super) fn check_overlaps(
    context: &mut Context<'_>,
    entries: &[Entry<ChannelKeys>],
    channels: &[Option<Channel>],
) {
    let mut spans: Vec<_> = channels
        .iter()
        .zip(entries)
        .filter_map(|(channel, entry)| channel.as_ref().map(|channel| (channel, entry)))
        .collect();
    spans.sort_by_key(|(channel, entry)| {
        (
            channel.device,
            channel.table,
            channel.address,
            entry.file,
            entry.start,
        )
    });
    // The channel that reaches furthest so far, of this device and table.
    let mut furthest: Option<&Channel> = None;
    for (channel, entry) in spans {
        let same_table =
            |other: &&Channel| (other.device, other.table) == (channel.device, channel.table);
        let end = |of: &Channel| u32::from(of.address) + u32::from(of.words());
        if let Some(other) = furthest.filter(same_table) {
            let alike = other.address == channel.address
                && other.chain.format == channel.chain.format
                && other.chain.order == channel.chain.order;
            if u32::from(channel.address) < end(other) && !alike {
                let at = entry
                    .keys
                    .own
                    .register
                    .as_ref()
                    .map_or(entry.start, |field| field.span().start);
                context.error(
                    Place {
                        file: entry.file,
                        offset: at,
                    },
                    format!(
                        "channels {:?} and {:?} read the same registers in different ways",
                        &*other.id, &*channel.id
                    ),
                    format!(
                        "another register: {:?} takes {} from {}",
                        &*other.id,
                        other.words(),
                        other.address
                    ),
                );
            }
        }
        if furthest
            .filter(same_table)
            .is_none_or(|other| end(channel) > end(other))
        {
            furthest = Some(channel);
        }
    }
}
