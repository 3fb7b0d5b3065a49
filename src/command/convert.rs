//! `coldledger convert`: the signal of a sensor to what it measures, by a curve file, and back.

use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;

use super::batch::{self, Answer, BatchError};
use crate::instrument::curve::{Curve, CurveError, CurveProblem, CurveSpec, parse_curve};
use crate::quantity::{
    Quantity, QuantityKind, Temperature, TemperatureDifference, UnitError, parse, parse_as,
};

/// The signal of a sensor to what it measures, by a calibration curve, and back
///
/// One reading:   coldledger convert --curve curves/thin-film-bath.csv --raw "1234 ohm"
/// Many:          coldledger convert --curve curves/thin-film-bath.csv --batch < readings.csv
/// Back:          coldledger convert --curve curves/thin-film-bath.csv --inverse --value "4.5 K"
///
/// --batch reads CSV with the column raw, in the input unit of the curve file, and writes each row
/// with value, unit, std_uncertainty and problem behind it (k = 1, in the same unit as the value). A
/// raw value that is empty, no number, or outside the curve leaves the value empty and says why.
/// With --inverse the column is value, and raw comes out.
///
/// A curve file is CSV: header lines "# id:", "# quantity:", "# input:", "# interpolation:"
/// (monotone-cubic or log-log-monotone-cubic), "# std-uncertainty:", "# provenance:", then the
/// names of two columns with their units (resistance_ohm,temperature_K), then the points. Or it is
/// TOML: a Chebyshev series (variable, input-unit, output-unit, `[[range]]` with low, high,
/// coefficients), or kind = "platinum" (resistance-at-0-degC), or kind = "thermocouple" (type,
/// reference-junction). DEVELOPERS.md shows each. Every curve is checked before it is used.
#[derive(Debug, Clone, Default, Args)]
#[command(verbatim_doc_comment)]
pub struct ConvertArgs {
    /// Curve file, *.csv or *.toml.
    #[arg(long, value_name = "FILE")]
    pub curve: PathBuf,
    /// Convert the rows of CSV on standard input.
    #[arg(long, conflicts_with_all = ["raw", "value", "json"])]
    pub batch: bool,
    /// One signal, such as "1234 ohm"; a bare number is in the input unit of the file.
    #[arg(long, value_name = "TEXT", conflicts_with_all = ["inverse", "value"], allow_hyphen_values = true)]
    pub raw: Option<String>,
    /// From what is measured back to the signal.
    #[arg(long)]
    pub inverse: bool,
    /// One value to take back, such as "4.5 K"; a bare number is in the output unit of the file.
    #[arg(
        long,
        value_name = "TEXT",
        requires = "inverse",
        allow_hyphen_values = true
    )]
    pub value: Option<String>,
    /// Standard uncertainty of the signal, such as "0.1 ohm"; the curve's own is always counted.
    #[arg(long, value_name = "TEXT", conflicts_with = "inverse")]
    pub raw_std: Option<String>,
    /// Temperature of a thermocouple's reference junction, such as "21.5 degC"; 0 degC unless given.
    #[arg(long, value_name = "TEXT", allow_hyphen_values = true)]
    pub junction: Option<String>,
    /// Standard uncertainty of that temperature, such as "0.3 K".
    #[arg(long, value_name = "TEXT", requires = "junction")]
    pub junction_std: Option<String>,
    /// Answer as JSON.
    #[arg(long)]
    pub json: bool,
}

