//! Magnets: what is wound of which conductor, and where its field and temperature come from.

use super::Reader;
use crate::magnet::Figure;
use crate::plant::magnets::Magnet;
use crate::plant::raw;
use crate::quantity::QuantityKind;

impl Reader<'_, '_, '_, raw::Magnet> {
    pub(super) fn magnet(mut self) -> Option<Magnet> {
        let keys = &self.here.entry.keys;
        let name = self.name(keys.name.as_ref());
        let section = self.section(keys.section.as_ref());
        let current = self.current(keys.current.as_ref());
        let conductor = self
            .context
            .need(
                &self.here,
                keys.conductor.as_ref(),
                "conductor",
                "\"the id of a conductor\"",
            )
            .and_then(|field| {
                let at = self.here.at(field);
                self.context
                    .find(at, field.get_ref(), "conductor", self.known.conductors)
            });
        let load_line = self.load_line();
        let bath = match &keys.bath {
            None => Some(None),
            Some(field) => self.bath_of(field).map(Some),
        };
        let mut temperatures = Vec::new();
        let mut sound = true;
        for field in keys.temperatures.iter().flatten() {
            match self.channel(
                Some(field),
                "temperatures",
                QuantityKind::Temperature,
                "a magnet's temperature",
            ) {
                Some(channel) => temperatures.push(channel),
                None => sound = false,
            }
        }
        if temperatures.is_empty() && keys.bath.is_none() && sound {
            self.context.missing(
                &self.here,
                self.here.place(),
                "temperatures",
                "[\"the ids of channels\"], of which the warmest counts, or bath = \"the id of a vessel\"",
            );
            sound = false;
        }
        if !sound {
            return None;
        }
        Some(Magnet {
            id: self.id.into(),
            name: name?,
            section: section?,
            conductor: usize::try_from(conductor?).ok()?,
            current: current?,
            load_line_t_per_a: load_line?,
            temperatures,
            bath: bath?,
        })
    }

    fn load_line(&mut self) -> Option<Figure> {
        const EXAMPLE: &str = "{ field = \"4.2 T ± 1 %\", at = \"4800 A\" }, the peak field on the conductor at a current";
        let field = self.here.entry.keys.load_line.as_ref();
        let field = self.context.need(&self.here, field, "load-line", EXAMPLE)?;
        let keys = field.get_ref();
        let peak = self.part(keys.field.as_ref(), field, "field", "\"4.2 T ± 1 %\"");
        let at = self.part(keys.at.as_ref(), field, "at", "\"4800 A\"");
        let peak = peak.and_then(|peak| {
            self.context
                .stated::<_, crate::quantity::MagneticFluxDensity>(&self.here, peak, "field")
        });
        let at = at.and_then(|at| {
            self.context
                .positive(&self.here, at, "at", QuantityKind::Current, false)
        });
        let (peak, at) = (peak?, at?);
        if peak.value.si() <= 0.0 {
            self.context.error(
                self.here.at(field),
                format!(
                    "the load line of {} has no field above zero",
                    self.here.called
                ),
                EXAMPLE,
            );
            return None;
        }
        Some(Figure::new(peak.value.si() / at, peak.std / at))
    }
}
