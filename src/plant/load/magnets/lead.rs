//! Current leads and their gas.

use toml::Spanned;

use super::Reader;
use crate::plant::magnets::{CurrentLead, LeadEndName, LeadGas, LeadThermometer};
use crate::plant::raw;
use crate::quantity::{MassFlow, QuantityKind, Temperature};

impl Reader<'_, '_, '_, raw::CurrentLead> {
    pub(super) fn lead(mut self) -> Option<CurrentLead> {
        let keys = &self.here.entry.keys;
        let name = self.name(keys.name.as_ref());
        let section = self.section(keys.section.as_ref());
        let current = self.current(keys.current.as_ref());
        let thermometer = match &keys.thermometer {
            None => Some(None),
            Some(field) => self.thermometer(field).map(Some),
        };
        let gas = match &keys.gas {
            None => Some(None),
            Some(field) => self.gas(field).map(Some),
        };
        if keys.thermometer.is_none() && keys.gas.is_none() {
            self.context.missing(
                &self.here,
                self.here.place(),
                "thermometer",
                "{ channel = \"...\", lead-end = \"warm\", low = \"...\", high = \"...\" }, or gas = { flow = \"...\", need = \"...\", at = \"...\" }",
            );
            return None;
        }
        Some(CurrentLead {
            id: self.id.into(),
            name: name?,
            section: section?,
            current: current?,
            thermometer: thermometer?,
            gas: gas?,
        })
    }

    fn thermometer(&mut self, field: &Spanned<raw::LeadThermometer>) -> Option<LeadThermometer> {
        let keys = field.get_ref();
        let channel = self.part(
            keys.channel.as_ref(),
            field,
            "channel",
            "\"the id of a channel\"",
        );
        let end = self.part(
            keys.lead_end.as_ref(),
            field,
            "lead-end",
            "\"warm\" or \"cold\"",
        );
        let low = self.part(
            keys.low.as_ref(),
            field,
            "low",
            "\"283 K\", the lowest that is well",
        );
        let high = self.part(
            keys.high.as_ref(),
            field,
            "high",
            "\"320 K\", the highest that is well",
        );
        let channel = channel.and_then(|channel| {
            self.channel(
                Some(channel),
                "channel",
                QuantityKind::Temperature,
                "the temperature of a lead",
            )
        });
        let end = end.and_then(|end| {
            self.context.word(
                &self.here,
                end,
                "lead-end",
                &[("warm", LeadEndName::Warm), ("cold", LeadEndName::Cold)],
            )
        });
        let kind = QuantityKind::Temperature;
        let low = low.and_then(|low| self.context.quantity(&self.here, low, "low", kind));
        let high = high.and_then(|high| self.context.quantity(&self.here, high, "high", kind));
        let (low, high) = (low?, high?);
        if low >= high {
            self.context.error(
                self.here.at(field),
                format!("the limits of {} leave no room", self.here.called),
                "low below high",
            );
            return None;
        }
        Some(LeadThermometer {
            channel: channel?,
            end: end?,
            low: Temperature::new(low),
            high: Temperature::new(high),
        })
    }

    fn gas(&mut self, field: &Spanned<raw::LeadGas>) -> Option<LeadGas> {
        let keys = field.get_ref();
        let flow = self.part(keys.flow.as_ref(), field, "flow", "\"the id of a channel\"");
        let need = self.part(keys.need.as_ref(), field, "need", "\"0.06 g/s\"");
        let at = self.part(
            keys.at.as_ref(),
            field,
            "at",
            "\"1 kA\", the current of that need",
        );
        let flow = flow.and_then(|flow| {
            self.channel(
                Some(flow),
                "flow",
                QuantityKind::MassFlow,
                "the cooling of a lead",
            )
        });
        let need = need.and_then(|need| {
            self.context
                .positive(&self.here, need, "need", QuantityKind::MassFlow, false)
        });
        let at = at.and_then(|at| {
            self.context
                .positive(&self.here, at, "at", QuantityKind::Current, false)
        });
        let at_rest = match &keys.at_rest {
            None => Some(0.0),
            Some(rest) => {
                self.context
                    .positive(&self.here, rest, "at-rest", QuantityKind::MassFlow, true)
            }
        };
        Some(LeadGas {
            flow: flow?,
            need_kg_per_s_per_a: need? / at?,
            at_rest: MassFlow::new(at_rest?),
        })
    }
}
