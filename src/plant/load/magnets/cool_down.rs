//! Cool-downs and what they are held to.

use super::Reader;
use crate::plant::magnets::CoolDown;
use crate::plant::raw;
use crate::quantity::{QuantityKind, Temperature, TemperatureDifference};
use crate::time::Span;

impl Reader<'_, '_, '_, raw::CoolDown> {
    pub(super) fn cool_down(mut self) -> Option<CoolDown> {
        let keys = &self.here.entry.keys;
        let name = self.name(keys.name.as_ref());
        let section = self.section(keys.section.as_ref());
        let (temperature, difference) = (
            QuantityKind::Temperature,
            QuantityKind::TemperatureDifference,
        );
        let used_as = "an end of a cold mass";
        let start = self.channel(keys.start.as_ref(), "start", temperature, used_as);
        let end = self.channel(keys.end.as_ref(), "end", temperature, used_as);
        let limit = self.above_zero(
            keys.gradient_limit.as_ref(),
            "gradient-limit",
            "\"50 K\", the largest difference between the ends",
            difference,
        );
        let target = self.above_zero(
            keys.target.as_ref(),
            "target",
            "\"4.5 K\", where it is to end",
            temperature,
        );
        let within = self.above_zero(
            keys.within.as_ref(),
            "within",
            "\"0.5 K\", how near counts as there",
            difference,
        );
        let debye = match &keys.debye {
            None => Some(None),
            Some(field) => self
                .context
                .positive(&self.here, field, "debye", temperature, false)
                .map(|debye| Some(Temperature::new(debye))),
        };
        let over = self.over();
        if let (Some(start), Some(end)) = (start, end)
            && start == end
        {
            self.context.error(
                self.here.place(),
                format!("{} has one thermometer at both ends", self.here.called),
                "the channels of two thermometers",
            );
            return None;
        }
        Some(CoolDown {
            id: self.id.into(),
            name: name?,
            section: section?,
            start: start?,
            end: end?,
            gradient_limit: TemperatureDifference::new(limit?),
            target: Temperature::new(target?),
            within: TemperatureDifference::new(within?),
            debye: debye?,
            over: over?,
        })
    }

    fn over(&mut self) -> Option<Span> {
        const LEAST: Span = Span::from_millis(600_000);
        let field = self.here.entry.keys.over.as_ref();
        let field = self.context.need(
            &self.here,
            field,
            "over",
            "\"1 h\", the time over which the rate is taken",
        )?;
        let over = self.context.span(&self.here, field, "over")?;
        if over < LEAST {
            self.context.error(
                self.here.at(field),
                format!("a rate over {over} is noise; a cold mass is slow"),
                "over = \"1 h\", at least 10 min",
            );
            return None;
        }
        Some(over)
    }
}
