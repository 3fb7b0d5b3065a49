//! What stands between a signal and a plain curve: leads, self-heating, cold junctions, logarithmic
//! gauges, and gases that an instrument was not calibrated for.

use std::sync::Arc;

use super::channels::{Key, Known, Reader, key};
use super::context::{Place, with_article};
use crate::instrument::curve::{Curve, CurveSpec, ThermocoupleCurve, ThermocoupleType};
use crate::instrument::excitation::{Excitation, ExcitedCurve};
use crate::instrument::flow::HELIUM_MOLAR_MASS_KG_PER_MOL;
use crate::instrument::uncertainty::{CutOff, SharedKind};
use crate::instrument::vacuum::{LogGauge, LogGaugeCurve};
use crate::plant::model::{Behaviour, ChannelIx, Stated};
use crate::plant::raw::{self, Quantity, Written};
use crate::quantity::split_stated;
use crate::quantity::{self, QuantityKind, Resistance, Temperature, ThermalResistance};

use super::devices::Groups;

/// Gases that instruments are calibrated with, and their molar masses, kg/mol.
/// **Source**: IUPAC standard atomic weights; air as in ISO 2533:1975.
const GASES: [(&str, f64); 6] = [
    ("helium", HELIUM_MOLAR_MASS_KG_PER_MOL),
    ("nitrogen", 28.0134e-3),
    ("air", 28.964_42e-3),
    ("argon", 39.948e-3),
    ("hydrogen", 2.015_88e-3),
    ("neon", 20.1797e-3),
];

/// A reference junction without a number of its own is taken to be as warm as a cabinet, K; only
/// what a device would hold at a temperature is reckoned with it.
const CABINET_K: f64 = 296.15;

/// What makes the value of the sensor's signal.
pub(super) enum SensorForm {
    /// Nothing: the signal is the value.
    None,
    /// A curve.
    Curve(Arc<Curve>),
    /// A thermocouple.
    Thermocouple {
        curve: Arc<ThermocoupleCurve>,
        junction_k: f64,
    },
}

/// A sensor as described.
pub(super) struct Sensor {
    pub form: SensorForm,
    /// What it gives.
    pub input: QuantityKind,
    pub corrections: Vec<(&'static str, SharedKind)>,
    pub cold_junction: Option<ChannelIx>,
}

impl Reader<'_, '_, '_> {
    pub(super) fn sensor(
        &mut self,
        known: &Known<'_>,
        kind: QuantityKind,
        curve: Option<&CurveSpec>,
    ) -> Option<Sensor> {
        let said = [
            ("curve", curve.is_some()),
            ("thermocouple", key!(self, thermocouple).is_some()),
            ("log-gauge", key!(self, log_gauge).is_some()),
        ];
        let said: Vec<&str> = said
            .iter()
            .filter(|(_, said)| *said)
            .map(|(name, _)| *name)
            .collect();
        if let [first, second, ..] = said.as_slice() {
            self.context.error(
                self.heading(),
                format!("channel {:?} has both {first} and {second}", self.id),
                "the one that the sensor is",
            );
            return None;
        }
        if key!(self, thermocouple).is_none()
            && let Some(junction) = key!(self, cold_junction)
        {
            self.context.error(
                junction.at,
                "a cold junction belongs to a thermocouple",
                "thermocouple = \"E\", \"K\", \"T\" or \"N\", or no cold-junction",
            );
            return None;
        }
        if let Some(key) = key!(self, thermocouple) {
            return self.thermocouple(known, kind, &key);
        }
        if let Some(key) = key!(self, log_gauge) {
            return self.log_gauge(kind, &key);
        }
        let excited = self.excited(curve)?;
        Some(match (curve, excited) {
            (Some(spec), Some((curve, corrections))) => Sensor {
                form: SensorForm::Curve(Arc::new(curve)),
                input: spec.input,
                corrections,
                cold_junction: None,
            },
            (Some(spec), None) => Sensor {
                form: SensorForm::Curve(spec.curve.clone()),
                input: spec.input,
                corrections: Vec::new(),
                cold_junction: None,
            },
            (None, _) => Sensor {
                form: SensorForm::None,
                input: kind,
                corrections: Vec::new(),
                cold_junction: None,
            },
        })
    }

