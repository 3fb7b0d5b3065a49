//! Conductors, magnets, joints, current leads, cool-downs, and what is watched in a bath.

mod bath;
mod conductor;
mod cool_down;
mod joint;
mod lead;
mod magnet;

use toml::Spanned;

use super::context::{Context, Here, Ids, Place};
use super::vessels::Channels;
use crate::plant::magnets::Magnets;
use crate::plant::model::{ChannelIx, Contents, SectionIx, Stated, Vessel, VesselIx};
use crate::plant::raw::{self, Entry, Quantity, Raw, Text};
use crate::quantity::QuantityKind;

/// What these tables refer to.
pub(super) struct Known<'k> {
    pub channels: &'k Channels<'k>,
    pub sections: &'k Ids,
    pub vessels: &'k Ids,
    pub conductors: &'k Ids,
    /// As built, to tell baths from other vessels.
    pub built: &'k [Option<Vessel>],
}

/// All of it; none when something in it is wrong.
pub(super) fn magnets(context: &mut Context<'_>, known: &Known<'_>, raw: &Raw) -> Option<Magnets> {
    let conductors: Vec<_> = raw
        .conductor
        .iter()
        .map(|entry| {
            Reader::of(context, known, entry, "conductor", entry.keys.id.as_ref()).conductor()
        })
        .collect();
    let magnets: Vec<_> = raw
        .magnet
        .iter()
        .map(|entry| Reader::of(context, known, entry, "magnet", entry.keys.id.as_ref()).magnet())
        .collect();
    let joints: Vec<_> = raw
        .joint
        .iter()
        .map(|entry| Reader::of(context, known, entry, "joint", entry.keys.id.as_ref()).joint())
        .collect();
    let leads: Vec<_> = raw
        .current_lead
        .iter()
        .map(|entry| {
            Reader::of(
                context,
                known,
                entry,
                "current lead",
                entry.keys.id.as_ref(),
            )
            .lead()
        })
        .collect();
    let cool_downs: Vec<_> = raw
        .cool_down
        .iter()
        .map(|entry| {
            Reader::of(context, known, entry, "cool-down", entry.keys.id.as_ref()).cool_down()
        })
        .collect();
    let mut baths = Vec::new();
    let mut sound = true;
    for ((ix, entry), vessel) in (0u32..).zip(&raw.vessel).zip(known.built) {
        let Some(bath) = &entry.keys.bath else {
            continue;
        };
        let reader = Reader::of(context, known, entry, "vessel", entry.keys.id.as_ref());
        match reader.bath(VesselIx(ix), bath, vessel.as_ref()) {
            Some(Some(watch)) => baths.push(watch),
            Some(None) => {}
            None => sound = false,
        }
    }
    for entry in &raw.conductor {
        let Some(id) = &entry.keys.id else { continue };
        let used = |magnet: &Entry<raw::Magnet>| {
            magnet.keys.conductor.as_ref().map(Spanned::get_ref) == Some(id.get_ref())
        };
        if !raw.magnet.iter().any(used) {
            let at = Place {
                file: entry.file,
                offset: id.span().start,
            };
            context.warning(
                at,
                format!("no magnet is wound of conductor {:?}", id.get_ref()),
                format!("conductor = {:?} in a magnet, or drop it", id.get_ref()),
            );
        }
    }
    Some(Magnets {
        conductors: super::whole(conductors)?,
        magnets: super::whole(magnets)?,
        joints: super::whole(joints)?,
        leads: super::whole(leads)?,
        cool_downs: super::whole(cool_downs)?,
        baths: sound.then_some(baths)?,
    })
}

struct Reader<'r, 'f, 'e, T> {
    context: &'r mut Context<'f>,
    known: &'r Known<'r>,
    here: Here<'e, T>,
    id: &'e str,
}

impl<'r, 'f, 'e, T> Reader<'r, 'f, 'e, T> {
    fn of(
        context: &'r mut Context<'f>,
        known: &'r Known<'r>,
        entry: &'e Entry<T>,
        kind: &str,
        id: Option<&'e Text>,
    ) -> Self {
        let id = id.map_or("", |id| id.get_ref().as_str());
        Self {
            context,
            known,
            here: Here {
                entry,
                called: format!("{kind} {id:?}"),
            },
            id,
        }
    }

    fn name(&mut self, field: Option<&Text>) -> Option<String> {
        self.context
            .text(&self.here, field, "name", "\"what people call it\"")
    }

    fn section(&mut self, field: Option<&Text>) -> Option<SectionIx> {
        let field = self
            .context
            .need(&self.here, field, "section", "\"the id of a section\"")?;
        let at = self.here.at(field);
        self.context
            .find(at, field.get_ref(), "section", self.known.sections)
            .map(SectionIx)
    }

    fn channel(
        &mut self,
        field: Option<&Text>,
        key: &str,
        kind: QuantityKind,
        used_as: &str,
    ) -> Option<ChannelIx> {
        let field = self
            .context
            .need(&self.here, field, key, "\"the id of a channel\"")?;
        let at = self.here.at(field);
        self.known
            .channels
            .of_kind(self.context, at, field.get_ref(), &[kind], used_as)
    }

    fn current(&mut self, field: Option<&Text>) -> Option<ChannelIx> {
        self.channel(
            field,
            "current",
            QuantityKind::Current,
            "a magnet's current",
        )
    }

    /// A quantity above zero that must be there.
    fn above_zero(
        &mut self,
        field: Option<&Quantity>,
        key: &str,
        example: &str,
        kind: QuantityKind,
    ) -> Option<f64> {
        let field = self.context.need(&self.here, field, key, example)?;
        self.context.positive(&self.here, field, key, kind, false)
    }

    fn stated<Q: crate::quantity::Quantity>(
        &mut self,
        field: Option<&Quantity>,
        key: &str,
        example: &str,
    ) -> Option<Stated<Q>> {
        let field = self.context.need(&self.here, field, key, example)?;
        self.context.stated(&self.here, field, key)
    }

    fn part<'p, P, F>(
        &mut self,
        part: Option<&'p Spanned<P>>,
        field: &Spanned<F>,
        key: &str,
        example: &str,
    ) -> Option<&'p Spanned<P>> {
        self.context.part(&self.here, part, field, key, example)
    }

    fn number(&mut self, field: Option<&Spanned<f64>>, key: &str, example: &str) -> Option<f64> {
        self.context
            .need(&self.here, field, key, example)
            .map(|field| *field.get_ref())
    }
}

impl<T> Reader<'_, '_, '_, T> {
    /// A vessel that is a bath.
    fn bath_of(&mut self, field: &Text) -> Option<VesselIx> {
        let at = self.here.at(field);
        let ix = self
            .context
            .find(at, field.get_ref(), "vessel", self.known.vessels)
            .map(VesselIx)?;
        let built = self.known.built.get(ix.index()).and_then(Option::as_ref);
        if built.is_some_and(|vessel| !matches!(vessel.contents, Contents::Bath { .. })) {
            self.context.error(
                at,
                format!("vessel {:?} is no bath", field.get_ref()),
                "a vessel with [vessel.bath]",
            );
            return None;
        }
        Some(ix)
    }
}
