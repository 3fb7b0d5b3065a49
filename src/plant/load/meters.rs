//! What tells the flow of a line: a channel, an orifice or venturi, or a counter.

use toml::Spanned;

use super::context::{Context, Here, written};
use super::devices::Groups;
use super::vessels::Channels;
use crate::instrument::flow::{
    Constriction, Device, FlowError, GasState, Taps, Totaliser, VenturiKind,
};
use crate::instrument::uncertainty::OperatingPoint;
use crate::plant::model::{
    Behaviour, ChannelIx, ConstrictionMeter, Meter, MeterForm, MeterGroups, PressureSource,
    PuritySource, Stated, TemperatureSource, TotaliserMeter,
};
use crate::plant::raw::{self, Quantity, Text};
use crate::quantity::split_stated;
use crate::quantity::{Fraction, Length, Mass, QuantityKind, Temperature};

/// A cut-off below this many standard uncertainties of the differential pressure lets noise pass
/// for flow.
const LEAST_CUT_OFF: f64 = 2.0;

const FORMS: &str = "meter = \"the id of a channel\", or one of [line.orifice], [line.venturi] and [line.totaliser] below the line";

struct Reader<'r, 'f, 'e> {
    context: &'r mut Context<'f>,
    channels: &'r Channels<'r>,
    here: &'r Here<'e, raw::Line>,
}

/// The meter of a line, if it has one; none when what is written of it is wrong.
#[expect(
    clippy::option_option,
    reason = "not written is one thing, written wrongly another"
)]
pub(super) fn meter(
    context: &mut Context<'_>,
    channels: &Channels<'_>,
    groups: &mut Groups,
    here: &Here<'_, raw::Line>,
    id: &str,
) -> Option<Option<Meter>> {
    let keys = &here.entry.keys;
    let mut reader = Reader {
        context,
        channels,
        here,
    };
    let said = [
        keys.meter.is_some(),
        keys.orifice.is_some(),
        keys.venturi.is_some(),
        keys.totaliser.is_some(),
    ];
    match said.iter().filter(|&&said| said).count() {
        0 => {
            if let Some(purity) = &keys.purity {
                reader.context.error(
                    here.at(purity),
                    format!(
                        "{} has a purity, but no meter that it could correct",
                        here.called
                    ),
                    FORMS,
                );
                return None;
            }
            return Some(None);
        }
        1 => {}
        number => {
            reader.context.error(
                here.place(),
                format!("{} has {number} meters", here.called),
                FORMS,
            );
            return None;
        }
    }
    let purity = reader.purity(keys.purity.as_ref());
    let form = if let Some(field) = &keys.meter {
        reader
            .channel(
                Some(field),
                "meter",
                field,
                &[QuantityKind::MassFlow],
                "the meter of a line",
            )
            .map(MeterForm::MassFlow)
    } else if let Some(field) = &keys.totaliser {
        reader.totaliser(field).map(MeterForm::Totaliser)
    } else if let Some(field) = &keys.orifice {
        reader
            .constriction(field, true)
            .map(MeterForm::Constriction)
    } else if let Some(field) = &keys.venturi {
        reader
            .constriction(field, false)
            .map(MeterForm::Constriction)
    } else {
        None
    };
    let mut group = |part: &str| groups.add(&format!("{id}/{part}"), Behaviour::Constant);
    let groups = MeterGroups {
        device: group("meter"),
        throat: group("bore"),
        pipe: group("pipe"),
        temperature: group("stated temperature"),
        purity: group("stated purity"),
        model: group("gas density"),
        air: group("stated air pressure"),
    };
    Some(Some(Meter {
        form: form?,
        purity: purity?,
        groups,
    }))
}

