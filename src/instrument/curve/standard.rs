//! Curve files of sensors that follow a standard: platinum resistance and thermocouples.

use std::sync::Arc;

use serde::Deserialize;
use toml::Spanned;

use super::file::{CurveFileError, at, parse_chebyshev, time, uncertainty, unit_of};
use super::{Curve, CurveSpec, PlatinumCurve, ThermocoupleCurve, ThermocoupleType};
use crate::quantity::{self, QuantityKind};

/// Resistances at 0 degrees Celsius that platinum sensors are made with, ohm.
const R0_OHM: (f64, f64) = (1.0, 1e5);
const ICE_POINT_K: f64 = 273.15;

/// The `kind` that a TOML file states, with its line; none when it states none or is no TOML.
pub(super) fn kind(text: &str) -> Option<(usize, String)> {
    #[derive(Deserialize)]
    struct Kind {
        kind: Spanned<String>,
    }
    let kind: Kind = toml::from_str(text).ok()?;
    let line = line_of(text, kind.kind.span().start);
    Some((line, kind.kind.into_inner()))
}

/// Reads a file of that kind.
pub(super) fn parse(line: usize, kind: &str, text: &str) -> Result<CurveSpec, CurveFileError> {
    match kind {
        "chebyshev" => parse_chebyshev(text),
        "platinum" => platinum(text),
        "thermocouple" => thermocouple(text),
        other => Err(at(
            line,
            format!("{other:?} is no kind of curve; write chebyshev, platinum or thermocouple"),
        )),
    }
}

/// What every standard sensor states.
#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Raw {
    #[expect(dead_code, reason = "looked at before the rest is read")]
    kind: String,
    id: Spanned<String>,
    std_uncertainty: Spanned<String>,
    provenance: Spanned<String>,
    valid_until: Option<Spanned<String>>,
    input_unit: Spanned<String>,
    output_unit: Spanned<String>,
    #[serde(rename = "resistance-at-0-degC")]
    resistance: Option<Spanned<String>>,
    #[serde(rename = "type")]
    letter: Option<Spanned<String>>,
    reference_junction: Option<Spanned<String>>,
}

fn platinum(text: &str) -> Result<CurveSpec, CurveFileError> {
    let raw = read(text)?;
    refuse(text, raw.letter.as_ref(), "type", "a platinum sensor")?;
    let junction = raw.reference_junction.as_ref();
    refuse(text, junction, "reference-junction", "a platinum sensor")?;
    let field = need(
        raw.resistance.as_ref(),
        "resistance-at-0-degC = \"100 ohm\"",
    )?;
    let line = line_of(text, field.span().start);
    let (r0_ohm, _) = quantity::parse(field.get_ref(), QuantityKind::Resistance)
        .map_err(|error| at(line, format!("resistance-at-0-degC: {error}")))?;
    if !(R0_OHM.0..=R0_OHM.1).contains(&r0_ohm) {
        return Err(at(
            line,
            format!("no platinum sensor has {r0_ohm} ohm at 0 degC; write for example 100 ohm"),
        ));
    }
    let curve = Curve::Platinum(PlatinumCurve { r0_ohm });
    spec(text, &raw, QuantityKind::Resistance, curve)
}

fn thermocouple(text: &str) -> Result<CurveSpec, CurveFileError> {
    let raw = read(text)?;
    let r0 = raw.resistance.as_ref();
    refuse(text, r0, "resistance-at-0-degC", "a thermocouple")?;
    let field = need(raw.letter.as_ref(), "type = \"E\"")?;
    let line = line_of(text, field.span().start);
    let kind = match field.get_ref().as_str() {
        "E" => ThermocoupleType::E,
        "K" => ThermocoupleType::K,
        "T" => ThermocoupleType::T,
        "N" => ThermocoupleType::N,
        other => {
            return Err(at(
                line,
                format!("{other:?} is no type that is known here; write E, K, T or N"),
            ));
        }
    };
    let field = need(
        raw.reference_junction.as_ref(),
        "reference-junction = \"0 degC\"",
    )?;
    let line = line_of(text, field.span().start);
    let (junction_k, _) = quantity::parse(field.get_ref(), QuantityKind::Temperature)
        .map_err(|error| at(line, format!("reference-junction: {error}")))?;
    if (junction_k - ICE_POINT_K).abs() > 1e-6 {
        return Err(at(
            line,
            "the functions of the standard count from 0 degC; write \"0 degC\", and let the transmitter compensate or tell the temperature of the junction with each reading",
        ));
    }
    let curve = ThermocoupleCurve::new(kind)
        .map(Curve::Thermocouple)
        .ok_or_else(|| at(line, "this type has no curve"))?;
    spec(text, &raw, QuantityKind::Voltage, curve)
}

fn read(text: &str) -> Result<Raw, CurveFileError> {
    toml::from_str(text).map_err(|error| {
        let line = error.span().map_or(1, |span| line_of(text, span.start));
        at(line, error.message())
    })
}

