//! From the texts of a description to a checked [`Plant`], with every problem found on the way.
//!
//! The texts are first taken apart (`raw`: one structure per table), then each table is
//! made into its part of the model. A table that cannot be made is left out, and checking goes on:
//! ids are gathered before anything refers to them, so that one broken channel does not make every
//! mention of it unknown.
//!
//! Nothing here reads the disk; see [`super::files`] for that.

mod ageing;
mod alarms;
mod bath;
mod channel_checks;
mod channels;
mod context;
mod conversion;
mod corrections;
mod curves;
mod devices;
mod halls;
mod lines;
mod magnets;
mod meters;
mod room;
mod shape;
mod site;
mod uncertainty;
mod vessels;

use std::collections::BTreeMap;

use sha2::{Digest, Sha256};

use self::context::{Context, Ids, Place};
use super::files::SourceFile;
use super::model::{DescriptionHash, Plant, Things};
use super::problem::Problems;
use super::raw::{Entry, Instrument, Raw, Text, nearest};

/// Said when a description is refused without a reason, which is a fault of this program.
const UNSAID: &str = "the description is refused, but the check does not say why";

/// What a description amounts to.
#[derive(Debug)]
pub struct Examined {
    /// The plant, unless there is an error.
    pub plant: Option<Plant>,
    /// Errors and warnings, sorted by file and line.
    pub problems: Problems,
}

/// Makes a plant of the texts of a description.
///
/// # Errors
/// Every [`Problems`], warnings among them, when there is an error; warnings alone do not stop it.
pub fn load(files: &[SourceFile]) -> Result<Plant, Problems> {
    let Examined { plant, problems } = examine(files);
    plant.ok_or(problems)
}

/// Makes a plant of the texts of a description, and tells everything that is wrong with them.
#[must_use]
pub fn examine(files: &[SourceFile]) -> Examined {
    let mut context = Context::new(files);
    let mut raw = Raw::default();
    let mut faults = Vec::new();
    for (at, file) in files.iter().enumerate() {
        if !curves::is_curve_file(&file.name) {
            raw.take(at, &file.text, &mut faults);
        }
    }
    for fault in faults {
        let at = Place {
            file: fault.file,
            offset: fault.offset,
        };
        context.error(at, fault.what, fault.write);
    }
    let plant = make(&mut context, &raw, files).filter(|_| !context.has_errors());
    if plant.is_none() && !context.has_errors() {
        // Every way out of the loader reports why; should one not, the person must not be left alone.
        context.error(
            Place { file: 0, offset: 0 },
            UNSAID,
            "nothing; please report this description as a fault of the program",
        );
    }
    let problems = context.into_problems();
    Examined { plant, problems }
}

#[expect(
    clippy::too_many_lines,
    reason = "one kind of table after the other, in the order they refer to each other"
)]
fn make(context: &mut Context<'_>, raw: &Raw, files: &[SourceFile]) -> Option<Plant> {
    let curves = curves::Curves::read(context, files);
    let devices = gather(context, "device", &raw.device, |keys| keys.id.as_ref());
    let sections = gather(context, "section", &raw.section, |keys| keys.id.as_ref());
    let channel_ids = gather(context, "channel", &raw.channel, |keys| {
        keys.own.id.as_ref()
    });
    let vessel_ids = gather(context, "vessel", &raw.vessel, |keys| keys.id.as_ref());
    let line_ids = gather(context, "line", &raw.line, |keys| keys.id.as_ref());
    let conductors = gather(context, "conductor", &raw.conductor, |keys| {
        keys.id.as_ref()
    });
    let magnet_ids = gather(context, "magnet", &raw.magnet, |keys| keys.id.as_ref());
    gather(context, "joint", &raw.joint, |keys| keys.id.as_ref());
    gather(context, "current lead", &raw.current_lead, |keys| {
        keys.id.as_ref()
    });
    let cool_down_ids = gather(context, "cool-down", &raw.cool_down, |keys| {
        keys.id.as_ref()
    });
    gather(context, "alarm", &raw.alarm, |keys| keys.id.as_ref());
    let groups_by_id = gather(context, "shared error", &raw.shared_error, |keys| {
        keys.id.as_ref()
    });
    let instruments = instruments(context, &raw.instrument);

    let device: Vec<_> = raw
        .device
        .iter()
        .map(|entry| devices::device(context, entry))
        .collect();
    let mut groups = devices::Groups::read(context, &raw.shared_error);
    let known = channels::Known {
        devices: &devices,
        sections: &sections,
        groups_by_id: &groups_by_id,
        channels: &channel_ids,
        instruments: &instruments,
        curves: &curves,
    };
    let channel: Vec<_> = raw
        .channel
        .iter()
        .map(|entry| channels::channel(context, &known, &mut groups, entry))
        .collect();
    channel_checks::check_overlaps(context, &raw.channel, &channel);
    channel_checks::check_partners(context, &raw.channel, &channel);
    unused(context, raw);

    let kinds: Vec<_> = raw
        .channel
        .iter()
        .map(|entry| channels::kind_of(&instruments, entry))
        .collect();
    let channels = vessels::Channels {
        ids: &channel_ids,
        built: &channel,
        kinds: &kinds,
        barometer: raw.site.iter().any(|entry| entry.keys.barometer.is_some()),
    };
    let site = site::site(context, &channels, &raw.site);
    let vessel: Vec<_> = raw
        .vessel
        .iter()
        .map(|entry| vessels::vessel(context, &channels, &sections, entry))
        .collect();
    let section = lines::sections(context, &raw.section, &vessel);
    let line: Vec<_> = raw
        .line
        .iter()
        .map(|entry| lines::line(context, &channels, &sections, &mut groups, entry))
        .collect();
    if groups.overflowed() {
        context.error(
            Place { file: 0, offset: 0 },
            "there are more than 65535 shared sources of error",
            "fewer channels in one description",
        );
    }
    let known = magnets::Known {
        channels: &channels,
        sections: &sections,
        vessels: &vessel_ids,
        conductors: &conductors,
        built: &vessel,
    };
    let magnets = magnets::magnets(context, &known, raw);
    let known = alarms::Known {
        channels: &channels,
        devices: &devices,
        vessels: &vessel_ids,
        sections: &sections,
        lines: &line_ids,
        magnets: &magnet_ids,
        cool_downs: &cool_down_ids,
        described: magnets.as_ref(),
        limited: raw.vessel.iter().any(|entry| entry.keys.full_at.is_some()),
    };
    let alarm: Vec<_> = raw
        .alarm
        .iter()
        .map(|entry| alarms::alarm(context, &known, entry))
        .collect();
    let ledger: Vec<_> = raw
        .ledger
        .iter()
        .map(|entry| site::booking(context, &sections, entry))
        .collect();
    gather(context, "hall", &raw.hall, |keys| keys.id.as_ref());
    let hall: Vec<_> = raw
        .hall
        .iter()
        .map(|entry| halls::hall(context, &channels, &sections, entry))
        .collect();
    let (site_id, site_name) = site
        .as_ref()
        .map_or(("", ""), |site| (&*site.id, site.name.as_str()));
    let deliveries = site::deliveries(context, &channels, &raw.delivery, site_id);
    let price = site
        .as_ref()
        .and_then(|site| site.helium_price_per_kg.as_ref());
    let console = site::console(context, &channels, &raw.console, site_name, price);
    if raw.vessel.is_empty() {
        context.error(
            Place { file: 0, offset: 0 },
            "the description has no vessel, so there is no helium to account for",
            "a [[vessel]] with its section and what it holds",
        );
    }

    Some(Plant {
        site: site?,
        all: Things {
            device: whole(device)?,
            channel: whole(channel)?,
            vessel: whole(vessel)?,
            section,
            line: whole(line)?,
        },
        groups: groups.all,
        magnets: magnets?,
        alarms: whole(alarm)?,
        ledger_seed: whole(ledger)?,
        deliveries: deliveries?,
        console: console?,
        halls: whole(hall)?,
        hash: hash(files),
    })
}

