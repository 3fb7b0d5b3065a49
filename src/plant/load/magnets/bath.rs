//! What is watched in a bath.

use toml::Spanned;

use super::Reader;
use crate::plant::magnets::BathWatch;
use crate::plant::model::{Contents, Vessel, VesselIx};
use crate::plant::raw::{self, Quantity};
use crate::quantity::{Length, Power, QuantityKind};

impl Reader<'_, '_, '_, raw::Vessel> {
    /// None when something is wrong; none inside when nothing is watched.
    #[expect(
        clippy::option_option,
        reason = "nothing watched is one thing, something wrong another"
    )]
    pub(super) fn bath(
        mut self,
        vessel: VesselIx,
        field: &Spanned<raw::Bath>,
        built: Option<&Vessel>,
    ) -> Option<Option<BathWatch>> {
        let bath = field.get_ref();
        let nothing = bath.boil_off.is_none()
            && bath.low_level.is_none()
            && bath.heat_load.is_none()
            && bath.supply_valve.is_none();
        if nothing {
            return Some(None);
        }
        let vent = match &bath.boil_off {
            None => Some(None),
            Some(field) => self
                .channel(
                    Some(field),
                    "boil-off",
                    QuantityKind::MassFlow,
                    "the vent flow of a bath",
                )
                .map(Some),
        };
        let low_level = match &bath.low_level {
            None => Some(None),
            Some(field) => self.low_level(field, built).map(Some),
        };
        let heat_load = match &bath.heat_load {
            None => Some(None),
            Some(field) => self
                .context
                .stated::<_, Power>(&self.here, field, "heat-load")
                .map(Some),
        };
        let supply = match &bath.supply_valve {
            None => Some(None),
            Some(valve) => crate::plant::load::lines::valve_value(
                self.context,
                self.known.channels,
                &self.here,
                valve,
            )
            .map(Some),
        };
        Some(Some(BathWatch {
            vessel,
            vent: vent?,
            low_level: low_level?,
            heat_load: heat_load?,
            supply: supply?,
        }))
    }

    fn low_level(&mut self, field: &Quantity, built: Option<&Vessel>) -> Option<Length> {
        let level = self
            .context
            .quantity(&self.here, field, "low-level", QuantityKind::Length)?;
        if let Some(Contents::Bath { strapping, .. }) = built.map(|vessel| &vessel.contents)
            && strapping.volume_at(level).is_err()
        {
            let (low, high) = strapping.heights();
            self.context.error(
                self.here.at(field),
                format!(
                    "low-level of {} lies outside the vessel, {:.0} mm to {:.0} mm",
                    self.here.called,
                    low * 1e3,
                    high * 1e3
                ),
                "a height above the lowest inside point",
            );
            return None;
        }
        Some(Length::new(level))
    }
}
