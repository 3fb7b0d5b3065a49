//! Curve files: our own plain forms, with where the curve comes from.
//!
//! A table is CSV with header lines:
//!
//! ```text
//! # id: bath-thin-film
//! # quantity: temperature
//! # input: resistance
//! # interpolation: log-log-monotone-cubic
//! # std-uncertainty: 5 mK
//! # provenance: invented for the demo plant
//! resistance_ohm,temperature_K
//! 52.1,320
//! 53.4,310
//! ```
//!
//! A Chebyshev series is TOML:
//!
//! ```text
//! id = "lead-thin-film"
//! quantity = "temperature"
//! input = "resistance"
//! std-uncertainty = "5 mK"
//! provenance = "invented for the demo plant"
//! variable = "log10"          # or "linear"
//! input-unit = "ohm"
//! output-unit = "K"
//! [[range]]
//! low = 1.64                  # limits of the variable
//! high = 2.489869
//! coefficients = [45.69, -42.67, 10.22]
//! ```
//!
//! A sensor that follows a standard is TOML as well, with `kind`:
//!
//! ```text
//! kind = "platinum"                      # IEC 60751
//! id = "lead-pt100"
//! resistance-at-0-degC = "100 ohm"
//! std-uncertainty = "0.15 K"
//! provenance = "IEC 60751, class A"
//! input-unit = "ohm"
//! output-unit = "K"
//! ```
//! ```text
//! kind = "thermocouple"                  # IEC 60584-1
//! id = "string-3-e"
//! type = "E"                             # E, K, T or N
//! reference-junction = "0 degC"          # what the emf counts from
//! std-uncertainty = "1 K"                # above -200 degC; grows below, as the sensitivity vanishes
//! provenance = "IEC 60584-1, class 2"
//! input-unit = "mV"
//! output-unit = "K"
//! ```
//!
//! A Chebyshev series may say `kind = "chebyshev"`. All may carry `valid-until`, a time such as
//! `2028-03-01T00:00:00Z`. Any unit of the quantity may be used; a curve inside the program is SI.

use std::sync::Arc;

use serde::Deserialize;
use toml::Spanned;

use super::standard;
use super::{
    ChebyshevCurve, ChebyshevRange, Curve, CurveProblem, CurveSpec, Interpolation, TableCurve,
    Variable,
};
use crate::quantity::{self, QuantityKind, Unit};
use crate::time::Timestamp;

/// What is wrong with a curve file, and where.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("line {line}: {message}")]
pub struct CurveFileError {
    /// The line, from 1.
    pub line: usize,
    /// What is wrong and what to write instead.
    pub message: String,
}

pub(super) fn at(line: usize, message: impl Into<String>) -> CurveFileError {
    CurveFileError {
        line,
        message: message.into(),
    }
}

/// Reads a curve file of any form; its name tells CSV from TOML.
///
/// # Errors
/// The first [`CurveFileError`] of the file.
pub fn parse_curve(name: &str, text: &str) -> Result<CurveSpec, CurveFileError> {
    match name.rsplit_once('.').map(|(_, extension)| extension) {
        Some("csv") => parse_table(text),
        Some("toml") => match standard::kind(text) {
            Some((line, kind)) => standard::parse(line, &kind, text),
            None => parse_chebyshev(text),
        },
        _ => Err(at(
            1,
            "this is not a curve file; name it *.csv (table) or *.toml (Chebyshev series), or move it out of curves/",
        )),
    }
}

/// Reads a table.
///
/// # Errors
/// The first [`CurveFileError`] of the file.
pub fn parse_table(text: &str) -> Result<CurveSpec, CurveFileError> {
    let mut header = Header::default();
    let mut columns: Option<(QuantityKindUnit, QuantityKindUnit)> = None;
    let mut points = Vec::new();
    let mut point_lines = Vec::new();
    for (line, content) in (1..).zip(text.lines()) {
        let content = content.trim();
        if content.is_empty() {
            continue;
        }
        if let Some(comment) = content.strip_prefix('#') {
            header.take(line, comment)?;
        } else if let Some((input, output)) = &columns {
            let (x, y) = two_columns(line, content)?;
            points.push((input.number(line, x)?, output.number(line, y)?));
            point_lines.push(line);
        } else {
            let (x, y) = two_columns(line, content)?;
            let (input_line, input) = header.required("input", line)?;
            let (quantity_line, quantity) = header.required("quantity", line)?;
            columns = Some((
                column_unit(line, x, kind_named(*input_line, input)?)?,
                column_unit(line, y, kind_named(*quantity_line, quantity)?)?,
            ));
        }
    }
    let end = text.lines().count().max(1);
    let Some((input, output)) = columns else {
        return Err(at(
            end,
            "there is no row of column names; write for example resistance_ohm,temperature_K",
        ));
    };
    let (line, interpolation) = header.required("interpolation", end)?;
    let interpolation = match interpolation.as_str() {
        "monotone-cubic" => Interpolation::MonotoneCubic,
        "log-log-monotone-cubic" => Interpolation::LogLogMonotoneCubic,
        other => {
            return Err(at(
                *line,
                format!(
                    "{other:?} is no interpolation; write monotone-cubic or log-log-monotone-cubic"
                ),
            ));
        }
    };
    let curve = TableCurve::new(&points, interpolation).map_err(|problem| {
        let line = match &problem {
            CurveProblem::NotFinite { index, .. }
            | CurveProblem::NotPositive { index, .. }
            | CurveProblem::InputsOutOfOrder { index } => {
                point_lines.get(index.wrapping_sub(1)).copied()
            }
            _ => None,
        };
        at(line.unwrap_or(end), problem.to_string())
    })?;
    header.spec(end, &output, &input, Curve::Table(curve))
}

