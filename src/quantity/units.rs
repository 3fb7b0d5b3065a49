//! Units as text: which a quantity may be written in, and numbers read with theirs.

use serde::Serialize;

use super::{Quantity, QuantityKind};

/// A unit that a quantity may be written in: `si = number * scale + offset`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Unit {
    /// As written after the number.
    pub symbol: &'static str,
    /// What it measures.
    pub kind: QuantityKind,
    /// SI per unit.
    pub scale: f64,
    /// SI value at zero of the unit.
    pub offset: f64,
}

impl Unit {
    /// The number in this unit of an SI value.
    #[must_use]
    pub fn from_si(&self, si: f64) -> f64 {
        (si - self.offset) / self.scale
    }

    /// The SI value of a number in this unit.
    #[must_use]
    pub fn to_si(&self, number: f64) -> f64 {
        number * self.scale + self.offset
    }

    /// The number in this unit of an SI *difference* (an uncertainty, a band).
    #[must_use]
    pub fn difference_from_si(&self, si: f64) -> f64 {
        si / self.scale
    }

    /// Number and unit as text, with as many digits as the standard uncertainty `std_si` bears
    /// (two significant digits of it, JCGM 100 clause 7.2.6).
    #[must_use]
    pub fn format(&self, si: f64, std_si: f64) -> String {
        let number = self.from_si(si);
        let digits = decimals_for(self.difference_from_si(std_si).abs(), number);
        format!("{number:.digits$} {}", self.symbol)
    }
}

/// Decimals worth showing of `number` when its standard uncertainty is `std`.
#[must_use]
pub fn decimals_for(std: f64, number: f64) -> usize {
    let reference = if std.is_finite() && std > 0.0 {
        std
    } else {
        number.abs() * 1e-3
    };
    if !(reference.is_finite() && reference > 0.0) {
        return 1;
    }
    let magnitude = libm::floor(libm::log10(reference));
    let decimals = 1.0 - magnitude;
    // Bounded to 0..=9, so the narrowing is exact.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to 0..=9"
    )]
    let decimals = decimals.clamp(0.0, 9.0) as usize;
    decimals
}

const PLAIN: Unit = Unit {
    symbol: "1",
    kind: QuantityKind::Plain,
    scale: 1.0,
    offset: 0.0,
};

/// kg of helium in a standard cubic metre at a temperature in K and 101 325 Pa, as an ideal gas:
/// a standard volume is an amount of substance (DIN 1343, ISO 13443), 22.414 L a mole at 0 degC.
const fn standard_density(kelvin: f64) -> f64 {
    101_325.0 * 4.002_602e-3 / (8.314_462_618_153_24 * kelvin)
}

const AT_0_C: f64 = standard_density(273.15);
const AT_15_C: f64 = standard_density(288.15);
const AT_20_C: f64 = standard_density(293.15);
const AT_25_C: f64 = standard_density(298.15);
const BAR: f64 = 1.0e5;
const DAY: f64 = 86_400.0;

macro_rules! units {
    ($($symbol:literal $kind:ident $scale:expr, $offset:expr;)*) => {
        /// Every unit a text may use. The first of a kind is its SI unit.
        pub const UNITS: &[Unit] = &[$(Unit {
            symbol: $symbol, kind: QuantityKind::$kind, scale: $scale, offset: $offset,
        },)*];
    };
}