/// Why the command could not do what was asked.
#[derive(Debug, thiserror::Error)]
pub enum ConvertError {
    /// The curve file cannot be read.
    #[error("{}: {source}; name a curve file that can be read", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The curve file is wrong.
    #[error("{}:{line}: {message}", path.display())]
    Curve {
        /// Which.
        path: PathBuf,
        /// Where, from 1.
        line: usize,
        /// What is wrong and what to write instead.
        message: String,
    },
    /// Neither a batch nor a value.
    #[error(
        "nothing to convert: give --raw, or --inverse --value, or --batch with CSV on standard input (see --help)"
    )]
    NothingAsked,
    /// A quantity on the command line that cannot be read.
    #[error("{option}: {source}")]
    Option {
        /// Which option.
        option: &'static str,
        /// Why.
        source: UnitError,
    },
    /// An uncertainty below zero.
    #[error("{option} must not be negative")]
    Negative {
        /// Which option.
        option: &'static str,
    },
    /// A junction for a sensor that has none.
    #[error("--junction is for thermocouples; {id} is none")]
    NoJunction {
        /// The curve.
        id: String,
    },
    /// The one value has no answer.
    #[error("{0}")]
    Problem(String),
    /// The batch as a whole failed.
    #[error(transparent)]
    Batch(#[from] BatchError),
    /// Writing failed.
    #[error("writing the answer: {0}")]
    Write(#[from] io::Error),
    /// Writing JSON failed.
    #[error("writing the answer: {0}")]
    Json(#[from] serde_json::Error),
}

/// Columns that a batch adds.
const OUTPUTS: [&str; 4] = ["value", "unit", "std_uncertainty", "problem"];
/// Columns that a batch adds with `--inverse`.
const INVERSE_OUTPUTS: [&str; 4] = ["raw", "unit", "std_uncertainty", "problem"];

/// Converts from standard input or the command line; the exit code.
#[must_use]
pub fn main(args: &ConvertArgs) -> u8 {
    match run(args, io::stdin().lock(), super::answer()) {
        Ok(()) => super::WELL,
        Err(error) => {
            super::complain(&error);
            super::CONFIGURATION
        }
    }
}

/// Runs the command on an input and an output.
///
/// # Errors
/// [`ConvertError`]; in a batch only what concerns the whole of it.
pub fn run(
    args: &ConvertArgs,
    input: impl Read,
    mut output: impl Write,
) -> Result<(), ConvertError> {
    let text = std::fs::read_to_string(&args.curve).map_err(|source| ConvertError::File {
        path: args.curve.clone(),
        source,
    })?;
    let converter = Converter::new(args, read_curve(&args.curve, &text)?)?;
    if args.batch {
        let (column, outputs) = if args.inverse {
            ("value", INVERSE_OUTPUTS)
        } else {
            ("raw", OUTPUTS)
        };
        batch::run(input, output, |header| {
            let place = header.need(column)?;
            let answer: Answer<'_> = Box::new(move |row| {
                let text = row.get(place);
                match number(column, text).and_then(|number| converter.convert(number)) {
                    Ok(found) => vec![
                        format!("{:?}", found.value),
                        found.unit.to_owned(),
                        format!("{:?}", found.std_uncertainty),
                        String::new(),
                    ],
                    Err(problem) => {
                        vec![String::new(), String::new(), String::new(), problem]
                    }
                }
            });
            Ok((outputs.to_vec(), answer))
        })?;
        return Ok(());
    }
    let asked = match (&args.raw, &args.value) {
        (Some(raw), _) => converter.one("--raw", raw)?,
        (None, Some(value)) => converter.one("--value", value)?,
        (None, None) => return Err(ConvertError::NothingAsked),
    };
    let found = converter.convert(asked).map_err(ConvertError::Problem)?;
    if args.json {
        serde_json::to_writer_pretty(&mut output, &found)?;
        writeln!(output)?;
        return Ok(());
    }
    writeln!(output, "{}", words(&found))?;
    writeln!(
        output,
        "curve {}: {}",
        converter.spec.id, converter.spec.provenance
    )?;
    if let Some(until) = converter.spec.valid_until {
        writeln!(output, "calibration valid until {until}")?;
    }
    Ok(())
}