pub(super) struct QuantityKindUnit {
    pub(super) kind: QuantityKind,
    pub(super) unit: &'static Unit,
}

impl QuantityKindUnit {
    fn number(&self, line: usize, text: &str) -> Result<f64, CurveFileError> {
        text.parse::<f64>()
            .ok()
            .filter(|number| number.is_finite())
            .map(|number| self.unit.to_si(number))
            .ok_or_else(|| at(line, format!("{text:?} is not a number")))
    }
}

fn two_columns(line: usize, content: &str) -> Result<(&str, &str), CurveFileError> {
    match content.split_once(',') {
        Some((x, y)) if !y.contains(',') => Ok((x.trim(), y.trim())),
        _ => Err(at(
            line,
            format!("{content:?} does not have two columns, input and output"),
        )),
    }
}

/// `resistance_ohm`: the unit stands after the last underscore, the name before it is free.
fn column_unit(
    line: usize,
    name: &str,
    kind: QuantityKind,
) -> Result<QuantityKindUnit, CurveFileError> {
    let symbol = name.rsplit_once('_').map_or("", |(_, symbol)| symbol);
    unit_of(line, symbol, kind)
}

pub(super) fn unit_of(
    line: usize,
    symbol: &str,
    kind: QuantityKind,
) -> Result<QuantityKindUnit, CurveFileError> {
    if let Some(unit) = kind.unit(symbol) {
        return Ok(QuantityKindUnit { kind, unit });
    }
    let known: Vec<_> = kind.units().map(|unit| unit.symbol).collect();
    Err(at(
        line,
        format!(
            "{symbol:?} is not a unit of {}; use one of: {}",
            kind.words(),
            known.join(", ")
        ),
    ))
}

/// The kind of that name, written as `absolute-pressure`.
fn kind_named(line: usize, name: &str) -> Result<QuantityKind, CurveFileError> {
    let words = name.replace('-', " ");
    QuantityKind::ALL
        .iter()
        .copied()
        .find(|kind| kind.words() == words)
        .ok_or_else(|| {
            at(
                line,
                format!("{name:?} is not a quantity; write for example temperature, resistance, voltage or absolute-pressure"),
            )
        })
}

/// The `# key: value` lines of a table, each key once, with their lines.
#[derive(Default)]
struct Header {
    fields: std::collections::BTreeMap<&'static str, (usize, String)>,
}

const KEYS: [&str; 7] = [
    "id",
    "quantity",
    "input",
    "interpolation",
    "std-uncertainty",
    "provenance",
    "valid-until",
];

impl Header {
    /// Takes a comment line; one without a known key is a remark, one with a repeated key an error.
    fn take(&mut self, line: usize, comment: &str) -> Result<(), CurveFileError> {
        let Some((key, value)) = comment.split_once(':') else {
            return Ok(());
        };
        let Some(key) = KEYS.into_iter().find(|known| *known == key.trim()) else {
            return Ok(());
        };
        let value = (line, value.trim().to_owned());
        match self.fields.insert(key, value) {
            None => Ok(()),
            Some((first, _)) => Err(at(
                line,
                format!("{key} stands already in line {first}; drop one"),
            )),
        }
    }

    fn required(&self, key: &str, line: usize) -> Result<&(usize, String), CurveFileError> {
        self.fields
            .get(key)
            .filter(|(_, value)| !value.is_empty())
            .ok_or_else(|| {
                at(
                    line,
                    format!(
                        "the line \"# {key}: ...\" is missing; write it above the column names"
                    ),
                )
            })
    }