fn need<'a>(
    field: Option<&'a Spanned<String>>,
    example: &str,
) -> Result<&'a Spanned<String>, CurveFileError> {
    field.ok_or_else(|| {
        let (key, _) = example.split_once(' ').unwrap_or((example, ""));
        at(1, format!("the key {key} is missing; write {example}"))
    })
}

fn refuse(
    text: &str,
    field: Option<&Spanned<String>>,
    key: &str,
    of: &str,
) -> Result<(), CurveFileError> {
    match field {
        None => Ok(()),
        Some(field) => Err(at(
            line_of(text, field.span().start),
            format!("{key} is no key of {of}; drop it"),
        )),
    }
}

fn spec(
    text: &str,
    raw: &Raw,
    input: QuantityKind,
    curve: Curve,
) -> Result<CurveSpec, CurveFileError> {
    let named = |field: &Spanned<String>, what: &str| {
        let line = line_of(text, field.span().start);
        if field.get_ref().trim().is_empty() {
            Err(at(line, format!("{what} is empty")))
        } else {
            Ok((line, field.get_ref().clone()))
        }
    };
    let quantity = QuantityKind::Temperature;
    let (line, symbol) = named(&raw.input_unit, "input-unit")?;
    let input_unit = unit_of(line, &symbol, input)?.unit;
    let (line, symbol) = named(&raw.output_unit, "output-unit")?;
    let output_unit = unit_of(line, &symbol, quantity)?.unit;
    let (line, stated) = named(&raw.std_uncertainty, "std-uncertainty")?;
    Ok(CurveSpec {
        id: named(&raw.id, "id")?.1,
        quantity,
        input,
        output_unit,
        input_unit,
        std_uncertainty: uncertainty(line, &stated, quantity)?,
        provenance: named(&raw.provenance, "provenance")?.1,
        valid_until: match &raw.valid_until {
            Some(field) => {
                let (line, stated) = named(field, "valid-until")?;
                Some(time(line, &stated)?)
            }
            None => None,
        },
        curve: Arc::new(curve),
    })
}

fn line_of(text: &str, offset: usize) -> usize {
    let before = text.as_bytes().iter().take(offset);
    1 + before.filter(|&&byte| byte == b'\n').count()
}

#[cfg(test)]
mod tests {
    use super::super::parse_curve;

    const PLATINUM: &str = r#"kind = "platinum"
id = "p"
resistance-at-0-degC = "1 kohm"
std-uncertainty = "0.15 K"
provenance = "IEC 60751, class A"
input-unit = "kohm"
output-unit = "degC"
"#;
    const COUPLE: &str = r#"kind = "thermocouple"
id = "e"
type = "E"
reference-junction = "0 degC"
std-uncertainty = "1 K"
provenance = "IEC 60584-1, class 2"
input-unit = "mV"
output-unit = "K"
"#;

    #[test]
    fn reads_both_kinds() {
        let spec = parse_curve("p.toml", PLATINUM).unwrap();
        // IEC 60751: 1.385055 R0 at 100 degrees Celsius.
        let (kelvin, _) = spec.curve.value_and_slope(1385.055).unwrap();
        assert!((kelvin - 373.15).abs() < 1e-6);
        assert_eq!(
            (spec.input_unit.symbol, spec.output_unit.symbol),
            ("kohm", "degC")
        );
        let spec = parse_curve("e.toml", COUPLE).unwrap();
        // NIST Monograph 175: type E, -8.824 mV at -200 degrees Celsius in its rounded table.
        let (kelvin, _) = spec.curve.value_and_slope(-8.8246e-3).unwrap();
        assert!((kelvin - 73.15).abs() < 0.05, "{kelvin}");
        assert_eq!(spec.std_uncertainty_at(300.0), 1.0);
        assert!(spec.std_uncertainty_at(4.2) > 5.0);
    }

    #[test]
    fn errors_carry_their_line() {
        for (text, change, to, line, words) in [
            (
                PLATINUM,
                "\"platinum\"",
                "\"silicon\"",
                1,
                "is no kind of curve",
            ),
            (PLATINUM, "1 kohm", "0 ohm", 3, "no platinum sensor"),
            (PLATINUM, "1 kohm", "1 V", 3, "not a unit of resistance"),
            (
                PLATINUM,
                "\"kohm\"",
                "\"mV\"",
                6,
                "not a unit of resistance",
            ),
            (
                PLATINUM,
                "id = \"p\"",
                "type = \"E\"\nid = \"p\"",
                2,
                "drop it",
            ),
            (
                PLATINUM,
                "resistance-at-0-degC = \"1 kohm\"",
                "",
                1,
                "is missing",
            ),
            (COUPLE, "\"E\"", "\"S\"", 3, "is no type"),
            (COUPLE, "\"0 degC\"", "\"21 degC\"", 4, "count from 0 degC"),
            (COUPLE, "1 K", "-1 K", 5, "must not be negative"),
            (COUPLE, "provenance", "origin", 6, "unknown field"),
        ] {
            let error = parse_curve("x.toml", &text.replacen(change, to, 1)).unwrap_err();
            assert_eq!(error.line, line, "{error}");
            assert!(error.message.contains(words), "{error}");
        }
    }
}