/// The curve of a file, without problems.
fn read_curve(path: &Path, text: &str) -> Result<CurveSpec, ConvertError> {
    let wrong = |line, message| ConvertError::Curve {
        path: path.to_owned(),
        line,
        message,
    };
    let spec = parse_curve(&path.to_string_lossy(), text)
        .map_err(|error| wrong(error.line, error.message))?;
    match spec.check().first() {
        None => Ok(spec),
        Some(problem) => Err(wrong(
            line_of(problem, &spec, text),
            format!("curve {:?}: {problem}", spec.id),
        )),
    }
}

/// The line that a problem of a whole curve is nearest to: in a table the point, in a series the
/// first range.
fn line_of(problem: &CurveProblem, spec: &CurveSpec, text: &str) -> usize {
    let near = |si: f64, at: f64| (si - at).abs() <= 1e-9 * at.abs();
    let found = match (problem, &*spec.curve) {
        (CurveProblem::NotMonotone { at }, Curve::Table(_)) => text.lines().position(|line| {
            line.split_once(',')
                .and_then(|(x, _)| x.trim().parse::<f64>().ok())
                .is_some_and(|x| near(spec.input_unit.to_si(x), *at))
        }),
        _ => text.lines().position(|line| line.trim() == "[[range]]"),
    };
    found.map_or(1, |line| line + 1)
}

/// A curve with what is known about the signal.
struct Converter {
    spec: CurveSpec,
    inverse: bool,
    /// SI of the signal.
    raw_std: f64,
    /// K, with its standard uncertainty.
    junction: Option<(f64, f64)>,
}

/// A converted number in the unit of the file.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Converted {
    value: f64,
    unit: &'static str,
    std_uncertainty: f64,
}

impl Converter {
    fn new(args: &ConvertArgs, spec: CurveSpec) -> Result<Self, ConvertError> {
        let raw_std = match &args.raw_std {
            None => 0.0,
            Some(text) => {
                let (std, _) = parse(text, spec.input.difference()).map_err(|source| {
                    ConvertError::Option {
                        option: "--raw-std",
                        source,
                    }
                })?;
                not_negative("--raw-std", std)?
            }
        };
        let junction = match &args.junction {
            None => None,
            Some(text) => {
                if !matches!(&*spec.curve, Curve::Thermocouple(_)) {
                    return Err(ConvertError::NoJunction { id: spec.id });
                }
                let at: Temperature = option("--junction", text)?;
                let std = match &args.junction_std {
                    None => 0.0,
                    Some(text) => {
                        let std: TemperatureDifference = option("--junction-std", text)?;
                        not_negative("--junction-std", std.si())?
                    }
                };
                Some((at.si(), std))
            }
        };
        Ok(Self {
            spec,
            inverse: args.inverse,
            raw_std,
            junction,
        })
    }

    /// The one number of the command line, in the unit of the file.
    fn one(&self, name: &'static str, text: &str) -> Result<f64, ConvertError> {
        if let Ok(number) = text.trim().parse::<f64>() {
            return Ok(number);
        }
        let (kind, unit) = if self.inverse {
            (self.spec.quantity, self.spec.output_unit)
        } else {
            (self.spec.input, self.spec.input_unit)
        };
        let (si, _) = parse(text, kind).map_err(|source| ConvertError::Option {
            option: name,
            source,
        })?;
        Ok(unit.from_si(si))
    }

    /// A number in the unit of the file, converted; else the problem in words.
    fn convert(&self, number: f64) -> Result<Converted, String> {
        if !number.is_finite() {
            let what = if self.inverse { "value" } else { "raw" };
            return Err(format!("{what} is {number}, which is no finite number"));
        }
        let found = if self.inverse {
            self.back(self.spec.output_unit.to_si(number))
        } else {
            self.forth(self.spec.input_unit.to_si(number))
        };
        let (si, std) = found.map_err(|error| self.problem(number, error))?;
        let unit = if self.inverse {
            self.spec.input_unit
        } else {
            self.spec.output_unit
        };
        let found = Converted {
            value: unit.from_si(si),
            unit: unit.symbol,
            std_uncertainty: unit.difference_from_si(std).abs(),
        };
        if found.value.is_finite() && found.std_uncertainty.is_finite() {
            Ok(found)
        } else {
            Err(format!("the curve gives no finite number at {number}"))
        }
    }