units! {
    "K" Temperature 1.0, 0.0;
    "mK" Temperature 1e-3, 0.0;
    "degC" Temperature 1.0, 273.15;
    "°C" Temperature 1.0, 273.15;
    "K" TemperatureDifference 1.0, 0.0;
    "mK" TemperatureDifference 1e-3, 0.0;
    "Pa(a)" AbsolutePressure 1.0, 0.0;
    "kPa(a)" AbsolutePressure 1e3, 0.0;
    "MPa(a)" AbsolutePressure 1e6, 0.0;
    "bar(a)" AbsolutePressure BAR, 0.0;
    "mbar(a)" AbsolutePressure 100.0, 0.0;
    "atm(a)" AbsolutePressure 101_325.0, 0.0;
    "torr(a)" AbsolutePressure 101_325.0 / 760.0, 0.0;
    "Pa(g)" GaugePressure 1.0, 0.0;
    "kPa(g)" GaugePressure 1e3, 0.0;
    "bar(g)" GaugePressure BAR, 0.0;
    "mbar(g)" GaugePressure 100.0, 0.0;
    "Pa" PressureDifference 1.0, 0.0;
    "kPa" PressureDifference 1e3, 0.0;
    "bar" PressureDifference BAR, 0.0;
    "mbar" PressureDifference 100.0, 0.0;
    "m" Length 1.0, 0.0;
    "cm" Length 1e-2, 0.0;
    "mm" Length 1e-3, 0.0;
    "um" Length 1e-6, 0.0;
    "m3" Volume 1.0, 0.0;
    "L" Volume 1e-3, 0.0;
    "kg" Mass 1.0, 0.0;
    "g" Mass 1e-3, 0.0;
    "t" Mass 1e3, 0.0;
    "kg/s" MassFlow 1.0, 0.0;
    "g/s" MassFlow 1e-3, 0.0;
    "kg/h" MassFlow 1.0 / 3600.0, 0.0;
    "kg/day" MassFlow 1.0 / DAY, 0.0;
    "g/day" MassFlow 1e-3 / DAY, 0.0;
    "Nm3 at 0 degC" Mass AT_0_C, 0.0;
    "Sm3 at 0 degC" Mass AT_0_C, 0.0;
    "Sm3 at 15 degC" Mass AT_15_C, 0.0;
    "Sm3 at 20 degC" Mass AT_20_C, 0.0;
    "Sm3 at 25 degC" Mass AT_25_C, 0.0;
    "Nm3/h at 0 degC" MassFlow AT_0_C / 3600.0, 0.0;
    "Sm3/h at 0 degC" MassFlow AT_0_C / 3600.0, 0.0;
    "Sm3/h at 15 degC" MassFlow AT_15_C / 3600.0, 0.0;
    "Sm3/h at 20 degC" MassFlow AT_20_C / 3600.0, 0.0;
    "Sm3/h at 25 degC" MassFlow AT_25_C / 3600.0, 0.0;
    "NL/min at 0 degC" MassFlow AT_0_C / 60_000.0, 0.0;
    "SL/min at 0 degC" MassFlow AT_0_C / 60_000.0, 0.0;
    "SL/min at 15 degC" MassFlow AT_15_C / 60_000.0, 0.0;
    "SL/min at 20 degC" MassFlow AT_20_C / 60_000.0, 0.0;
    "SL/min at 25 degC" MassFlow AT_25_C / 60_000.0, 0.0;
    "kg/m3" Density 1.0, 0.0;
    "m2" Area 1.0, 0.0;
    "mm2" Area 1e-6, 0.0;
    "T" MagneticFluxDensity 1.0, 0.0;
    "mT" MagneticFluxDensity 1e-3, 0.0;
    "A/m2" CurrentDensity 1.0, 0.0;
    "A/mm2" CurrentDensity 1e6, 0.0;
    "V" Voltage 1.0, 0.0;
    "mV" Voltage 1e-3, 0.0;
    "uV" Voltage 1e-6, 0.0;
    "nV" Voltage 1e-9, 0.0;
    "A" Current 1.0, 0.0;
    "kA" Current 1e3, 0.0;
    "mA" Current 1e-3, 0.0;
    "uA" Current 1e-6, 0.0;
    "ohm" Resistance 1.0, 0.0;
    "kohm" Resistance 1e3, 0.0;
    "mohm" Resistance 1e-3, 0.0;
    "uohm" Resistance 1e-6, 0.0;
    "nohm" Resistance 1e-9, 0.0;
    "W" Power 1.0, 0.0;
    "kW" Power 1e3, 0.0;
    "mW" Power 1e-3, 0.0;
    "1" Fraction 1.0, 0.0;
    "%" Fraction 1e-2, 0.0;
    "ppm" Fraction 1e-6, 0.0;
    "s" Duration 1.0, 0.0;
    "ms" Duration 1e-3, 0.0;
    "min" Duration 60.0, 0.0;
    "h" Duration 3600.0, 0.0;
    "day" Duration DAY, 0.0;
    "days" Duration DAY, 0.0;
    "year" Duration 365.25 * DAY, 0.0;
    "Hz" Frequency 1.0, 0.0;
    "1/min" Frequency 1.0 / 60.0, 0.0;
    "Pa m3/s" Throughput 1.0, 0.0;
    "mbar L/s" Throughput 0.1, 0.0;
    "F" Capacitance 1.0, 0.0;
    "nF" Capacitance 1e-9, 0.0;
    "pF" Capacitance 1e-12, 0.0;
    "K/W" ThermalResistance 1.0, 0.0;
    "K/mW" ThermalResistance 1e3, 0.0;
    "K/uW" ThermalResistance 1e6, 0.0;
    "1" Plain 1.0, 0.0;
    "count" Plain 1.0, 0.0;
    "code" Plain 1.0, 0.0;
    "m3/s" VolumeFlow 1.0, 0.0;
    "m3/h" VolumeFlow 1.0 / 3600.0, 0.0;
    "L/s" VolumeFlow 1e-3, 0.0;
    "L/min" VolumeFlow 1e-3 / 60.0, 0.0;
}

