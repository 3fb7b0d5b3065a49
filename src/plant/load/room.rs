//! Room for gas: where a store is full, and what a bath boils off.

use super::vessels::Reader;
use crate::plant::model::{Contents, FullAt, Stated};
use crate::plant::raw::{self, Quantity};
use crate::quantity::{AbsolutePressure, MassFlow, Quantity as _, QuantityKind, Volume};

impl Reader<'_, '_, '_> {
    /// Where a gas store is full; none with a problem, none inside when nothing is said.
    #[expect(clippy::option_option, reason = "wrong and unsaid are two things")]
    pub(super) fn full_at(
        &mut self,
        keys: &raw::Vessel,
        contents: Option<&Contents>,
    ) -> Option<Option<FullAt>> {
        let (Some(field), Some(contents)) = (&keys.full_at, contents) else {
            // What is wrong with the contents is told there.
            return Some(None);
        };
        match contents {
            Contents::Fluid { .. } => self
                .limit(field, QuantityKind::AbsolutePressure)
                .map(|si| Some(FullAt::Pressure(AbsolutePressure::from_si(si)))),
            Contents::Bag { .. } => self
                .limit(field, QuantityKind::Volume)
                .map(|si| Some(FullAt::Volume(Volume::from_si(si)))),
            Contents::Bath { .. } | Contents::Unmeasured => {
                self.context.error(
                    self.here.at(field),
                    format!("{} is no gas store, so it has no full-at", self.here.called),
                    "full-at only of a vessel with [vessel.fluid] or [vessel.bag]",
                );
                None
            }
        }
    }

    fn limit(&mut self, field: &Quantity, kind: QuantityKind) -> Option<f64> {
        self.context
            .positive(&self.here, field, "full-at", kind, false)
    }

    /// What a bath boils off, likewise.
    #[expect(clippy::option_option, reason = "wrong and unsaid are two things")]
    pub(super) fn boil_off(
        &mut self,
        keys: &raw::Vessel,
        contents: Option<&Contents>,
    ) -> Option<Option<Stated<MassFlow>>> {
        let (Some(field), Some(contents)) = (&keys.boil_off, contents) else {
            return Some(None);
        };
        if !matches!(contents, Contents::Bath { .. }) {
            self.context.error(
                self.here.at(field),
                format!("{} is no bath, so it has no boil-off", self.here.called),
                "boil-off only of a vessel with [vessel.bath], or of the site",
            );
            return None;
        }
        let stated: Stated<MassFlow> = self.context.stated(&self.here, field, "boil-off")?;
        if stated.value.si() < 0.0 {
            self.context.error(
                self.here.at(field),
                format!("boil-off of {} is below zero", self.here.called),
                "what boils off, as a positive flow",
            );
            return None;
        }
        Some(Some(stated))
    }
}