    /// A resistance sensor with its leads and its self-heating, where they are written.
    #[expect(
        clippy::type_complexity,
        reason = "the curve with what it adds to the uncertainty, where it is written"
    )]
    fn excited(
        &mut self,
        curve: Option<&CurveSpec>,
    ) -> Option<Option<(Curve, Vec<(&'static str, SharedKind)>)>> {
        let leads = key!(self, leads);
        let heating = key!(self, self_heating);
        let Some(at) = leads
            .as_ref()
            .map(|key| key.at)
            .or_else(|| heating.as_ref().map(|key| key.at))
        else {
            return Some(None);
        };
        let of_resistance = curve.filter(|curve| curve.input == QuantityKind::Resistance);
        let Some(spec) = of_resistance else {
            self.context.error(
                at,
                "leads and self-heating belong to a resistance thermometer with its curve",
                "curve = \"pt100\", or another that begins with a resistance",
            );
            return None;
        };
        if key!(self, current_loop).is_some() {
            self.context.error(
                at,
                "behind a current loop the transmitter knows its leads and its excitation, not this channel",
                "no leads and no self-heating here",
            );
            return None;
        }
        let lead = match leads {
            None => Stated {
                value: Resistance::new(0.0),
                std: 0.0,
            },
            Some(key) => self
                .context
                .stated_text::<Resistance>(key.at, &key.value.0, "leads")?,
        };
        let (current_a, per_watt) = match heating {
            None => (0.0, None),
            Some(key) => {
                let (Some(current), Some(resistance)) =
                    (&key.value.current, &key.value.thermal_resistance)
                else {
                    self.context.error(
                        key.at,
                        "self-heating needs the current and the thermal resistance of the mounted sensor",
                        "self-heating = { current = \"1 mA\", thermal-resistance = \"400 K/W ± 30 %\" }",
                    );
                    return None;
                };
                let current = self.nested(key.at, current, "current", QuantityKind::Current)?;
                let at = Place {
                    offset: resistance.span().start,
                    ..key.at
                };
                let resistance = self.context.stated_text::<ThermalResistance>(
                    at,
                    &resistance.get_ref().0,
                    "thermal-resistance",
                )?;
                self.not_negative(at, "thermal-resistance", resistance.value.si())?;
                (current, Some(resistance))
            }
        };
        let thermal = per_watt.map_or(0.0, |stated| stated.value.si());
        let thermal_std = per_watt.map_or(0.0, |stated| stated.std);
        let excited = ExcitedCurve {
            sensor: spec.curve.clone(),
            excitation: Excitation {
                current_a,
                thermal_resistance_k_per_w: thermal,
                thermal_resistance_relative_std: if thermal > 0.0 {
                    thermal_std / thermal
                } else {
                    0.0
                },
                lead_ohm: lead.value.si(),
                lead_std_ohm: lead.std,
            },
        };
        let mut corrections = Vec::new();
        if lead.std > 0.0 {
            corrections.push(("leads", SharedKind::SignalAbsolute(lead.std)));
        }
        if thermal_std > 0.0 {
            corrections.push((
                "self-heating",
                SharedKind::PerSignal {
                    per_signal: current_a * current_a * thermal_std,
                    from: lead.value.si(),
                },
            ));
        }
        Some(Some((Curve::Excited(excited), corrections)))
    }

    fn thermocouple(
        &mut self,
        known: &Known<'_>,
        kind: QuantityKind,
        key: &Key<'_, String>,
    ) -> Option<Sensor> {
        let letter = match key.value.as_str() {
            "E" => Some(ThermocoupleType::E),
            "K" => Some(ThermocoupleType::K),
            "T" => Some(ThermocoupleType::T),
            "N" => Some(ThermocoupleType::N),
            _ => None,
        };
        let curve = letter.and_then(ThermocoupleCurve::new);
        let (Some(curve), true) = (curve, kind == QuantityKind::Temperature) else {
            let what = if kind == QuantityKind::Temperature {
                format!("{:?} is not a type of thermocouple", key.value)
            } else {
                format!(
                    "a thermocouple gives a temperature, but the channel is {}",
                    with_article(kind.words())
                )
            };
            self.context.error(
                key.at,
                what,
                "thermocouple = \"E\", \"K\", \"T\" or \"N\", with quantity = \"temperature\"",
            );
            return None;
        };
        let Some(junction) = key!(self, cold_junction) else {
            self.missing(
                "cold-junction",
                "\"the id of the channel at its reference junction\", or \"273.15 K ± 0.05 K\"",
            );
            return None;
        };
        let mut sensor = Sensor {
            form: SensorForm::None,
            input: QuantityKind::Voltage,
            corrections: Vec::new(),
            cold_junction: None,
        };
        let junction_k = if split_stated(junction.value).is_some() {
            let stated = self.context.stated_text::<Temperature>(
                junction.at,
                junction.value,
                "cold-junction",
            )?;
            let Ok(sensitivity) = curve.sensitivity(stated.value.si()) else {
                self.context.error(
                    junction.at,
                    "the cold junction is colder or hotter than the thermocouple goes",
                    "cold-junction = \"273.15 K ± 0.05 K\"",
                );
                return None;
            };
            let emf_std = stated.std * sensitivity;
            sensor
                .corrections
                .push(("cold-junction", SharedKind::SignalAbsolute(emf_std)));
            stated.value.si()
        } else {
            let ix = self
                .context
                .find(junction.at, junction.value, "channel", known.channels)?;
            sensor.cold_junction = Some(ChannelIx(ix));
            CABINET_K
        };
        sensor.form = SensorForm::Thermocouple {
            curve: Arc::new(curve),
            junction_k,
        };
        Some(sensor)
    }

    fn log_gauge(&mut self, kind: QuantityKind, key: &Key<'_, raw::LogGauge>) -> Option<Sensor> {
        const EXAMPLE: &str =
            "log-gauge = { at = \"1e-3 mbar(a)\", signal = \"4 V\", per-decade = \"1 V\" }";
        if kind != QuantityKind::AbsolutePressure {
            self.context.error(
                key.at,
                "a logarithmic gauge measures an absolute pressure",
                "quantity = \"absolute-pressure\"",
            );
            return None;
        }
        let keys = key.value;
        let (Some(at), Some(signal), Some(per_decade)) = (&keys.at, &keys.signal, &keys.per_decade)
        else {
            self.context.error(
                key.at,
                "a logarithmic gauge needs a pressure of its scale, the signal there, and the signal per decade",
                EXAMPLE,
            );
            return None;
        };
        let input = if quantity::parse(&signal.get_ref().0, QuantityKind::Current).is_ok() {
            QuantityKind::Current
        } else {
            QuantityKind::Voltage
        };
        let reference_pa = self.nested(key.at, at, "at", kind)?;
        let signal_at_reference = self.nested(key.at, signal, "signal", input)?;
        let per_decade = self.nested(key.at, per_decade, "per-decade", input)?;
        if !(reference_pa > 0.0 && per_decade != 0.0) {
            self.context
                .error(key.at, "a logarithmic scale has no zero", EXAMPLE);
            return None;
        }
        let correction = self.gas_factor(kind)?;
        let gauge = LogGauge {
            reference_pa,
            signal_at_reference,
            decades_per_signal: 1.0 / per_decade,
            gas_factor: correction.map_or(1.0, |(factor, _)| factor),
        };
        let (low, high) = self.range(kind, None)?;
        let ends = [low, high].map(|end| gauge.signal(end));
        let [Some(first), Some(second)] = ends.map(|end| end.is_finite().then_some(end)) else {
            self.context.error(
                key.at,
                "the range of a logarithmic gauge begins above zero",
                "range = [\"1e-9 mbar(a)\", \"1 mbar(a)\"]",
            );
            return None;
        };
        let curve = LogGaugeCurve {
            gauge,
            low: first.min(second),
            high: first.max(second),
        };
        Some(Sensor {
            form: SensorForm::Curve(Arc::new(Curve::LogGauge(curve))),
            input,
            corrections: correction
                .map(|(_, relative)| ("gas-factor", SharedKind::RelativeToReading(relative)))
                .into_iter()
                .collect(),
            cold_junction: None,
        })
    }

    /// The factor that a reading is multiplied with for the gas that is there, and its relative
    /// uncertainty; a logarithmic gauge has it in its own equation.
    #[expect(
        clippy::option_option,
        reason = "not written is one thing, written wrongly another"
    )]
    pub(super) fn gas_correction(
        &mut self,
        kind: QuantityKind,
        form: &SensorForm,
    ) -> Option<Option<(f64, f64)>> {
        let Some(key) = key!(self, gas_correction) else {
            return Some(None);
        };
        match form {
            SensorForm::None => self.gas_factor(kind),
            SensorForm::Curve(curve) if matches!(**curve, Curve::LogGauge(_)) => Some(None),
            SensorForm::Curve(_) | SensorForm::Thermocouple { .. } => {
                self.context.error(
                    key.at,
                    "a channel with a curve has no gas to correct for",
                    "no gas-correction",
                );
                None
            }
        }
    }

    #[expect(
        clippy::option_option,
        reason = "not written is one thing, written wrongly another"
    )]
    fn gas_factor(&mut self, kind: QuantityKind) -> Option<Option<(f64, f64)>> {
        const EXAMPLE: &str =
            "gas-correction = { calibrated-for = \"nitrogen\", factor = \"1.45 ± 2 %\" }";
        let Some(key) = key!(self, gas_correction) else {
            return Some(None);
        };
        if !matches!(
            kind,
            QuantityKind::MassFlow | QuantityKind::AbsolutePressure
        ) {
            self.context.error(
                key.at,
                format!(
                    "a gas correction belongs to a mass flow or an absolute pressure, not to {}",
                    with_article(kind.words())
                ),
                "no gas-correction",
            );
            return None;
        }
        let (Some(gas), Some(factor)) = (&key.value.calibrated_for, &key.value.factor) else {
            self.context.error(
                key.at,
                "a gas correction needs the gas of the calibration and the factor to helium",
                EXAMPLE,
            );
            return None;
        };
        let Some(&(_, molar_mass)) = GASES.iter().find(|(name, _)| name == gas.get_ref()) else {
            let names: Vec<_> = GASES.iter().map(|(name, _)| format!("{name:?}")).collect();
            self.context.error(
                Place {
                    offset: gas.span().start,
                    ..key.at
                },
                format!("{:?} is not a gas that is known here", gas.get_ref()),
                format!("one of {}", names.join(", ")),
            );
            return None;
        };
        let at = Place {
            offset: factor.span().start,
            ..key.at
        };
        let (value, relative) = self.plain_stated(at, factor, EXAMPLE)?;
        let by_mass = kind == QuantityKind::MassFlow && !self.counts_volume();
        let factor = if by_mass {
            // The factor is one of amounts, as makers state it; the scale is of masses.
            value * HELIUM_MOLAR_MASS_KG_PER_MOL / molar_mass
        } else {
            value
        };
        Some(Some((factor, relative)))
    }

    /// Whether the scale is written in standard volumes, which are amounts of substance.
    fn counts_volume(&self) -> bool {
        let scale = key!(self, scale).map(|key| key.value.0.clone());
        let span = key!(self, current_loop).and_then(|key| {
            let end = key.value.at_20_ma.as_ref()?;
            Some(end.get_ref().0.clone())
        });
        span.or(scale).is_some_and(|text| text.contains(" at "))
    }

    /// A number without unit and its relative standard uncertainty: `"1.45 ± 0.03"`, `"1.45 ± 2 %"`.
    fn plain_stated(&mut self, at: Place, field: &Quantity, example: &str) -> Option<(f64, f64)> {
        let text = field.get_ref().0.as_str();
        let parsed = split_stated(text).and_then(|(value, std)| {
            let value: f64 = value.parse().ok()?;
            let relative = match std.strip_suffix('%') {
                Some(percent) => percent.trim().parse::<f64>().ok()? / 100.0,
                None => std.parse::<f64>().ok()? / value,
            };
            (value.is_finite() && value > 0.0 && relative.is_finite() && relative >= 0.0)
                .then_some((value, relative))
        });
        if parsed.is_none() {
            self.context.error(
                at,
                format!("factor: {text:?} is not a number above zero with its uncertainty"),
                example,
            );
        }
        parsed
    }

    /// A low-flow cut-off.
    #[expect(
        clippy::option_option,
        reason = "not written is one thing, written wrongly another"
    )]
    pub(super) fn cut_off(
        &mut self,
        groups: &mut Groups,
        kind: QuantityKind,
    ) -> Option<Option<CutOff>> {
        let Some(key) = key!(self, cut_off) else {
            return Some(None);
        };
        if kind != QuantityKind::MassFlow {
            self.context.error(
                key.at,
                format!(
                    "a cut-off belongs to a mass flow, not to {}",
                    with_article(kind.words())
                ),
                "no cut-off",
            );
            return None;
        }
        let key: Key<'_, Written> = key;
        let below = self.quantity(&key, "cut-off", kind)?;
        let below = self.not_negative(key.at, "cut-off", below)?;
        let group = groups.add(&format!("{}/cut-off", self.id), Behaviour::Constant);
        Some((below > 0.0).then_some(CutOff { below, group }))
    }
}