impl QuantityKind {
    /// The units that this kind may be written in.
    pub fn units(self) -> impl Iterator<Item = &'static Unit> {
        UNITS.iter().filter(move |unit| unit.kind == self)
    }

    /// The SI unit.
    #[must_use]
    pub fn si_unit(self) -> &'static Unit {
        // Every kind has a unit (tested), so the fallback is never taken.
        self.units().next().unwrap_or(&PLAIN)
    }

    /// The unit of that symbol, if this kind may be written in it.
    #[must_use]
    pub fn unit(self, symbol: &str) -> Option<&'static Unit> {
        self.units().find(|unit| unit.symbol == symbol)
    }

    /// The kind of a difference of two values of this kind (an uncertainty, a deadband).
    #[must_use]
    pub fn difference(self) -> Self {
        match self {
            Self::Temperature => Self::TemperatureDifference,
            Self::AbsolutePressure | Self::GaugePressure => Self::PressureDifference,
            other => other,
        }
    }

    /// In words, for a message.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Temperature => "temperature",
            Self::TemperatureDifference => "temperature difference",
            Self::AbsolutePressure => "absolute pressure",
            Self::GaugePressure => "gauge pressure",
            Self::PressureDifference => "pressure difference",
            Self::Length => "length",
            Self::Volume => "volume",
            Self::Mass => "mass",
            Self::MassFlow => "mass flow",
            Self::Density => "density",
            Self::Area => "area",
            Self::MagneticFluxDensity => "magnetic flux density",
            Self::CurrentDensity => "current density",
            Self::Voltage => "voltage",
            Self::Current => "current",
            Self::Resistance => "resistance",
            Self::Power => "power",
            Self::Fraction => "fraction",
            Self::Duration => "duration",
            Self::Frequency => "frequency",
            Self::Throughput => "gas throughput",
            Self::Plain => "plain number",
            Self::Capacitance => "capacitance",
            Self::ThermalResistance => "thermal resistance",
            Self::VolumeFlow => "volume flow",
        }
    }
}