impl Reader<'_, '_, '_> {
    fn missing<F>(&mut self, field: &Spanned<F>, key: &str, example: &str) {
        let at = self.here.at(field);
        self.context.missing(self.here, at, key, example);
    }

    fn channel<F>(
        &mut self,
        id: Option<&Text>,
        key: &str,
        field: &Spanned<F>,
        kinds: &[QuantityKind],
        used_as: &str,
    ) -> Option<ChannelIx> {
        let Some(id) = id else {
            self.missing(field, key, "\"the id of a channel\"");
            return None;
        };
        self.channels
            .of_kind(self.context, self.here.at(id), id.get_ref(), kinds, used_as)
    }

    #[expect(
        clippy::option_option,
        reason = "not written is one thing, written wrongly another"
    )]
    fn purity(&mut self, text: Option<&Text>) -> Option<Option<PuritySource>> {
        let Some(text) = text else {
            return Some(None);
        };
        if split_stated(text.get_ref()).is_none() {
            return self
                .channel(
                    Some(text),
                    "purity",
                    text,
                    &[QuantityKind::Fraction],
                    "a purity",
                )
                .map(|channel| Some(PuritySource::Channel(channel)));
        }
        let stated = self
            .context
            .stated::<_, Fraction>(self.here, &written(text), "purity")?;
        if !(stated.value.si() > 0.0 && stated.value.si() <= 1.0) {
            self.context.error(
                self.here.at(text),
                "the purity of a metered flow lies above 0 % and up to 100 %",
                "purity = \"98 % ± 1 %\"",
            );
            return None;
        }
        Some(Some(PuritySource::Stated(stated)))
    }

    fn totaliser(&mut self, field: &Spanned<raw::Totaliser>) -> Option<TotaliserMeter> {
        let keys = field.get_ref();
        let count = self.channel(
            keys.count.as_ref(),
            "count",
            field,
            &[QuantityKind::Plain],
            "the count of a totaliser",
        );
        let per_count = if let Some(per_count) = &keys.per_count {
            self.context
                .stated::<_, Mass>(self.here, per_count, "per-count")
                .filter(|stated| self.above_zero(per_count, "per-count", stated.value.si()))
        } else {
            self.missing(
                field,
                "per-count",
                "\"1 Nm3 at 0 degC ± 1 %\", the helium that one count stands for",
            );
            None
        };
        let rollover = self.number(
            keys.rollover.as_ref(),
            "rollover",
            field,
            QuantityKind::Plain,
            "\"1000000 count\", where the counter begins again at zero",
        );
        let largest_flow = self.number(
            keys.largest_flow.as_ref(),
            "largest-flow",
            field,
            QuantityKind::MassFlow,
            "\"100 g/s\", more than can pass; it tells a rollover from a reset",
        );
        let (per_count, rollover) = (per_count?, rollover?);
        Some(TotaliserMeter {
            count: count?,
            counter: Totaliser {
                per_count: per_count.value.si(),
                rollover_counts: rollover,
                largest_step_counts: 0.5 * rollover,
            },
            per_count_std: per_count.std,
            largest_flow: largest_flow?,
        })
    }

    fn above_zero(&mut self, field: &Quantity, key: &str, value: f64) -> bool {
        if value > 0.0 {
            return true;
        }
        self.context.error(
            self.here.at(field),
            format!("{key} of {} must be above zero", self.here.called),
            format!("a larger {key}"),
        );
        false
    }

    fn number<F>(
        &mut self,
        number: Option<&Quantity>,
        key: &str,
        field: &Spanned<F>,
        kind: QuantityKind,
        example: &str,
    ) -> Option<f64> {
        let Some(number) = number else {
            self.missing(field, key, example);
            return None;
        };
        self.context.positive(self.here, number, key, kind, false)
    }

    fn length(
        &mut self,
        length: Option<&Quantity>,
        key: &str,
        field: &Spanned<raw::Constriction>,
    ) -> Option<Stated<Length>> {
        let Some(length) = length else {
            self.missing(
                field,
                key,
                "\"48 mm ± 0.02 mm\", inside, at the flowing temperature",
            );
            return None;
        };
        self.context
            .stated::<_, Length>(self.here, length, key)
            .filter(|stated| self.above_zero(length, key, stated.value.si()))
    }

    fn constriction(
        &mut self,
        field: &Spanned<raw::Constriction>,
        orifice: bool,
    ) -> Option<ConstrictionMeter> {
        let keys = field.get_ref();
        let pressure_difference = self.channel(
            keys.pressure_difference.as_ref(),
            "pressure-difference",
            field,
            &[QuantityKind::PressureDifference],
            "the differential pressure of a meter",
        );
        let pressure = self.pressure(keys.pressure.as_ref(), field);
        let temperature = self.temperature(keys.temperature.as_ref(), field);
        let pipe = self.length(keys.pipe.as_ref(), "pipe", field);
        let (throat, device) = if orifice {
            self.not_for(keys.throat.as_ref(), "throat", "an orifice has a bore");
            self.not_for(
                keys.convergent.as_ref(),
                "convergent",
                "an orifice has none",
            );
            (
                self.length(keys.bore.as_ref(), "bore", field),
                self.taps(keys, field),
            )
        } else {
            self.not_for(keys.bore.as_ref(), "bore", "a venturi has a throat");
            self.not_for(
                keys.taps.as_ref(),
                "taps",
                "those of a venturi are always alike",
            );
            (
                self.length(keys.throat.as_ref(), "throat", field),
                self.convergent(keys, field),
            )
        };
        let cut_off = if let Some(cut_off) = &keys.cut_off {
            self.context.positive(
                self.here,
                cut_off,
                "cut-off",
                QuantityKind::PressureDifference,
                false,
            )
        } else {
            self.missing(
                field,
                "cut-off",
                "\"0.2 mbar\", the differential pressure below which the flow is given as zero, uncertain by what may pass there",
            );
            None
        };
        let (pipe, throat) = (pipe?, throat?);
        let device = Constriction {
            pipe_diameter_m: pipe.value.si(),
            throat_diameter_m: throat.value.si(),
            device: device?,
            cut_off_dp_pa: cut_off?,
        };
        self.dimensions(field, &device)?;
        let pressure_difference = pressure_difference?;
        self.cut_off_above_noise(keys, pressure_difference, device.cut_off_dp_pa);
        Some(ConstrictionMeter {
            device,
            throat_std_m: throat.std,
            pipe_std_m: pipe.std,
            pressure_difference,
            pressure: pressure?,
            temperature: temperature?,
        })
    }

    fn not_for<F>(&mut self, field: Option<&Spanned<F>>, key: &str, why: &str) {
        if let Some(field) = field {
            self.context.error(
                self.here.at(field),
                format!("{key} has no meaning here: {why}"),
                format!("no {key}"),
            );
        }
    }

    fn taps(
        &mut self,
        keys: &raw::Constriction,
        field: &Spanned<raw::Constriction>,
    ) -> Option<Device> {
        let Some(taps) = &keys.taps else {
            self.missing(field, "taps", "\"corner\", \"flange\" or \"d-and-half-d\"");
            return None;
        };
        self.context
            .word(
                self.here,
                taps,
                "kind of taps",
                &[
                    ("corner", Taps::Corner),
                    ("flange", Taps::Flange),
                    ("d-and-half-d", Taps::DiameterAndHalf),
                ],
            )
            .map(Device::Orifice)
    }

    fn convergent(
        &mut self,
        keys: &raw::Constriction,
        field: &Spanned<raw::Constriction>,
    ) -> Option<Device> {
        let Some(convergent) = &keys.convergent else {
            self.missing(field, "convergent", "\"machined\", \"cast\" or \"welded\"");
            return None;
        };
        self.context
            .word(
                self.here,
                convergent,
                "kind of convergent",
                &[
                    ("machined", VenturiKind::Machined),
                    ("cast", VenturiKind::Cast),
                    ("welded", VenturiKind::Welded),
                ],
            )
            .map(Device::Venturi)
    }

    fn dimensions(
        &mut self,
        field: &Spanned<raw::Constriction>,
        device: &Constriction,
    ) -> Option<()> {
        // Any gas serves to look at the dimensions.
        let gas = GasState {
            pressure_pa: 1e5,
            density: 0.16,
            viscosity_pa_s: 2e-5,
            isentropic_exponent: 1.667,
        };
        match device.flow(0.0, &gas) {
            Err(error @ FlowError::BadDimensions { .. }) => {
                self.context.error(
                    self.here.at(field),
                    error.to_string(),
                    "inside diameters of a device that the standard describes",
                );
                None
            }
            _ => Some(()),
        }
    }

    /// Noise must not pass for flow.
    fn cut_off_above_noise(&mut self, keys: &raw::Constriction, ix: ChannelIx, cut_off_pa: f64) {
        let (Some(channel), Some(field)) = (self.channels.get(ix), &keys.cut_off) else {
            return;
        };
        let (independent, shared) = channel.uncertainty.at(&OperatingPoint {
            value: 0.0,
            signal: 0.0,
            value_per_signal: 1.0,
            signal_per_code: 0.0,
        });
        let shared: f64 = shared.iter().map(|(_, u)| u * u).sum();
        let std = libm::sqrt(independent * independent + shared);
        if cut_off_pa < LEAST_CUT_OFF * std {
            let unit = QuantityKind::PressureDifference.si_unit();
            self.context.warning(
                self.here.at(field),
                format!(
                    "the differential pressure is uncertain by {} at zero, so a shut line would show a flow",
                    unit.format(std, std)
                ),
                format!(
                    "a cut-off of {} or more",
                    unit.format(LEAST_CUT_OFF * std, std)
                ),
            );
        }
    }

    fn pressure(
        &mut self,
        text: Option<&Text>,
        field: &Spanned<raw::Constriction>,
    ) -> Option<PressureSource> {
        let channel = self.channel(
            text,
            "pressure",
            field,
            &[QuantityKind::AbsolutePressure, QuantityKind::GaugePressure],
            "the pressure before a meter",
        )?;
        let gauge = self.channels.kind(channel) == Some(QuantityKind::GaugePressure);
        if let Some(text) = text
            && gauge
            && !self.channels.barometer
        {
            self.context.error(
                self.here.at(text),
                format!(
                    "channel {:?} reads above the surrounding air, and no barometer says what that is",
                    text.get_ref()
                ),
                "barometer = \"the id of a channel\" in [site], or a transmitter that reads absolute",
            );
            return None;
        }
        Some(PressureSource::Channel(channel))
    }

    fn temperature(
        &mut self,
        text: Option<&Text>,
        field: &Spanned<raw::Constriction>,
    ) -> Option<TemperatureSource> {
        if let Some(text) = text
            && split_stated(text.get_ref()).is_some()
        {
            return self
                .context
                .stated::<_, Temperature>(self.here, &written(text), "temperature")
                .map(TemperatureSource::Stated);
        }
        self.channel(
            text,
            "temperature",
            field,
            &[QuantityKind::Temperature],
            "the temperature before a meter",
        )
        .map(TemperatureSource::Channel)
    }
}
