//! Conductors, magnets, joints, current leads, cool-downs, and what is watched in a bath.

use toml::Spanned;

use super::context::{Context, Here, Ids, Place};
use super::vessels::Channels;
use crate::magnet::{CriticalSurface, CriticalSurfaceParameters, Figure, Strand};
use crate::plant::magnets::{
    BathWatch, Conductor, CoolDown, CurrentLead, Joint, LeadEndName, LeadGas, LeadThermometer,
    Magnet, Magnets,
};
use crate::plant::model::{ChannelIx, Contents, SectionIx, Stated, Vessel, VesselIx};
use crate::plant::raw::{self, Entry, Quantity, Raw, Text};
use crate::quantity::{
    Length, MassFlow, Power, QuantityKind, Resistance, Temperature, TemperatureDifference, Voltage,
};
use crate::time::Span;

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
        if part.is_none() {
            let at = self.here.at(field);
            self.context.missing(&self.here, at, key, example);
        }
        part
    }

    fn number(&mut self, field: Option<&Spanned<f64>>, key: &str, example: &str) -> Option<f64> {
        self.context
            .need(&self.here, field, key, example)
            .map(|field| *field.get_ref())
    }
}

impl Reader<'_, '_, '_, raw::Conductor> {
    fn conductor(mut self) -> Option<Conductor> {
        let keys = &self.here.entry.keys;
        let name = self.name(keys.name.as_ref());
        let field = QuantityKind::MagneticFluxDensity;
        let j_ref = self.above_zero(
            keys.j_ref.as_ref(),
            "j-ref",
            "\"3000 A/mm2\", from the strand's data; there is no default material",
            QuantityKind::CurrentDensity,
        );
        let c0 = self.above_zero(
            keys.c0.as_ref(),
            "c0",
            "\"27 T\", the constant of the fit",
            field,
        );
        let bc20 = self.above_zero(
            keys.bc20.as_ref(),
            "bc20",
            "\"14.5 T\", from the strand's data",
            field,
        );
        let tc0 = self.above_zero(
            keys.tc0.as_ref(),
            "tc0",
            "\"9.2 K\", from the strand's data",
            QuantityKind::Temperature,
        );
        let alpha = self.number(keys.alpha.as_ref(), "alpha", "0.57, from the strand's data");
        let beta = self.number(keys.beta.as_ref(), "beta", "0.9, from the strand's data");
        let gamma = self.number(keys.gamma.as_ref(), "gamma", "2.3, from the strand's data");
        let std = self.above_zero(
            keys.critical_current_std.as_ref(),
            "critical-current-std",
            "\"5 %\", how well strand and fit are known (k = 1)",
            QuantityKind::Fraction,
        );
        let strand = self.strand();
        let strands = self.strands();
        let parameters = CriticalSurfaceParameters {
            reference_a_per_m2: j_ref?,
            c0_t: c0?,
            bc20_t: bc20?,
            tc0_k: tc0?,
            alpha: alpha?,
            beta: beta?,
            gamma: gamma?,
        };
        let surface = match CriticalSurface::new(parameters) {
            Ok(surface) => surface,
            Err(problem) => {
                self.context.error(
                    self.here.place(),
                    format!("{} has no critical surface: {problem}", self.here.called),
                    "the parameters of the fit as the strand's data give them",
                );
                return None;
            }
        };
        Some(Conductor {
            id: self.id.into(),
            name: name?,
            surface,
            strand: strand?,
            strands: strands?,
            critical_current_std: std?,
        })
    }

    fn strand(&mut self) -> Option<Strand> {
        let keys = &self.here.entry.keys;
        let area = self.above_zero(
            keys.strand_area.as_ref(),
            "strand-area",
            "\"0.567 mm2\", copper and superconductor of one strand",
            QuantityKind::Area,
        );
        let ratio = self.number(
            keys.copper_ratio.as_ref(),
            "copper-ratio",
            "1.8, copper to superconductor",
        );
        let (area, ratio) = (area?, ratio?);
        match Strand::from_ratio(area, ratio) {
            Ok(strand) => Some(strand),
            Err(problem) => {
                let at = keys
                    .copper_ratio
                    .as_ref()
                    .map_or_else(|| self.here.place(), |field| self.here.at(field));
                self.context
                    .error(at, problem.to_string(), "copper-ratio = 1.8, for example");
                None
            }
        }
    }

    fn strands(&mut self) -> Option<u32> {
        let field = self.here.entry.keys.strands.as_ref();
        let field = self.context.need(
            &self.here,
            field,
            "strands",
            "36, how many strands share the current",
        )?;
        let count = u32::try_from(*field.get_ref())
            .ok()
            .filter(|&count| count > 0);
        if count.is_none() {
            self.context.error(
                self.here.at(field),
                format!(
                    "{} cannot have {} strands",
                    self.here.called,
                    field.get_ref()
                ),
                "strands = 36, a whole number above zero",
            );
        }
        count
    }
}

impl Reader<'_, '_, '_, raw::Magnet> {
    fn magnet(mut self) -> Option<Magnet> {
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

impl Reader<'_, '_, '_, raw::Joint> {
    fn joint(mut self) -> Option<Joint> {
        let keys = &self.here.entry.keys;
        let name = self.name(keys.name.as_ref());
        let section = self.section(keys.section.as_ref());
        let current = self.current(keys.current.as_ref());
        let voltage = self.channel(
            keys.voltage.as_ref(),
            "voltage",
            QuantityKind::Voltage,
            "a joint's voltage",
        );
        let zero = self.stated::<Voltage>(
            keys.zero.as_ref(),
            "zero",
            "\"0.2 uV ± 0.1 uV\", what stands at no current",
        );
        let resolution = self.above_zero(
            keys.resolution.as_ref(),
            "resolution",
            "\"1 nV\", the smallest step that the converter tells",
            QuantityKind::Voltage,
        );
        let wanted = self.above_zero(
            keys.wanted.as_ref(),
            "wanted",
            "\"1 nohm\", the resistance that is to be seen",
            QuantityKind::Resistance,
        );
        Some(Joint {
            id: self.id.into(),
            name: name?,
            section: section?,
            voltage: voltage?,
            current: current?,
            zero: zero?,
            resolution: Voltage::new(resolution?),
            wanted: Resistance::new(wanted?),
        })
    }
}

impl Reader<'_, '_, '_, raw::CurrentLead> {
    fn lead(mut self) -> Option<CurrentLead> {
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

impl Reader<'_, '_, '_, raw::CoolDown> {
    fn cool_down(mut self) -> Option<CoolDown> {
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

impl Reader<'_, '_, '_, raw::Vessel> {
    /// None when something is wrong; none inside when nothing is watched.
    #[expect(
        clippy::option_option,
        reason = "nothing watched is one thing, something wrong another"
    )]
    fn bath(
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
            Some(valve) => {
                super::lines::valve_value(self.context, self.known.channels, &self.here, valve)
                    .map(Some)
            }
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