/// Why a text is not the quantity it should be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum UnitError {
    /// A number with no unit behind it.
    #[error("{text:?} has no unit; write a {} with one of: {}", kind.words(), symbols(*kind))]
    MissingUnit {
        /// As written.
        text: String,
        /// What was due.
        kind: QuantityKind,
    },
    /// A unit that does not measure this kind.
    #[error("{symbol:?} is not a unit of {}; use one of: {}", kind.words(), symbols(*kind))]
    WrongUnit {
        /// The unit as written.
        symbol: String,
        /// What was due.
        kind: QuantityKind,
    },
    /// A pressure that does not say whether it is absolute or gauge.
    #[error(
        "{text:?} does not say what it is measured from; write {symbol}(a) for absolute or {symbol}(g) for gauge"
    )]
    NoReference {
        /// As written.
        text: String,
        /// The unit as written.
        symbol: String,
    },
    /// A standard volume that does not say at which condition.
    #[error(
        "{text:?} does not say at what temperature that volume is counted (and 101325 Pa); write one of: {}", conditions(*kind, symbol)
    )]
    NoCondition {
        /// As written.
        text: String,
        /// The unit as written.
        symbol: String,
        /// What was due.
        kind: QuantityKind,
    },
    /// No number in front.
    #[error("{text:?} does not begin with a number; write for example \"{example}\"")]
    NotANumber {
        /// As written.
        text: String,
        /// A well-formed text of this kind.
        example: String,
    },
}

fn symbols(kind: QuantityKind) -> String {
    kind.units()
        .map(|unit| unit.symbol)
        .collect::<Vec<_>>()
        .join(", ")
}

/// The units that are `symbol` at some condition; `Nm3/h`, `Sm3/h` and `m3/h` alike.
fn at_a_condition(kind: QuantityKind, symbol: &str) -> impl Iterator<Item = &'static str> {
    let bare = |symbol: &str| symbol.trim_start_matches(['N', 'n', 'S', 's']).to_owned();
    let wanted = bare(symbol);
    kind.units().map(|unit| unit.symbol).filter(move |known| {
        known
            .split_once(" at ")
            .is_some_and(|(name, _)| bare(name) == wanted)
    })
}

fn conditions(kind: QuantityKind, symbol: &str) -> String {
    at_a_condition(kind, symbol).collect::<Vec<_>>().join(", ")
}

/// Reads a number with its unit, such as `"4.5 K"`, `"1.25 bar(a)"` or `"12 kg/day"`.
///
/// # Errors
/// [`UnitError`] when the number or the unit is missing, or the unit measures something else.
pub fn parse(text: &str, kind: QuantityKind) -> Result<(f64, &'static Unit), UnitError> {
    let trimmed = text.trim();
    let split = trimmed
        .char_indices()
        .find(|(_, c)| !(c.is_ascii_digit() || matches!(c, '.' | '+' | '-' | 'e' | 'E' | '_')))
        .map_or(trimmed.len(), |(at, _)| at);
    let (number, symbol) = trimmed.split_at_checked(split).unwrap_or((trimmed, ""));
    let symbol = symbol.trim();
    let example = || format!("1.5 {}", kind.si_unit().symbol);
    let value: f64 = number
        .replace('_', "")
        .parse()
        .ok()
        .filter(|value: &f64| value.is_finite())
        .ok_or_else(|| UnitError::NotANumber {
            text: text.into(),
            example: example(),
        })?;
    if symbol.is_empty() {
        return Err(UnitError::MissingUnit {
            text: text.into(),
            kind,
        });
    }
    if let Some(unit) = kind.unit(symbol) {
        return Ok((unit.to_si(value), unit));
    }
    let needs_reference = matches!(
        kind,
        QuantityKind::AbsolutePressure | QuantityKind::GaugePressure
    );
    if needs_reference && QuantityKind::PressureDifference.unit(symbol).is_some() {
        return Err(UnitError::NoReference {
            text: text.into(),
            symbol: symbol.into(),
        });
    }
    if at_a_condition(kind, symbol).next().is_some() {
        return Err(UnitError::NoCondition {
            text: text.into(),
            symbol: symbol.into(),
            kind,
        });
    }
    Err(UnitError::WrongUnit {
        symbol: symbol.into(),
        kind,
    })
}