/// All of them, or none: positions refer to the whole.
fn whole<T>(parts: Vec<Option<T>>) -> Option<Vec<T>> {
    parts.into_iter().collect()
}

fn gather<'e, T>(
    context: &mut Context<'_>,
    kind: &str,
    entries: &'e [Entry<T>],
    id: impl Fn(&'e T) -> Option<&'e Text>,
) -> Ids {
    Ids::gather(context, kind, entries, |entry| {
        id(&entry.keys).map(|id| (id.get_ref().as_str(), id.span().start))
    })
}

fn instruments<'e>(
    context: &mut Context<'_>,
    entries: &'e [Entry<Instrument>],
) -> BTreeMap<String, &'e Entry<Instrument>> {
    let mut by_name: BTreeMap<String, &Entry<Instrument>> = BTreeMap::new();
    for entry in entries {
        let place = |entry: &Entry<Instrument>| Place {
            file: entry.file,
            offset: entry.start,
        };
        if let Some(first) = by_name.get(&entry.name) {
            let first = context.name_of(place(first));
            context.error(
                place(entry),
                format!("[instrument.{}] stands already in {first}", entry.name),
                "another name, or drop one of the two",
            );
        } else {
            by_name.insert(entry.name.clone(), entry);
        }
    }
    by_name
}

/// Instruments and devices that no channel uses: probably a slip of the pen.
fn unused(context: &mut Context<'_>, raw: &Raw) {
    let is_used = |name: &str, of: fn(&super::raw::Channel) -> Option<&Text>| {
        raw.channel
            .iter()
            .any(|entry| of(&entry.keys.own).is_some_and(|used| used.get_ref() == name))
    };
    for entry in &raw.instrument {
        if !is_used(&entry.name, |channel| channel.instrument.as_ref()) {
            context.warning(
                Place {
                    file: entry.file,
                    offset: entry.start,
                },
                format!("no channel uses instrument {:?}", entry.name),
                format!("instrument = {:?} in a channel, or drop it", entry.name),
            );
        }
    }
    for entry in &raw.device {
        let Some(id) = &entry.keys.id else { continue };
        if !is_used(id.get_ref(), |channel| channel.device.as_ref()) {
            context.warning(
                Place {
                    file: entry.file,
                    offset: id.span().start,
                },
                format!("no channel is read from device {:?}", id.get_ref()),
                format!("device = {:?} in a channel, or drop it", id.get_ref()),
            );
        }
    }
}

fn nearest_of<'n>(name: &str, known: impl IntoIterator<Item = &'n String>) -> Option<&'n str> {
    nearest(name, known.into_iter().map(String::as_str))
}

/// SHA-256 over names and texts, each with its length, so that no two descriptions run together.
fn hash(files: &[SourceFile]) -> DescriptionHash {
    let mut sorted: Vec<_> = files.iter().collect();
    sorted.sort_by(|a, b| a.name.cmp(&b.name));
    let mut hasher = Sha256::new();
    for file in sorted {
        for part in [&file.name, &file.text] {
            hasher.update(u64::try_from(part.len()).unwrap_or(u64::MAX).to_be_bytes());
            hasher.update(part.as_bytes());
        }
    }
    DescriptionHash(hasher.finalize().into())
}