    fn spec(
        &self,
        end: usize,
        output: &QuantityKindUnit,
        input: &QuantityKindUnit,
        curve: Curve,
    ) -> Result<CurveSpec, CurveFileError> {
        let (line, std_uncertainty) = self.required("std-uncertainty", end)?;
        Ok(CurveSpec {
            id: self.required("id", end)?.1.clone(),
            quantity: output.kind,
            input: input.kind,
            output_unit: output.unit,
            input_unit: input.unit,
            std_uncertainty: uncertainty(*line, std_uncertainty, output.kind)?,
            provenance: self.required("provenance", end)?.1.clone(),
            valid_until: match self.fields.get("valid-until") {
                Some((line, text)) => Some(time(*line, text)?),
                None => None,
            },
            curve: Arc::new(curve),
        })
    }
}

pub(super) fn uncertainty(
    line: usize,
    text: &str,
    kind: QuantityKind,
) -> Result<f64, CurveFileError> {
    let (si, _) = quantity::parse(text, kind.difference())
        .map_err(|error| at(line, format!("std-uncertainty: {error}")))?;
    if si >= 0.0 {
        Ok(si)
    } else {
        Err(at(line, "std-uncertainty must not be negative"))
    }
}

pub(super) fn time(line: usize, text: &str) -> Result<Timestamp, CurveFileError> {
    Timestamp::parse(text).map_err(|error| {
        at(
            line,
            format!("valid-until: {error}; write for example 2028-03-01T00:00:00Z"),
        )
    })
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawChebyshev {
    #[expect(dead_code, reason = "looked at before the rest is read")]
    kind: Option<String>,
    id: Spanned<String>,
    quantity: Spanned<String>,
    input: Spanned<String>,
    std_uncertainty: Spanned<String>,
    provenance: Spanned<String>,
    valid_until: Option<Spanned<String>>,
    variable: Spanned<String>,
    input_unit: Spanned<String>,
    output_unit: Spanned<String>,
    range: Vec<Spanned<RawRange>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct RawRange {
    low: f64,
    high: f64,
    coefficients: Vec<f64>,
}

/// Reads a Chebyshev series.
///
/// # Errors
/// The first [`CurveFileError`] of the file.
pub fn parse_chebyshev(text: &str) -> Result<CurveSpec, CurveFileError> {
    let line_of = |offset: usize| {
        let before = text.as_bytes().iter().take(offset);
        1 + before.filter(|&&byte| byte == b'\n').count()
    };
    let raw: RawChebyshev = toml::from_str(text).map_err(|error| {
        let line = error.span().map_or(1, |span| line_of(span.start));
        at(line, error.message())
    })?;
    let named = |field: &Spanned<String>, what: &str| {
        let line = line_of(field.span().start);
        if field.get_ref().trim().is_empty() {
            Err(at(line, format!("{what} is empty")))
        } else {
            Ok((line, field.get_ref().clone()))
        }
    };
    let (line, name) = named(&raw.quantity, "quantity")?;
    let quantity = kind_named(line, &name)?;
    let (line, name) = named(&raw.input, "input")?;
    let input = kind_named(line, &name)?;
    let (line, symbol) = named(&raw.input_unit, "input-unit")?;
    let input_unit = unit_of(line, &symbol, input)?.unit;
    let input_unit_line = line;
    let (line, symbol) = named(&raw.output_unit, "output-unit")?;
    let output_unit = unit_of(line, &symbol, quantity)?.unit;
    let (line, name) = named(&raw.variable, "variable")?;
    let variable = match name.as_str() {
        "log10" => Variable::Log10,
        "linear" => Variable::Linear,
        other => {
            return Err(at(
                line,
                format!("{other:?} is no variable; write log10 or linear"),
            ));
        }
    };
    if variable == Variable::Log10 && input_unit.offset != 0.0 {
        return Err(at(
            input_unit_line,
            format!(
                "{} has no logarithm: its zero is not zero",
                input_unit.symbol
            ),
        ));
    }
    let limit_to_si = |z: f64| match variable {
        Variable::Log10 => z + libm::log10(input_unit.scale),
        Variable::Linear => input_unit.to_si(z),
    };
    let range_lines: Vec<_> = raw
        .range
        .iter()
        .map(|range| line_of(range.span().start))
        .collect();
    let ranges = raw
        .range
        .iter()
        .map(|range| {
            let range = range.get_ref();
            let mut coefficients: Vec<_> = range
                .coefficients
                .iter()
                .map(|c| c * output_unit.scale)
                .collect();
            if let Some(first) = coefficients.first_mut() {
                *first += output_unit.offset;
            }
            ChebyshevRange {
                low: limit_to_si(range.low),
                high: limit_to_si(range.high),
                coefficients,
            }
        })
        .collect();
    let curve = ChebyshevCurve::new(variable, ranges).map_err(|problem| {
        at(
            range_lines.first().copied().unwrap_or(1),
            problem.to_string(),
        )
    })?;
    let (line, text) = named(&raw.std_uncertainty, "std-uncertainty")?;
    let std_uncertainty = uncertainty(line, &text, quantity)?;
    Ok(CurveSpec {
        id: named(&raw.id, "id")?.1,
        quantity,
        input,
        output_unit,
        input_unit,
        std_uncertainty,
        provenance: named(&raw.provenance, "provenance")?.1,
        valid_until: match &raw.valid_until {
            Some(field) => {
                let (line, text) = named(field, "valid-until")?;
                Some(time(line, &text)?)
            }
            None => None,
        },
        curve: Arc::new(Curve::Chebyshev(curve)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const TABLE: &str = "\
# id: test-diode
# quantity: temperature
# input: voltage
# interpolation: monotone-cubic
# std-uncertainty: 50 mK
# provenance: invented
# a remark
voltage_mV,temperature_degC
1700,-272.15
1000,-200
500,20
";

    const SERIES: &str = r#"
id = "test-series"
quantity = "temperature"
input = "resistance"
std-uncertainty = "5 mK"
provenance = "invented"
variable = "log10"
input-unit = "kohm"
output-unit = "K"

[[range]]
low = -1.0
high = 0.5
coefficients = [50.0, -40.0, 5.0]
"#;

    #[test]
    fn reads_a_table_into_si() {
        let spec = parse_table(TABLE).unwrap();
        assert_eq!(spec.id, "test-diode");
        assert_eq!(spec.input, QuantityKind::Voltage);
        assert!((spec.std_uncertainty - 0.05).abs() < 1e-15);
        let (low, high) = spec.curve.range();
        assert!((low - 0.5).abs() < 1e-12 && (high - 1.7).abs() < 1e-12);
        let (kelvin, _) = spec.curve.value_and_slope(1.0).unwrap();
        assert!((kelvin - 73.15).abs() < 1e-9);
        assert!(spec.check().is_empty());
    }

    #[test]
    fn reads_a_series_into_si() {
        let spec = parse_chebyshev(SERIES).unwrap();
        let (low, high) = spec.curve.range();
        assert!((low - 100.0).abs() < 1e-9);
        assert!((high / 3162.277660168379 - 1.0).abs() < 1e-12);
        let (kelvin, _) = spec.curve.value_and_slope(high).unwrap();
        assert!((kelvin - 15.0).abs() < 1e-9);
    }

    #[test]
    fn errors_carry_their_line() {
        for (change, to, line, words) in [
            ("voltage_mV", "voltage", 8, "is not a unit of voltage"),
            ("# input: voltage", "# input: volts", 3, "is not a quantity"),
            ("# id: test-diode\n", "", 10, "\"# id: ...\" is missing"),
            ("1000,-200", "1000;-200", 10, "two columns"),
            ("1000,-200", "1000,warm", 10, "is not a number"),
            ("1000,-200", "1700,-200", 10, "does not go on"),
            (
                "50 mK",
                "50 mV",
                5,
                "is not a unit of temperature difference",
            ),
            ("# a remark", "# id: twice", 7, "already in line 1"),
            ("monotone-cubic", "spline", 4, "is no interpolation"),
        ] {
            let error = parse_table(&TABLE.replacen(change, to, 1)).unwrap_err();
            assert_eq!(error.line, line, "{error}");
            assert!(error.message.contains(words), "{error}");
        }
        for (change, to, line, words) in [
            ("\"log10\"", "\"ln\"", 7, "is no variable"),
            ("kohm", "mV", 8, "is not a unit of resistance"),
            ("high = 0.5", "high = -1.5", 11, "must be below"),
            ("coefficients", "coefs", 14, "unknown field"),
            ("low = -1.0", "low = \"-1\"", 12, "invalid type"),
        ] {
            let error = parse_chebyshev(&SERIES.replacen(change, to, 1)).unwrap_err();
            assert_eq!(error.line, line, "{error}");
            assert!(error.message.contains(words), "{error}");
        }
    }

    #[test]
    fn every_prefix_is_an_error_or_a_shorter_table() {
        let rows = TABLE.len() - "500,20\n".len();
        for end in 0..rows - 1 {
            let prefix = TABLE.get(..end).unwrap();
            assert!(parse_table(prefix).is_err() || end > rows - 4, "{prefix}");
        }
    }
}