/// The two sides of `value ± uncertainty`, also typed as `+-` or `+/-`.
#[must_use]
pub fn split_stated(text: &str) -> Option<(&str, &str)> {
    ["±", "+/-", "+-"]
        .iter()
        .find_map(|sign| text.split_once(sign))
        .map(|(value, std)| (value.trim(), std.trim()))
}

/// Reads a quantity of the type asked for.
///
/// # Errors
/// As [`parse`].
pub fn parse_as<Q: Quantity>(text: &str) -> Result<Q, UnitError> {
    parse(text, Q::KIND).map(|(si, _)| Q::from_si(si))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_has_an_si_unit() {
        for &kind in QuantityKind::ALL {
            let unit = kind.units().next().expect("a unit");
            assert!(
                (unit.scale - 1.0).abs() < 1e-15 && unit.offset == 0.0,
                "{kind:?}"
            );
        }
    }

    #[test]
    fn reads_numbers_with_units() {
        assert_eq!(parse("4.5 K", QuantityKind::Temperature).unwrap().0, 4.5);
        assert_eq!(
            parse("1.25 bar(a)", QuantityKind::AbsolutePressure)
                .unwrap()
                .0,
            1.25e5
        );
        assert!(
            (parse("12 kg/day", QuantityKind::MassFlow).unwrap().0 - 12.0 / 86_400.0).abs() < 1e-18
        );
        assert!((parse("-269 degC", QuantityKind::Temperature).unwrap().0 - 4.15).abs() < 1e-12);
        assert_eq!(
            parse("1e-3mbar(a)", QuantityKind::AbsolutePressure)
                .unwrap()
                .0,
            0.1
        );
    }

    #[test]
    fn refuses_bare_numbers_and_pressures_without_reference() {
        assert!(matches!(
            parse("4.5", QuantityKind::Temperature),
            Err(UnitError::MissingUnit { .. })
        ));
        assert!(matches!(
            parse("1.25 bar", QuantityKind::AbsolutePressure),
            Err(UnitError::NoReference { .. })
        ));
        assert!(matches!(
            parse("4 bar(a)", QuantityKind::Temperature),
            Err(UnitError::WrongUnit { .. })
        ));
        assert!(matches!(
            parse("cold", QuantityKind::Temperature),
            Err(UnitError::NotANumber { .. })
        ));
        assert!(matches!(
            parse("1e999 K", QuantityKind::Temperature),
            Err(UnitError::NotANumber { .. })
        ));
    }

    #[test]
    fn a_standard_volume_needs_its_condition() {
        let flow = |text| parse(text, QuantityKind::MassFlow);
        // 22.413 969 54 L/mol at 0 degC and 1 atm (CODATA 2018).
        let expected = 4.002_602e-3 / 22.413_969_54e-3 / 3600.0;
        assert!((flow("1 Nm3/h at 0 degC").unwrap().0 / expected - 1.0).abs() < 1e-9);
        let ratio =
            flow("1 SL/min at 20 degC").unwrap().0 * 60.0 / flow("1 Nm3/h at 0 degC").unwrap().0;
        assert!((ratio - 3.6 * 273.15 / 293.15).abs() < 1e-9);
        for bare in ["1 Nm3/h", "1 Sm3/h", "1 m3/h", "12 sL/min"] {
            let error = flow(bare).unwrap_err();
            assert!(matches!(error, UnitError::NoCondition { .. }), "{bare}");
            assert!(error.to_string().contains(" at 0 degC"), "{error}");
        }
        assert!(parse("1 Nm3", QuantityKind::Mass).is_err());
        assert!(matches!(flow("1 m2"), Err(UnitError::WrongUnit { .. })));
    }

    #[test]
    fn shows_two_digits_of_the_uncertainty() {
        let unit = QuantityKind::Mass.unit("kg").unwrap();
        assert_eq!(unit.format(1234.567, 1.23), "1234.6 kg");
        assert_eq!(unit.format(1234.567, 12.3), "1235 kg");
    }
}