    /// Signal to value, SI, with the standard uncertainty.
    fn forth(&self, signal: f64) -> Result<(f64, f64), CurveError> {
        let (value, slope, junction) = match (&*self.spec.curve, self.junction) {
            (Curve::Thermocouple(curve), Some((at, std))) => {
                let found = curve.compensated(signal, at)?;
                let junction = found.per_junction_k * std;
                (found.temperature_k, found.per_volt, junction)
            }
            (curve, _) => {
                let (value, slope) = curve.value_and_slope(signal)?;
                (value, slope, 0.0)
            }
        };
        let curve = self.spec.std_uncertainty_at(value);
        let raw = slope * self.raw_std;
        let std = libm::sqrt(curve * curve + raw * raw + junction * junction);
        Ok((value, std))
    }

    /// Value to signal, SI, with what the curve's uncertainty means in the signal.
    fn back(&self, value: f64) -> Result<(f64, f64), CurveError> {
        let whole = self.spec.curve.inverse(value)?;
        let (_, slope) = self.spec.curve.value_and_slope(whole)?;
        let curve = self.spec.std_uncertainty_at(value) / slope;
        let (junction, junction_std) = match self.junction {
            None => (0.0, 0.0),
            Some((at, std)) => {
                let emf = self.spec.curve.inverse(at)?;
                let (_, per_volt) = self.spec.curve.value_and_slope(emf)?;
                (emf, std / per_volt)
            }
        };
        let std = libm::sqrt(curve * curve + junction_std * junction_std);
        Ok((whole - junction, std))
    }

    /// A curve's refusal in the units of the file.
    fn problem(&self, number: f64, error: CurveError) -> String {
        let (from, to) = (self.spec.input_unit, self.spec.output_unit);
        match error {
            CurveError::NotANumber => "the curve gives no number here".to_owned(),
            CurveError::Outside { low, high, .. } => format!(
                "{number} lies outside the curve: {} to {} {}",
                short(from.from_si(low)),
                short(from.from_si(high)),
                from.symbol
            ),
            CurveError::Unreachable { low, high, .. } => format!(
                "{number} lies outside the curve: {} to {} {}",
                short(to.from_si(low)),
                short(to.from_si(high)),
                to.symbol
            ),
        }
    }
}

/// A converted number for a person.
fn words(found: &Converted) -> String {
    let digits = crate::quantity::decimals_for(found.std_uncertainty, found.value);
    format!(
        "{:.digits$} {}, standard uncertainty {:.digits$} {}",
        found.value,
        found.unit,
        found.std_uncertainty,
        difference_symbol(found.unit),
    )
}

/// A difference of temperatures is in K, also between degrees Celsius.
fn difference_symbol(symbol: &'static str) -> &'static str {
    match symbol {
        "degC" | "°C" => QuantityKind::TemperatureDifference.si_unit().symbol,
        other => other,
    }
}

fn short(number: f64) -> String {
    let text = format!("{number:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn number(column: &str, text: &str) -> Result<f64, String> {
    if text.is_empty() {
        return Err(format!("{column} is empty"));
    }
    text.parse()
        .map_err(|_| format!("{column}: {text:?} is not a number"))
}

fn not_negative(option: &'static str, std: f64) -> Result<f64, ConvertError> {
    if std >= 0.0 {
        Ok(std)
    } else {
        Err(ConvertError::Negative { option })
    }
}

fn option<Q: Quantity>(option: &'static str, text: &str) -> Result<Q, ConvertError> {
    parse_as(text).map_err(|source| ConvertError::Option { option, source })
}

#[cfg(test)]
mod tests;
